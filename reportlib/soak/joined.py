"""The stages of one level in a row: what was recorded of each, on clocks that they share."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from reportlib.arrays import BoolArray, FloatArray, freeze, same_length
from reportlib.day import LongTermEntry, Stage
from reportlib.soak.history import History
from reportlib.soak.periods import StressTones
from reportlib.soak.tones import IntArray
from reportlib.soaked import StageSpan


@dataclass(frozen=True, eq=False, kw_only=True)
class Joined:
    """Every period that was recorded at one level.

    Attributes
    ----------
    elapsed_s : shape (n,), middle of each period in stress alone; `clock_s` with pauses, NaN
        where not known
    stage : shape (n,)
    settled : shape (n,), False for a stage's first recorded period
    reason : shape (n,), why no tone of a period may be used, empty where they may
    level_db, noise, power, beside, resistance_ohm, reactance_ohm : shape (n, m), as in
        `periods.StressTones`
    """

    period_s: float
    spans: tuple[StageSpan, ...]
    elapsed_s: FloatArray
    clock_s: FloatArray
    stage: IntArray
    settled: BoolArray
    reason: tuple[str, ...]
    frequency_hz: FloatArray
    noise_dof: FloatArray
    level_db: FloatArray
    noise: FloatArray
    power: FloatArray
    beside: FloatArray
    resistance_ohm: FloatArray
    reactance_ohm: FloatArray

    def __post_init__(self) -> None:
        tones = ("frequency_hz", "noise_dof", "level_db", "noise", "power", "beside")
        freeze(self, ("elapsed_s", "clock_s", *tones))
        freeze(self, ("settled",), dtype=np.bool_)
        freeze(self, ("stage",), dtype=np.intp)
        same_length(self, tones)
        same_length(self, ("elapsed_s", "clock_s", "stage", "settled", "reason"))

    @property
    def usable(self) -> BoolArray:
        """Which periods may be used, shape (n,)."""
        return self.settled & np.array([not one for one in self.reason], dtype=np.bool_)

    def history(self, used: BoolArray) -> History:
        """Return the level's stages and pauses, with these of its periods; shape (n,)."""
        spans = [
            (span.start_s, span.start_s + span.stress_s)
            for span in self.spans
            if span.start_s is not None
        ]
        return History(
            period_s=self.period_s,
            spans_s=np.array(spans, dtype=np.float64).reshape(-1, 2),
            centre_s=self.clock_s[used],
            stage=self.stage[used],
        )


def stage_spans(entry: LongTermEntry, *, recorded: Sequence[bool]) -> tuple[StageSpan, ...]:
    """Return a level's stages on its clock; unknown from the first rest that is not known on."""
    spans = []
    start_s: float | None = 0.0
    for index, stage in enumerate(entry.stages):
        spans.append(
            StageSpan(
                start_s=start_s,
                stress_s=stage.stress_s,
                elapsed_s=entry.elapsed_s(index),
                pause_s=stage.pause_s[0] if stage.pause_s else 0.0,
                recorded=recorded[index],
            )
        )
        known = start_s is not None and stage.rest_s is not None
        start_s = start_s + stage.stress_s + stage.rest_s if known else None  # type: ignore[operator]
    return tuple(spans)


def joined(entry: LongTermEntry, *, heard: Mapping[str, StressTones]) -> Joined | None:
    """Put a level's recordings in a row; None where none of its stages was heard.

    Parameters
    ----------
    heard : by path of the stress recording, of those that can be used
    """

    def of(stage: Stage) -> StressTones | None:
        return heard.get(stage.stress) if stage.stress is not None else None

    spans = stage_spans(entry, recorded=[of(stage) is not None for stage in entry.stages])
    found = [(index, one) for index, stage in enumerate(entry.stages) if (one := of(stage))]
    if not found:
        return None
    first = found[0][1]
    start_s = [span.start_s for span in spans]
    before_s = [span.elapsed_s - span.stress_s for span in spans]
    reason = [
        "clipped" if clips else "gap" if gap else ""
        for _, one in found
        for clips, gap in zip(one.clipped.tolist(), one.gap.tolist(), strict=True)
    ]
    return Joined(
        period_s=first.period_s,
        spans=spans,
        elapsed_s=np.concatenate([before_s[index] + one.centre_s for index, one in found]),
        clock_s=np.concatenate(
            [
                one.centre_s + (np.nan if start_s[index] is None else start_s[index])  # type: ignore[operator]
                for index, one in found
            ]
        ),
        stage=np.concatenate([np.full(one.centre_s.size, index) for index, one in found]),
        settled=np.concatenate([np.arange(one.centre_s.size) > 0 for _, one in found]),
        reason=tuple(reason),
        frequency_hz=first.frequency_hz,
        noise_dof=np.min([one.noise_dof for _, one in found], axis=0),
        **{
            name: np.concatenate([getattr(one, name) for _, one in found])
            for name in ("level_db", "noise", "power", "beside", "resistance_ohm", "reactance_ohm")
        },
    )
