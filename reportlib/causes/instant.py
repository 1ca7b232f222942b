"""Rules for what acts at once: limiters, the amplifier, port, excursion, motor, loose parts."""

from reportlib.causes.case import Case, Seen, case_of, levels, where
from reportlib.causes.evidence import Evidence, Stretch
from reportlib.causes.instruments import BENT, CLEAN, even, spans_all
from reportlib.facts import frequency

BASS_HZ = 250.0
"""Above it no cone of a whole loudspeaker moves far enough for port or suspension (judgement:
excursion falls by 12 dB an octave above resonance)."""
PORT_OCTAVES = 1.7
NARROW_OCTAVES = 0.6
"""The smoothed width of a resonance of Q 3 and more."""
FOLLOWS = 0.3
"""dB of loss for each dB of response: what a ratio of 1.5 : 1 takes."""
STEEP = 0.35
BROAD_OCTAVES = 3.0


def _time(seen: Seen, one: Stretch) -> None:
    if one.timing == "at once":
        seen.fits("time", "It is there at once: playing on adds nothing to it.")
    elif one.timing == "builds up":
        seen.contradicts("It builds up as the loudspeaker plays on.", signature="time")


def _falls(one: Stretch) -> bool:
    return one.test == "short_term" and one.sign < 0


def _bent(one: Stretch) -> bool:
    return one.bending is not None and one.bending >= BENT


def _clean(one: Stretch) -> bool:
    return one.bending is not None and one.bending < CLEAN


def limiter_broad(evidence: Evidence) -> list[Case]:
    """Nothing up to a threshold, then a fixed share of every further decibel, in every band."""
    found = []
    for one in evidence.short:
        follows = one.follows_level is not None and one.follows_level > FOLLOWS
        if not _falls(one) or one.high_hz < BASS_HZ or one.growth in ("offset", "lone", "share"):
            continue
        wide = one.octaves >= BROAD_OCTAVES and (even(one) or spans_all(evidence, one))
        if not (wide or (follows and one.octaves >= 1.0)):
            continue
        seen = Seen()
        if follows:
            seen.fits(
                "frequency", "It takes what lies above one level, whatever the frequency."
            )
        elif even(one):
            seen.fits("frequency", "It takes the same from every band, across drive units.")
        if one.growth == "knee":
            seen.fits(
                "level",
                f"Nothing is missing below {one.onset_db:g} dB; beyond, a large share of each step.",
            )
        elif one.last_slope < 0.5 * STEEP and one.growth == "smooth":
            seen.contradicts("It grows slowly, without a threshold.", signature="level")
        _time(seen, one)
        if _clean(one):
            seen.marks("The waveform stays clean: gain was turned down, nothing was cut.")
        elif _bent(one) and one.bending_grows:
            seen.contradicts("Harmonics rise with it: a waveform is cut, not turned down.")
        if evidence.drive == "passive":
            seen.contradicts("A passive loudspeaker has no limiter of its own.")
        found.append(case_of(one, **seen.all))
    return found


def limiter_band(evidence: Evidence) -> list[Case]:
    """One band turned down beyond a threshold, with edges at fixed frequencies."""
    found = []
    for one in evidence.short:
        if not _falls(one) or one.growth in ("offset", "lone", "share"):
            continue
        if one.octaves < 0.4 or spans_all(evidence, one):
            continue
        if one.octaves >= BROAD_OCTAVES + 2.0:
            continue
        sharp = "sharp" in (one.low_edge, one.high_edge)
        seen = Seen()
        if sharp:
            seen.fits("frequency", f"It takes one band {where(one)}, with a sharp edge.")
        elif "open" in (one.low_edge, one.high_edge) and one.high_hz > BASS_HZ:
            pass
        else:
            seen.contradicts("It has no sharp edge in frequency.", signature="frequency")
        if one.growth == "knee":
            seen.fits(
                "level",
                f"Nothing is missing below {one.onset_db:g} dB; beyond, a large share of each step.",
            )
        elif one.growth == "smooth":
            seen.contradicts("It grows smoothly, without a threshold.", signature="level")
        _time(seen, one)
        if _clean(one):
            seen.marks("The waveform stays clean: gain was turned down, nothing was cut.")
        elif _bent(one):
            seen.contradicts("Harmonics rise with it: a waveform is cut, not turned down.")
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
            seen.fits("level", f"The voltage falls short {levels([one.level_db for one in short_of])}.")
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
    for one in evidence.short:
        if not _deep(one) or one.growth in ("offset", "lone", "share"):
            continue
        seen = Seen()
        if _both_ends(one) and one.octaves <= PORT_OCTAVES:
            seen.fits(
                "frequency",
                f"It takes a stretch around {frequency(one.worst_hz)} and leaves what lies below.",
            )
        elif one.octaves > PORT_OCTAVES + 0.5:
            seen.contradicts(
                "It is wider than the stretch in which a port works.", signature="frequency"
            )
        if one.growth == "smooth" and one.last_slope < 0.55:
            seen.fits("level", "It grows smoothly with level, without a threshold.")
        elif one.growth == "knee":
            seen.contradicts("It sets in abruptly.", signature="level")
        _time(seen, one)
        if _bent(one) and one.bending is not None and one.bending > 2.0 * BENT:
            seen.contradicts("Harmonics rise more than air in a port makes them.")
        found.append(case_of(one, **seen.all))
    return found


