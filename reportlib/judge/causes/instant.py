"""Rules for what acts at once: limiters, the amplifier, port, excursion, motor, loose parts."""

import math
from collections.abc import Sequence

from reportlib.judge.causes.case import (
    BENT,
    BESIDE,
    CLEAN,
    WHOLE_SHARE,
    Case,
    Seen,
    abrupt,
    case_of,
    even,
    flank_of,
    gain_is_cut,
    leaves_a_unit,
    levels,
    rest_of,
    spans_all,
)
from reportlib.judge.causes.evidence import Evidence, Law, Stretch, octaves_of
from reportlib.numbers import frequency

BASS_HZ = 250.0
"""Above it no cone of a whole loudspeaker moves far enough for port or suspension (judgement:
excursion falls by 12 dB an octave above resonance)."""
PORT_OCTAVES, LEAST_PORT_OCTAVES = 1.7, 0.4
PORT_HZ = 140.0
"""Boxes are tuned between 20 and 100 Hz (common practice, no source)."""
MOST_FLAT_OCTAVES = 1.0
"""Below its tuning a port carries ever less of the sound, and its losses with it (judgement)."""
NEAR_TUNING_OCTAVES = 0.5
TURNED_BACK, STILL_FALLING = 0.7, 0.88
"""Of the largest loss, what is left of it at the low end."""
NARROW_OCTAVES, MANY = 0.8, 3
A_THIRD = 0.3
"""Of what is missing: the third harmonic of a cubic (trigonometry)."""
FOLLOWS = 0.3
"""dB of loss for each dB of response: what a ratio of 1.5 : 1 takes."""
STEEP = 0.35
BROAD_OCTAVES = 3.0
ONE_BAND_OCTAVES = 4.0
"""More than the bands that limiters act on by themselves (judgement)."""
GAIN_OVER_LOSS = 0.45
"""A suspension half as stiff again loses 3.5 dB far below resonance and gains 0.4 dB (Q of 0.5) to
1.3 dB (Q of 1) half an octave above (computed); a weaker motor gains as much as it loses."""


def _time(seen: Seen, one: Stretch) -> None:
    if one.timing == "at once":
        seen.fits("time", "It comes at once.")
    elif one.timing == "builds up" and not abrupt(one):
        seen.contradicts("It builds up as the loudspeaker plays on.", signature="time")


def _falls(one: Stretch) -> bool:
    return one.test == "short_term" and one.sign < 0


def _bent(one: Stretch) -> bool:
    return one.bending is not None and one.bending >= BENT


def _clean(one: Stretch) -> bool:
    return one.bending is not None and one.bending < CLEAN


def _not_turned_down(seen: Seen, one: Stretch, *, evidence: Evidence, stops: bool = False) -> None:
    """What a cone, a motor or a port can carry of what a limiter takes beside it.

    `stops`: it may be a hard stop, which no power law bounds.
    """
    if any(gain_is_cut(evidence, other) and flank_of(one, other) for other in evidence.short):
        seen.contradicts("It is the side of a larger loss, which grows as fast as the drive.")
    if not gain_is_cut(evidence, one):
        return
    grows = "It grows by nearly as many decibels as the drive, as where gain is turned down"
    if stops:
        seen.doubts(f"{grows}, or at a hard stop{rest_of(one)}")
    else:
        seen.contradicts(f"{grows}{rest_of(one)}")


def limiter_broad(evidence: Evidence) -> list[Case]:
    """Nothing up to a threshold, then a fixed share of every further decibel, in every band."""
    law = evidence.law
    if law is not None and law.share > FOLLOWS and law.high_hz >= BASS_HZ:
        return [_limiter_by_law(evidence, law)]
    found = []
    for one in evidence.short:
        if not _falls(one) or one.high_hz < BASS_HZ or one.growth in ("offset", "lone", "share"):
            continue
        if one.octaves < BROAD_OCTAVES or not (even(one) or spans_all(evidence, one)):
            continue
        seen = Seen()
        if even(one):
            seen.fits("frequency", "It takes the same from every band, across drive units.")
        if one.growth == "knee":
            seen.fits(
                "level",
                f"Nothing is missing below {one.onset_db:g} dB; then a large share of each step.",
            )
        elif one.last_slope < 0.5 * STEEP and one.growth == "smooth":
            seen.contradicts("It grows slowly, without a threshold.", signature="level")
        _time(seen, one)
        _as_a_limiter(seen, one, evidence=evidence)
        if leaves_a_unit(evidence, one):
            seen.contradicts("It ends at a crossover, and leaves what lies beyond.")
        if evidence.drive == "passive":
            seen.contradicts("A passive loudspeaker has no limiter of its own.")
        found.append(case_of(one, **seen.all))
    return found


