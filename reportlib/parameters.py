"""What a report may be told: the fields of the notebook's parameter cell.

The cell tagged ``parameters`` in ``notebooks/compression.ipynb`` declares exactly these
names, and a test holds it to that; a name that neither knows stops before anything runs.
"""

from collections.abc import Mapping

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from reportlib.errors import NotebookError


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
    seat_distance_m: float = Field(default=3.0, gt=0.2, le=50.0)
    """Where the reader sits: distance from the loudspeakers [m]."""
    seat_loudspeakers: int = Field(default=2, ge=1, le=2)
    """How many loudspeakers play at the seat."""


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
