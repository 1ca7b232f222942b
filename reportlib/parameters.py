"""What a report may be told: the fields of the notebook's parameter cell.

The cell tagged ``parameters`` in ``notebooks/compression.ipynb`` declares exactly these
names, and a test holds it to that; a name that neither knows stops before anything runs.
"""

from collections.abc import Mapping
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from reportlib.errors import NotebookError

SeatRoom = Literal["kitchen desk", "living room", "film night in a hall", "small stage"]
Paper = Literal["a4", "letter"]
"""What the PDF is set for: no parameter of the notebook, since it changes no number."""


class ReportParameters(BaseModel):
    """Parameters of the compression report, JSON types only."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    session: str
    """Session folder to report on."""
    smoothing_fraction: int = Field(default=12, ge=1, le=48)
    """Smoothing of responses, as the n of 1/n octave."""
    assumed_repeatability_db: float = Field(default=0.05, ge=0.0, le=1.0)
    """Repeatability where no take was repeated [dB] (common practice, no source)."""
    usable_u95_db: float = Field(default=0.5, gt=0.0, le=3.0)
    """A point with a wider 95 % interval than this is not used [dB]."""
    seat_room: SeatRoom = "living room"
    """Where the reader listens: one of the settings of `listening`."""
    seat_distance_m: float | None = Field(default=None, gt=0.2, le=50.0)
    """Where the reader sits: distance from the loudspeakers [m]; None: as in that setting."""
    seat_loudspeakers: int | None = Field(default=None, ge=1, le=12)
    """How many loudspeakers play at the seat; None: as in that setting."""
    seat_volume_m3: float | None = Field(default=None, ge=5.0, le=100000.0)
    """Volume of the reader's room [m³]; None: as in that setting."""
    seat_reverberation_s: float | None = Field(default=None, ge=0.05, le=12.0)
    """Reverberation time of the reader's room [s]; None: as in that setting."""


def known_parameters(remembered: Mapping[str, object]) -> dict[str, object]:
    """Return of remembered parameters those that this version still knows and accepts."""
    kept: dict[str, object] = {}
    for name in ReportParameters.model_fields.keys() & remembered.keys() - {"session"}:
        try:
            ReportParameters.model_validate({"session": ".", name: remembered[name]})
        except ValidationError:
            continue
        kept[name] = remembered[name]
    return kept


def merged_parameters(
    remembered: Mapping[str, object], given: Mapping[str, object]
) -> dict[str, object]:
    """Return remembered parameters with those that are given now; both by name.

    Another room brings its own distance, loudspeakers, volume and reverberation time: what was
    remembered of the room before is left out.
    """
    kept = dict(remembered)
    if "seat_room" in given and given["seat_room"] != remembered.get("seat_room", "living room"):
        kept = {name: value for name, value in kept.items() if not name.startswith("seat_")}
    return {**kept, **given}


def checked_parameters(**given: object) -> ReportParameters:
    """Return the validated parameters of a parameter cell.

    Raises
    ------
    NotebookError
        A value is of the wrong type or out of range; the line names the parameter.
    """
    try:
        return ReportParameters(**given)  # type: ignore[arg-type]
    except ValidationError as error:
        first = error.errors()[0]
        name = ".".join(str(part) for part in first["loc"])
        raise NotebookError(
            f"report parameter {name!r}: {first['msg'].lower()}, got {first.get('input')!r}. "
            "Correct it in the cell tagged 'parameters' or leave it out."
        ) from error
