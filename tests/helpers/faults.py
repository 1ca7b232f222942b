"""Simulated measuring days with one fault each, written as recordings, and what the gate says.

Everything that is heard comes from ``reportlib.simulate``, which shares no code with the
analysis; a fault is what a hand, a knob, a room or a recorder does to it afterwards.
"""

from dataclasses import replace
from functools import cache, lru_cache

import numpy as np
import soundfile

from reportlib import simulate
from reportlib.judge.analysis import check_session
from reportlib.session.day import (
    Channels,
    Entry,
    LongTermEntry,
    Rig,
    Session,
    Speaker,
    Stage,
    SweepFacts,
)
from reportlib.session.parameters import ReportParameters
from reportlib.simulate.speakers import SPEAKERS

RATE = 48000
SWEEP = SweepFacts(start_hz=20.0, stop_hz=20000.0, duration_s=1.5, stimulus="stimulus/sweep.wav")
LEVELS_DB = (72.0, 84.0, 90.0, 99.0)
ASKED = ReportParameters(session=".")


@cache
def sound(speaker, *, drive_db, sweep=SWEEP):
    """Return the sound of one sweep; kept, since hundreds of takes share it."""
    loudspeaker = SPEAKERS[speaker].loudspeaker
    return simulate.sweep_sound(loudspeaker, sweep, drive_db=drive_db, sample_rate_hz=RATE)


@lru_cache(maxsize=80)
def recorded(speaker, *, drive_db, chain, seed):
    """Return one take; kept, since days differ in a take or two."""
    return simulate.record(sound(speaker, drive_db=drive_db), chain=chain, seed=seed)


def day(
    folder,
    *,
    speaker="marram-12",
    seed,
    levels_db=LEVELS_DB,
    takes=2,
    again=1,
    reference=True,
    reference_sees_volume=True,
    change=None,
    drives=None,
    chains=None,
    temperatures=None,
    rig=None,
    long_term=False,
    jitter_db=0.015,
):
    """Write a day's recordings and return its session.

    Parameters
    ----------
    change : (name, microphone, reference) → the two as they end in the file; names are
        ``"84-a"``, ``"again-a"``, ``"before"``, ``"after"``
    drives : name → drive that was really played, where it is not the one written down
    chains : name → changes to the chain of one recording
    temperatures : level → °C, written down
    rig : changes to the facts of the rig
    """
    about = SPEAKERS[speaker]
    base_chain = replace(
        about.chain,
        reference=reference,
        reference_sees_volume=reference_sees_volume,
        jitter_db=jitter_db,
    )
    (folder / "captures").mkdir(parents=True, exist_ok=True)
    order = iter(range(1000))

    def keep(name, *, drive_db):
        made = recorded(
            speaker,
            drive_db=(drives or {}).get(name, drive_db),
            chain=replace(base_chain, **(chains or {}).get(name, {})),
            seed=(seed, next(order)),
        )
        microphone, second = made.microphone, made.reference
        if change is not None:
            microphone, second = change(name, microphone, second)
        channels = [microphone] if second is None else [microphone, second]
        path = f"captures/{name}.wav"
        soundfile.write(folder / path, np.stack(channels, axis=1), RATE, subtype="PCM_24")
        return path

    def entry(level_db, *, label, count):
        drive_db = level_db - levels_db[0]
        return Entry(
            level_db=level_db,
            drive_db=drive_db,
            captures=tuple(
                keep(f"{label}-{'abcdef'[take]}", drive_db=drive_db) for take in range(count)
            ),
            temperature_c=(temperatures or {}).get(level_db),
        )

    short = tuple(entry(level, label=f"{level:g}", count=takes) for level in levels_db)
    stressed = ()
    if long_term:
        drive = levels_db[1] - levels_db[0]
        stressed = (
            LongTermEntry(
                level_db=levels_db[1],
                drive_db=drive,
                sweep_drive_db=drive,
                before=(keep("before", drive_db=drive),),
                stages=tuple(
                    Stage(
                        stress_s=30.0,
                        after=(keep(f"after-{stage}", drive_db=drive),),
                        pause_s=(2.0,),
                    )
                    for stage in (1, 2)
                ),
            ),
        )
    repeated = (entry(levels_db[0], label="again", count=again),) if again else ()
    if not reference:
        (folder / "stimulus").mkdir(exist_ok=True)
        stimulus = 0.5 * simulate.sweep_signal(SWEEP, sample_rate_hz=RATE)
        soundfile.write(folder / SWEEP.stimulus, stimulus, RATE, subtype="PCM_24")
    facts = {
        "distance_m": about.loudspeaker.distance_m,
        "space": about.space,
        "reference_at": about.reference_at if reference else None,
    }
    return Session(
        folder=str(folder),
        speaker=Speaker(name=about.name, drive=about.drive),
        rig=Rig(**{**facts, **(rig or {})}),
        channels=Channels(microphone=1, reference=2 if reference else None),
        sweep=SWEEP if not reference else replace(SWEEP, stimulus=None),
        short_term=short,
        baseline_again=repeated,
        long_term=stressed,
    )


