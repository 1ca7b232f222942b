"""What a report or a comparison may be told: the fields of the notebook's parameter cell.

The cell tagged ``parameters`` in ``notebooks/compression.ipynb`` and in ``comparison.ipynb``
declares exactly these names, and a test holds it to that; a name that neither knows stops before
anything runs.
"""

from collections.abc import Mapping
from typing import Annotated, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from reportlib.errors import NotebookError

SeatRoom = Literal["kitchen desk", "living room", "film night in a hall", "small stage"]
Paper = Literal["a4", "letter"]
"""What the PDF is set for: no parameter of the notebook, since it changes no number."""
FEWEST_COMPARED, MOST_COMPARED = 2, 8
"""How many sessions a comparison takes: more lines than eight can't be told apart in a figure."""

_Smoothing = Annotated[int, Field(ge=1, le=48)]
_Repeatability = Annotated[float, Field(ge=0.0, le=1.0)]
_Usable = Annotated[float, Field(gt=0.0, le=3.0)]
_Distance = Annotated[float, Field(gt=0.2, le=50.0)]
_Loudspeakers = Annotated[int, Field(ge=1, le=12)]
_Volume = Annotated[float, Field(ge=5.0, le=100000.0)]
_Reverberation = Annotated[float, Field(ge=0.05, le=12.0)]


class ReportParameters(BaseModel):
    """Parameters of the compression report, JSON types only."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    session: str
    """Session folder to report on."""
    smoothing_fraction: _Smoothing = 12
    """Smoothing of responses, as the n of 1/n octave."""
    assumed_repeatability_db: _Repeatability = 0.05
    """Repeatability where no take was repeated [dB] (common practice, no source)."""
    usable_u95_db: _Usable = 0.5
    """A point with a wider 95 % interval than this is not used [dB]."""
    seat_room: SeatRoom = "living room"
    """Where the reader listens: one of the settings of `judge.seat`."""
    seat_distance_m: _Distance | None = None
    """Where the reader sits: distance from the loudspeakers [m]; None: as in that setting."""
    seat_loudspeakers: _Loudspeakers | None = None
    """How many loudspeakers play at the seat; None: as in that setting."""
    seat_volume_m3: _Volume | None = None
    """Volume of the reader's room [m³]; None: as in that setting."""
    seat_reverberation_s: _Reverberation | None = None
    """Reverberation time of the reader's room [s]; None: as in that setting."""
    words: str | None = None
    """Folder of the tester's own wordings, as seen from the session's; None: ``words`` beside it,
    where that holds any; empty: none (`draw.wordings.own_words`)."""


class ComparisonParameters(BaseModel):
    """Parameters of a comparison: all sessions are analysed under the same ones.

    What they mean is said at `ReportParameters`.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    sessions: list[str] = Field(min_length=FEWEST_COMPARED, max_length=MOST_COMPARED)
    """Session folders, as seen from the comparison's own where that is possible; in this order."""
    smoothing_fraction: _Smoothing = 12
    assumed_repeatability_db: _Repeatability = 0.05
    usable_u95_db: _Usable = 0.5
    seat_room: SeatRoom = "living room"
    seat_distance_m: _Distance | None = None
    seat_loudspeakers: _Loudspeakers | None = None
    seat_volume_m3: _Volume | None = None
    seat_reverberation_s: _Reverberation | None = None
    words: str | None = None

    def of_session(self, session: str) -> ReportParameters:
        """Return the parameters under which one of the sessions is analysed."""
        own = {"sessions", "words"}
        return ReportParameters(session=session, **self.model_dump(exclude=own))


Parameters = ReportParameters | ComparisonParameters
_Asked = TypeVar("_Asked", ReportParameters, ComparisonParameters)
_FOLDERS: Mapping[str, object] = {"session": ".", "sessions": [".", ".."]}
"""Stand-ins where other parameters are looked at alone: which folders is never remembered here."""


def known_parameters(
    remembered: Mapping[str, object], *, model: type[Parameters] = ReportParameters
) -> dict[str, object]:
    """Return of remembered parameters those that this version still knows and accepts.

    Which folder or folders they were of is left out.
    """
    folders = {name: one for name, one in _FOLDERS.items() if name in model.model_fields}
    kept: dict[str, object] = {}
    for name in model.model_fields.keys() & remembered.keys() - _FOLDERS.keys():
        try:
            model.model_validate({**folders, name: remembered[name]})
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
    """Return the validated parameters of a report's parameter cell.

    Raises
    ------
    NotebookError
        A value is of the wrong type or out of range; the line names the parameter.
    """
    return _checked(ReportParameters, given=given, what="report")


def checked_comparison(**given: object) -> ComparisonParameters:
    """Return the validated parameters of a comparison's parameter cell.

    Raises
    ------
    NotebookError
        As `checked_parameters`.
    """
    return _checked(ComparisonParameters, given=given, what="comparison")


def _checked(model: type[_Asked], *, given: Mapping[str, object], what: str) -> _Asked:
    try:
        return model.model_validate(given)
    except ValidationError as error:
        first = error.errors()[0]
        name = ".".join(str(part) for part in first["loc"])
        raise NotebookError(
            f"{what} parameter {name!r}: {first['msg'].lower()}, got {first.get('input')!r}. "
            "Correct it in the cell tagged 'parameters' or leave it out."
        ) from error
