"""The tables about the stress while it plays: what each band lost, and the coil."""

from reportlib.facts import FactTable, collect, row_anchors, written
from reportlib.model import Analysis
from reportlib.numbers import db_interval, duration, frequency, half_width, level_key, number
from reportlib.readings.coil import coil_end
from reportlib.readings.stress import end_of, last_recovery, too_slow
from reportlib.shown import Table
from reportlib.soaked import GroupTrack, Playing, ThermalFit
from reportlib.stress_facts import coil_key, stress_key

_AGREEMENT = {"agrees": "yes", "disagrees": "no", "can't tell": "can’t tell"}


def thermal_table(analysis: Analysis) -> Table | None:
    """What each band and drive unit lost while it played, how fast, and what the sweep then saw."""
    shown = [
        (playing, track)
        for playing in sorted(analysis.playing, key=lambda one: one.level_db)
        for track in playing.groups
        if track.kind != "third"
    ]
    if not shown:
        return None
    facts = collect(analysis)
    return Table(
        name="thermal",
        caption="While it plays: the change when the stress ended, against cold (* against the "
        "first period), how fast it came, and what the sweep afterwards saw.",
        columns=(
            "level", "where", "after", "change", "how fast", "at 10 min", "the sweep saw",
            "so much later", "agree",
        ),
        rows=tuple(_row(playing, track, facts=facts) for playing, track in shown),
        anchors=tuple(
            row_anchors(facts, key=f"{stress_key(playing, track)}.") for playing, track in shown
        ),
        numeric=(True, False, True, True, True, True, True, True, False),
        folded=True,
    )  # fmt: skip


def _row(playing: Playing, track: GroupTrack, *, facts: FactTable) -> tuple[str, ...]:
    name = track.name
    if track.kind == "band":
        name = f"{name}, {frequency(track.low_hz)} to {frequency(track.high_hz)}"
    head = (f"{level_key(playing.level_db)} dB", name)
    end = end_of(playing, track)
    if end is None:
        return (*head, "", "can’t tell", "", "", "", "", "")
    fit = track.fit
    recovery = last_recovery(playing, band=track.name) if track.kind == "band" else None
    return (
        *head,
        duration(end.elapsed_s),
        db_interval(end.change_db, u95_db=end.u95_db) + ("" if end.since_cold else "*"),
        "" if fit is None else _pace(playing, key=stress_key(playing, track), fit=fit, facts=facts),
        "" if fit is None or not end.since_cold else _ten_minutes(fit),
        "" if recovery is None else db_interval(recovery.seen_db, u95_db=recovery.seen_u95_db),
        "" if recovery is None else f"{recovery.after_s:.0f} s",
        "" if recovery is None else _AGREEMENT[recovery.agreement],
    )


def _pace(playing: Playing, *, key: str, fit: ThermalFit, facts: FactTable) -> str:
    parts = []
    for index, term in enumerate(fit.terms, start=1):
        if f"{key}.time-{index}" in facts:
            parts.append(written(facts[f"{key}.time-{index}"]))
        else:
            parts.append("too slow to tell" if too_slow(playing, term) else "can’t tell")
    return "; ".join(parts)


def _ten_minutes(fit: ThermalFit) -> str:
    if fit.projected_600_s_db is None:
        return "can’t tell" if fit.terms else ""
    return db_interval(-fit.projected_600_s_db, u95_db=fit.projected_u95_db or 0.0)


def coil_table(analysis: Analysis) -> Table | None:
    """The coil at every level that tells it: cold, and when the stress ended."""
    rows, anchors = [], []
    facts = collect(analysis)
    for playing in sorted(analysis.playing, key=lambda one: one.level_db):
        coil = playing.coil
        end = coil_end(playing, coil) if coil is not None else None
        if coil is None or end is None:
            continue
        assumed = ", assumed" if coil.ambient_assumed else ""
        heard = ""
        if end.heard_db is not None and end.heard_u95_db is not None:
            heard = db_interval(end.heard_db, u95_db=end.heard_u95_db)
        rows.append(
            (
                f"{level_key(playing.level_db)} dB",
                coil.unit,
                f"{number(coil.cold_ohm, 2)} Ω",
                f"{number(coil.ambient_c, 0)} °C{assumed}",
                f"{number(end.ohm, 2)} Ω",
                f"{number(end.rise_k, 0)} ± {number(half_width(end.rise_u95_k, least=1.0), 0)} °C",
                f"{number(end.expected_db, 1)} dB",
                heard,
            )
        )
        anchors.append(row_anchors(facts, key=f"{coil_key(playing)}."))
    if not rows:
        return None
    return Table(
        name="coil",
        caption="The coil, from voltage and current at the terminals: its resistance cold and when "
        "the stress ended, how much hotter it got, and the change in output that this makes at a "
        "steady voltage, beside the one that was heard.",
        columns=("level", "drive unit", "cold", "cold at", "hot", "hotter by", "expected", "heard"),
        rows=tuple(rows),
        anchors=tuple(anchors),
        numeric=(True, False, True, True, True, True, True, True),
        folded=True,
    )