def notes(session):
    """Return what the gate says about a day."""
    return check_session(session, parameters=ASKED)


def worse(found):
    """Return code and capture of all that is worse than a note."""
    return [(one.code, one.capture) for one in found if one.severity != "note"]


def only(names, fault):
    """Return a change of a day that befalls the takes of these names (or names' beginnings)."""

    def change(name, microphone, reference):
        if any(name == one or name.startswith(f"{one}-") for one in names):
            return fault(microphone, reference)
        return microphone, reference

    return change


def everywhere(fault):
    """Return a change of a day that befalls every take."""
    return lambda name, microphone, reference: fault(microphone, reference)


def clipped(ceiling):
    """An earlier stage that cuts the microphone's tops at `ceiling` re full scale."""
    return lambda microphone, reference: (np.clip(microphone, -ceiling, ceiling), reference)


def reference_clipped(share):
    """An amplifier that cuts the drive's tops at a share of their height."""

    def fault(microphone, reference):
        top = share * np.max(np.abs(reference))
        return microphone, np.clip(reference, -top, top)

    return fault


def softened(ceiling, *, one_sided=False):
    """A preamplifier that runs softly into `ceiling`, on both sides or on one."""

    def fault(microphone, reference):
        soft = ceiling * np.tanh(microphone / ceiling)
        return (np.where(microphone > 0, soft, microphone) if one_sided else soft), reference

    return fault


def hum(level, *, mains_hz, orders=(1, 2, 3)):
    """Mains hum, `level` its fundamental's amplitude re full scale, each harmonic half the last."""

    def fault(microphone, reference):
        time_s = np.arange(microphone.size) / RATE
        lines = sum(
            level * 0.5**place * np.sin(2 * np.pi * order * mains_hz * time_s + order)
            for place, order in enumerate(orders)
        )
        return microphone + lines, reference

    return fault


def burst(level, *, at_s, seed, length_s=0.15):
    """Noise of rms `level` re full scale for a moment, `at_s` into the recording."""

    def fault(microphone, reference):
        first, count = round(at_s * RATE), round(length_s * RATE)
        noise = np.random.default_rng(seed).standard_normal(count) * np.hanning(count)
        loud = microphone.copy()
        loud[first : first + count] += level * noise
        return loud, reference

    return fault


def cut(*, first_s=0.0, last_s=0.0):
    """A recorder started late or stopped early by so much of the recording."""

    def fault(microphone, reference):
        keep = slice(round(first_s * RATE), microphone.size - round(last_s * RATE))
        return microphone[keep], None if reference is None else reference[keep]

    return fault


def moved(by_m):
    """A microphone farther away: later by the sound's way (343 m/s, at 20 °C), and quieter."""

    def fault(microphone, reference):
        size = microphone.size
        spectrum = np.fft.rfft(microphone, 2 * size)
        delay = np.exp(-2j * np.pi * np.fft.rfftfreq(2 * size, 1 / RATE) * by_m / 343.0)
        return np.fft.irfft(spectrum * delay)[:size], reference

    return fault


def automatic_gain(ratio, *, threshold=1e-4, attack_s=0.02, release_s=5.0):
    """A recorder's automatic gain: what is louder than `threshold` rises by 1/ratio of its dB."""

    def fault(microphone, reference):
        block = RATE // 200
        count = -(-microphone.size // block)
        padded = np.pad(microphone, (0, count * block - microphone.size))
        rms = np.sqrt(np.mean(np.square(padded.reshape(count, block)), axis=1))
        envelope, state = np.empty(count), threshold
        for index, now in enumerate(rms):
            time_s = attack_s if now > state else release_s
            state += (now - state) * (1.0 - np.exp(-block / RATE / time_s))
            envelope[index] = state
        over = np.maximum(envelope / threshold, 1.0)
        gain = np.interp(
            np.arange(microphone.size),
            (np.arange(count) + 0.5) * block,
            over ** (1.0 / ratio - 1.0),
        )
        return microphone * gain, reference

    return fault


def steps_smaller(share):
    """Slow automatic gain that takes a share of every step of level, silence and all."""

    def change(name, microphone, reference):
        level_db = 72.0 if name.startswith(("again", "before", "after")) else float(name[:2])
        return microphone * 10.0 ** (-share * (level_db - 72.0) / 20.0), reference

    return change