def _alone(evidence: Evidence, one: Stretch) -> bool:
    """Whether nothing else falls, and at least a third of what can be told is left alone."""
    whole = octaves_of(evidence.lowest_hz, evidence.highest_hz)
    others = [other for other in evidence.short if _falls(other) and other is not one]
    return not others and one.octaves < 0.67 * whole


def _no_law(seen: Seen, evidence: Evidence) -> None:
    """What follows one level everywhere is not one band's own."""
    if evidence.law is None:
        return
    if not _across(evidence, evidence.law):
        seen.doubts("Nothing else was as loud, so that a limiter on everything may do the same.")
    else:
        seen.contradicts("All that is missing follows one level, whatever the frequency.")


def _across(evidence: Evidence, law: Law) -> bool:
    """Whether it takes from two drive units, or nearly everywhere where nobody says who plays."""
    if not evidence.crossovers_hz:
        return law.octaves > WHOLE_SHARE * octaves_of(evidence.lowest_hz, evidence.highest_hz)
    return any(BESIDE * law.low_hz < hz < law.high_hz / BESIDE for hz in evidence.crossovers_hz)


def _limiter_by_law(evidence: Evidence, law: Law) -> Case:
    seen = Seen()
    seen.fits("frequency", "It takes what lies above one level, at any frequency.")
    seen.fits("level", "Above it, each decibel loses the same share.")
    mine = [one for one in evidence.short if _falls(one)]
    for one in sorted(mine, key=lambda one: -one.octaves)[:1]:
        _time(seen, one)
        _as_a_limiter(seen, one, evidence=evidence)
        if one.bending is not None and CLEAN <= one.bending < BENT:
            seen.marks("Harmonics are less than a waveform has that is cut so far.")
    if evidence.drive == "passive":
        seen.contradicts("A passive loudspeaker has no limiter of its own.")
    if law.octaves < ONE_BAND_OCTAVES or not _across(evidence, law):
        seen.doubts("A limiter on this one band would do the same.")
    return Case(
        low_hz=law.low_hz,
        high_hz=law.high_hz,
        levels_db=law.levels_db,
        size_db=law.worst_db,
        **seen.all,  # type: ignore[arg-type]
    )


def _as_a_limiter(seen: Seen, one: Stretch, *, evidence: Evidence) -> None:
    """What slope and waveform say of a limiter; harmonics speak against none with its slope."""
    turned_down, bending = gain_is_cut(evidence, one), one.bending or 0.0
    if turned_down:
        seen.fits("level", "It grows by nearly as many decibels as the drive.")
        seen.marks(f"The output there hardly rises any more{rest_of(one)}")
        if _bent(one) and one.octaves >= BROAD_OCTAVES and evidence.reference != "terminals":
            seen.doubts("Harmonics rise with it: an amplifier that cuts peaks would do the same.")
    if _clean(one):
        seen.marks("The waveform stays clean: gain was turned down, nothing was cut.")
    elif not turned_down and _bent(one) and (one.bending_grows or bending >= A_THIRD):
        seen.contradicts("Harmonics rise with it: a waveform is cut, not turned down.")


