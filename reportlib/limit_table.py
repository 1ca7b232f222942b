"""The table of limits: where every band and drive unit is 1 dB and 3 dB behind."""

from collections.abc import Sequence

from reportlib.facts import collect, row_anchors
from reportlib.judged import Limit
from reportlib.judged_facts import limit_key
from reportlib.model import Analysis, Test
from reportlib.numbers import levels_text, listed, sentence
from reportlib.readings.behind import band_limits, bracket_text, limited_bands, where_text
from reportlib.readings.stress import end_of
from reportlib.shown import Table


def limit_table(analysis: Analysis) -> Table | None:
    """Where every band and drive unit is 1 dB and 3 dB behind, turned up and left playing."""
    if not analysis.limits:
        return None
    facts = collect(analysis)
    tests: list[tuple[Test, str]] = [("short_term", "turned up"), ("long_term", "left playing")]
    shown = [pair for pair in tests if any(one.test == pair[0] for one in analysis.limits)]
    rows, anchors = [], []
    for band in limited_bands(analysis):
        own = {test: band_limits(analysis, band=band, test=test) for test, _ in shown}
        every = [limit for limits in own.values() for limit in limits]
        cells = [bracket_text(one, facts=facts) for one in every]
        rows.append((sentence(where_text(every[0])), *cells))
        keys = dict.fromkeys(f"{limit_key(limit)}." for limit in every)
        anchors.append(" ".join(filter(None, (row_anchors(facts, key=key) for key in keys))))
    thresholds = dict.fromkeys(f"{one.threshold_db:g} dB" for one in analysis.limits)
    return Table(
        name="limits",
        caption=f"The level at which the output is {listed(list(thresholds))} behind what was "
        f"asked, with its bracket.{_heard(analysis)}{_skipped(analysis.limits)}",
        columns=("where", *(f"{name}, {words}" for _, words in shown for name in thresholds)),
        rows=tuple(rows),
        anchors=tuple(anchors),
        numeric=(False, *(True for _ in shown for _ in thresholds)),
    )


def _heard(analysis: Analysis) -> str:
    """Say from what the long-term levels are, where some were heard while they played."""
    ends = [end_of(one, track) for one in analysis.playing for track in one.groups]
    if not any(end is not None and end.since_cold for end in ends):
        return ""
    return " Left playing: as heard when the stress ended, where it was recorded."


def _skipped(limits: Sequence[Limit]) -> str:
    """Say which levels were left out, for want of a result that can be told."""
    groups: dict[tuple[Test, tuple[float, ...]], list[str]] = {}
    for limit in limits:
        names = groups.setdefault((limit.test, limit.untold_db), [])
        if limit.reached is not None and limit.untold_db and limit.band not in names:
            names.append(limit.band)
    parts = [
        f"{listed(names)} {'turned up to' if test == 'short_term' else 'left playing at'} "
        f"{levels_text(levels)}"
        for (test, levels), names in groups.items()
        if names
    ]
    return f" Skipped, since it can’t be told: {'; '.join(parts)}." if parts else ""