def excursion(evidence: Evidence) -> list[Case]:
    """Suspension or stop: the lower the frequency, the farther the cone has to move."""
    found = []
    for one in evidence.short:
        if not _deep(one) or one.growth in ("offset", "lone", "share"):
            continue
        seen = Seen()
        _moves_far(seen, one, evidence)
        if one.growth == "knee" or one.last_slope >= 0.15:
            seen.fits("level", "It grows steeply with level.")
        _time(seen, one)
        if _bent(one):
            seen.marks("Harmonics rise with it, as where a cone is held back.")
        elif _clean(one):
            seen.contradicts("The waveform stays clean.")
        found.append(case_of(one, **seen.all))
    return found


def motor_strength(evidence: Evidence) -> list[Case]:
    """The coil leaves the magnet's gap: less force and less damping where the cone moves far."""
    found = []
    for one in evidence.short:
        if not _deep(one) or one.growth in ("offset", "lone", "share"):
            continue
        seen = Seen()
        _moves_far(seen, one, evidence)
        if one.growth == "knee":
            seen.contradicts("It sets in abruptly.", signature="level")
        else:
            seen.fits("level", "It grows smoothly with level.")
        _time(seen, one)
        gains = [
            other
            for other in evidence.short
            if other.sign > 0 and other.worst_hz < BASS_HZ and other.level_db == one.level_db
        ]
        if gains:
            seen.marks(
                f"Near {frequency(gains[0].worst_hz)} it gains, as where a motor damps less."
            )
        if _bent(one):
            seen.also("Harmonics rise with it.")
        elif _clean(one):
            seen.contradicts("The waveform stays clean.")
        found.append(case_of(one, **seen.all))
    return found


def _moves_far(seen: Seen, one: Stretch, evidence: Evidence) -> None:
    """Whether it takes the more the lower the frequency, to the end of what can be told."""
    to_the_end = one.low_hz < 1.3 * evidence.lowest_hz and one.low_edge == "open"
    if to_the_end and one.worst_hz < 1.6 * one.low_hz:
        seen.fits("frequency", "The lower the frequency, the more is missing.")
    elif one.low_edge != "open" and one.octaves < PORT_OCTAVES:
        seen.contradicts(
            "What lies below, where the cone moves farther, is not short.", signature="frequency"
        )


def loose_part(evidence: Evidence) -> list[Case]:
    """A panel that rings or a part that rattles: a narrow stretch, with level."""
    found = []
    for one in evidence.short:
        if one.octaves > NARROW_OCTAVES or one.growth in ("offset", "lone"):
            continue
        if not _both_ends(one):
            continue
        seen = Seen()
        seen.fits("frequency", f"It is narrow, near {frequency(one.worst_hz)}.")
        if one.growth in ("smooth", "knee"):
            seen.fits("level", "It comes with level.")
        _time(seen, one)
        if one.sign > 0:
            seen.marks("It is louder than asked there: something sounds along.")
        if one.worst_hz < 80.0:
            seen.contradicts("Panels seldom ring so low.")
        found.append(case_of(one, **seen.all))
    return found