def limiter_band(evidence: Evidence) -> list[Case]:
    """One band turned down beyond a threshold, with edges at fixed frequencies."""
    found = []
    for one in evidence.short:
        if not _falls(one) or one.growth in ("offset", "lone", "share"):
            continue
        of_a_unit = leaves_a_unit(evidence, one)
        wide = spans_all(evidence, one) or one.octaves >= BROAD_OCTAVES + 2.0
        if one.octaves < 0.4 or (wide and not of_a_unit):
            continue
        inner = [edge for edge in (one.low_edge, one.high_edge) if edge != "open"]
        sharp = bool(inner) and set(inner) == {"sharp"}
        turned_down, seen = gain_is_cut(evidence, one), Seen()
        if sharp:
            seen.fits("frequency", "It takes one band, with a sharp edge.")
        elif of_a_unit:
            seen.fits("frequency", "It takes one drive unit, as far as its crossover.")
        elif one.growth == "knee" and _alone(evidence, one):
            seen.fits("frequency", "It takes one band and leaves the others.")
        elif "sharp" not in inner and inner and not turned_down:
            seen.contradicts("It has no sharp edge in frequency.", signature="frequency")
        if one.growth == "knee":
            seen.fits(
                "level",
                f"Nothing is missing below {one.onset_db:g} dB; then a large share of each step.",
            )
        elif one.growth == "smooth" and not turned_down:
            seen.contradicts("It grows smoothly, without a threshold.", signature="level")
        _time(seen, one)
        _as_a_limiter(seen, one, evidence=evidence)
        if turned_down and _deep(one) and _lower_is_more(one, lowest_hz=evidence.lowest_hz):
            seen.doubts("A cone that meets a hard stop would look the same.")
        _no_law(seen, evidence)
        _one_of_many(seen, one, evidence=evidence)
        deep = _deep(one) and one.worst_hz <= PORT_HZ and one.core_octaves <= PORT_OCTAVES
        if deep and evidence.may_have_a_port:
            seen.doubts("With steps as wide as these a port would look the same.")
        if _deep(one) and _bass_gain(evidence) is not None:
            seen.contradicts("The bass gains beside it, as no limiter makes it.")
        if evidence.drive == "passive":
            seen.contradicts("A passive loudspeaker has no limiter of its own.")
        found.append(case_of(one, **seen.all))
    return found


def amplifier(evidence: Evidence) -> list[Case]:
    """The amplifier gives less voltage than asked, or cuts its peaks."""
    found = []
    short_of = [one for one in evidence.missing if one.missing_db > max(0.15, 1.5 * one.u95_db)]
    if short_of and evidence.reference == "terminals":
        top = evidence.missing[-1]
        below = [one for one in evidence.missing if one.missing_db <= 0.5 * top.missing_db]
        seen = Seen()
        seen.marks("At the terminals there was less than the step that was asked for.")
        if top in short_of and below:
            seen.fits(
                "level", f"The voltage falls short {levels([one.level_db for one in short_of])}."
            )
            seen.fits("frequency", "It is the drive as a whole that falls short.")
        found.append(
            Case(
                low_hz=evidence.lowest_hz,
                high_hz=evidence.highest_hz,
                levels_db=tuple(one.level_db for one in short_of),
                size_db=-max(one.missing_db for one in short_of),
                **seen.all,  # type: ignore[arg-type]
            )
        )
    for one in evidence.short:
        if not _falls(one) or one.growth in ("offset", "lone", "share"):
            continue
        if not (spans_all(evidence, one) or one.octaves > BROAD_OCTAVES):
            continue
        seen = Seen()
        if even(one):
            seen.fits("frequency", "It is the same at all frequencies, as the voltage is.")
        else:
            seen.contradicts("It is not the same at all frequencies.", signature="frequency")
        if one.growth in ("knee", "unclear") or one.last_slope > 0.2:
            seen.fits("level", f"It sets in {levels(one.levels_db)} and takes more of each step.")
        _time(seen, one)
        if evidence.reference == "terminals":
            seen.contradicts("The drive was measured at the terminals, and is taken off.")
        if _bent(one):
            seen.marks("Harmonics rise with it everywhere, as where peaks are cut.")
        elif _clean(one):
            seen.contradicts("The waveform stays clean.")
        seen.doubts("No sweep tells the voltage at the terminals.")
        found.append(case_of(one, **seen.all))
    return found


def _deep(one: Stretch) -> bool:
    """Whether a stretch lies where a cone moves far and a port works."""
    return _falls(one) and one.worst_hz < BASS_HZ and one.high_hz < 2.0 * BASS_HZ


def _both_ends(one: Stretch) -> bool:
    return "open" not in (one.low_edge, one.high_edge)


def port(evidence: Evidence) -> list[Case]:
    """Turbulence in the port: half an octave to one around the box's tuning, ever more."""
    found = []
    for one in evidence.short if evidence.may_have_a_port else ():
        if not _deep(one) or one.worst_hz > PORT_HZ or one.growth in ("offset", "lone", "share"):
            continue
        seen = Seen()
        if one.octaves < LEAST_PORT_OCTAVES and one.low_edge != "open":
            seen.contradicts(
                "It is narrower than the stretch in which a port works.", signature="frequency"
            )
        elif one.core_octaves <= PORT_OCTAVES and (_both_ends(one) or _turns_back(one)):
            seen.fits(
                "frequency",
                f"It lies around {frequency(one.worst_hz)}, not below.",
            )
        elif one.core_octaves <= PORT_OCTAVES and one.low_edge == "open":
            seen.fits("frequency", "It lies in the lowest octaves, where a port works.")
        elif one.core_octaves > PORT_OCTAVES:
            seen.contradicts(
                "It is wider than the stretch in which a port works.", signature="frequency"
            )
        if one.low_edge == "open" and one.flat_octaves > MOST_FLAT_OCTAVES:
            seen.contradicts(
                "It stays as large below, where a port no longer works.",
                signature="frequency",
            )
        _where_tuned(seen, one, tuning_hz=evidence.tuning_hz)
        if one.growth == "smooth" and one.last_slope < 0.55:
            seen.fits("level", "It grows smoothly with level.")
        elif one.growth == "knee":
            seen.contradicts("It sets in abruptly.", signature="level")
        _time(seen, one)
        if evidence.drive == "active" and "sharp" in (one.low_edge, one.high_edge):
            seen.doubts("A limiter on this one band would look the same.")
        if _of_a_cone(one):
            seen.doubts("Harmonics exceed what is missing, as a cone’s do and seldom a port’s.")
        _not_turned_down(seen, one, evidence=evidence)
        found.append(case_of(one, **seen.all))
    return found


def _where_tuned(seen: Seen, one: Stretch, *, tuning_hz: Sequence[float]) -> None:
    """Whether a stretch lies where a port works, where its tuning was written down."""
    if not tuning_hz:
        return
    nearest = min(tuning_hz, key=lambda hz: abs(math.log(one.worst_hz / hz)))
    apart = abs(octaves_of(nearest, one.worst_hz))
    if apart <= NEAR_TUNING_OCTAVES:
        seen.fits("frequency", f"It lies where the port works, tuned to {frequency(nearest)}.")
    elif not one.low_hz < nearest < one.high_hz:
        seen.contradicts(
            f"The port is tuned to {frequency(nearest)} and works elsewhere.", signature="frequency"
        )


def excursion(evidence: Evidence) -> list[Case]:
    """Suspension or stop: the lower the frequency, the farther the cone has to move."""
    found = []
    for one in evidence.short:
        if not _deep(one) or one.growth in ("offset", "lone", "share"):
            continue
        seen = Seen()
        _moves_far(seen, one, evidence=evidence)
        if one.growth == "knee":
            seen.fits("level", "It sets in abruptly, as at a stop.")
        elif one.growth == "smooth":
            seen.fits("level", "It grows smoothly with level.")
        _time(seen, one)
        grows = one.bending_grows or not evidence.may_have_a_port
        if one.bending is not None and one.bending >= A_THIRD and grows:
            seen.marks("Harmonics rise with it, as where a cone is held back.")
        elif _clean(one):
            seen.contradicts("The waveform stays clean.")
        gain = _bass_gain(evidence)
        if gain is not None and _gained(gain, lost=one) > GAIN_OVER_LOSS:
            seen.contradicts(
                f"Near {frequency(gain.worst_hz)} it gains, by more than a stiffer suspension "
                "brings about."
            )
        stops = _lower_is_more(one, lowest_hz=evidence.lowest_hz)
        _not_turned_down(seen, one, evidence=evidence, stops=stops)
        found.append(case_of(one, **seen.all))
    return found


def motor_strength(evidence: Evidence) -> list[Case]:
    """The coil leaves the magnet's gap: less force and less damping where the cone moves far."""
    found = []
    for one in evidence.short:
        gains = one.sign > 0 and one.worst_hz < BASS_HZ and one.high_hz < 2.0 * BASS_HZ
        if not (_deep(one) or gains) or one.growth in ("offset", "lone", "share"):
            continue
        seen = Seen()
        if gains:
            seen.fits(
                "frequency",
                f"It gains near {frequency(one.worst_hz)}, as where a motor damps less.",
            )
            if one.octaves < 0.35:
                seen.contradicts("It is narrower than a drive unit’s resonance in its box.")
        else:
            _moves_far(seen, one, evidence=evidence)
        if one.growth == "knee" and not gains:
            seen.contradicts("It sets in abruptly.", signature="level")
        elif one.growth in ("knee", "smooth"):
            seen.fits("level", "It grows with level.")
        _time(seen, one)
        gain = _bass_gain(evidence)
        if not gains and gain is not None:
            seen.marks(f"Near {frequency(gain.worst_hz)} it gains, as where a motor damps less.")
        if _bent(one):
            seen.also("Harmonics rise with it.")
        elif _clean(one):
            seen.contradicts("The waveform stays clean.")
        _not_turned_down(seen, one, evidence=evidence)
        found.append(case_of(one, **seen.all))
    return found


def _bass_gain(evidence: Evidence) -> Stretch | None:
    gains = [one for one in evidence.short if one.sign > 0 and one.worst_hz < BASS_HZ]
    return max(gains, key=lambda one: one.worst_db, default=None)


def _gained(gain: Stretch, *, lost: Stretch) -> float:
    """Return gain over loss, at the level where that is largest."""
    losses = {one.level_db: -one.change_db for one in lost.points}
    shares = [gain.worst_db / -lost.worst_db]
    shares += [
        one.change_db / losses[one.level_db]
        for one in gain.points
        if one.shows and losses.get(one.level_db, 0.0) > 0.5
    ]
    return max(shares)


def _turns_back(one: Stretch) -> bool:
    """Whether less is missing again at the low end of what can be told."""
    return one.high_edge != "open" and one.at_low_end < TURNED_BACK


def _lower_is_more(one: Stretch, *, lowest_hz: float) -> bool:
    to_the_end = one.low_hz < 1.3 * lowest_hz and one.low_edge == "open"
    return to_the_end and one.at_low_end > STILL_FALLING and one.worst_hz < 1.15 * one.low_hz


def _of_a_cone(one: Stretch) -> bool:
    """Whether harmonics exceed what is missing, and outgrow the level."""
    return one.bending is not None and one.bending > 1.0 and one.bending_grows


def _moves_far(seen: Seen, one: Stretch, *, evidence: Evidence) -> None:
    """Whether it takes the more the lower the frequency, to the end of what can be told.

    Where a port is tuned the cone hardly moves; above it, it does.
    """
    if _lower_is_more(one, lowest_hz=evidence.lowest_hz):
        seen.fits("frequency", "The lower the frequency, the more is missing.")
    elif evidence.may_have_a_port and _of_a_cone(one):
        return
    elif _turns_back(one) or (one.low_edge != "open" and one.octaves < PORT_OCTAVES):
        seen.contradicts(
            "What lies below, where the cone moves farther, is not as short.",
            signature="frequency",
        )


def loose_part(evidence: Evidence) -> list[Case]:
    """A panel that rings or a part that rattles: a narrow stretch, with level."""
    found = []
    for one in evidence.short:
        if one.octaves > NARROW_OCTAVES or one.growth in ("offset", "lone"):
            continue
        others = [other for other in evidence.short if other is not one]
        if not _both_ends(one) or any(flank_of(one, other) for other in others):
            continue
        seen = Seen()
        seen.fits("frequency", f"It is narrow, near {frequency(one.worst_hz)}.")
        if one.growth in ("smooth", "knee"):
            seen.fits("level", "It comes with level.")
        _time(seen, one)
        if one.sign < 0:
            _no_law(seen, evidence)
        if one.sign > 0:
            seen.marks("It is louder than asked there: something sounds along.")
        if one.worst_hz < 80.0:
            seen.contradicts("Panels seldom ring so low.")
        if one.worst_hz < BASS_HZ and any(other.worst_hz < BASS_HZ for other in others):
            seen.contradicts("The bass beside it changes as well.", signature="frequency")
        _one_of_many(seen, one, evidence=evidence)
        found.append(case_of(one, **seen.all))
    return found


def _one_of_many(seen: Seen, one: Stretch, *, evidence: Evidence) -> None:
    """Reflections and noise make many narrow stretches, a limiter or a part one or two."""
    others = [other for other in evidence.short if other.level_db == one.level_db]
    if sum(other.octaves < 1.5 * NARROW_OCTAVES for other in others if other is not one) >= MANY:
        seen.contradicts("It is one of many ups and downs.", signature="frequency")
