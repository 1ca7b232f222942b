"""A planned day, played through a simulated loudspeaker and recorded: what a recorder brings home.

The planned files themselves are played. The simulation shares no code with plan or intake.
"""

from dataclasses import dataclass, replace

import numpy as np
import soundfile
from scipy.fft import irfft, next_fast_len, rfft, rfftfreq

from reportlib import simulate
from reportlib.session.reading import read_planned_session

RAMP_S = 0.01
"""In which a planned multitone rises; the simulated one begins at once."""


@dataclass(frozen=True, kw_only=True)
class Take:
    """What one file of the plan sounded like: its planned name, channels × samples."""

    name: str
    channels: np.ndarray
    bits: int | None = None


class Day:
    """The day of one loudspeaker. Every call plays a planned file and keeps what was recorded."""

    def __init__(self, folder, *, loudspeaker, chain, seed=1):
        self.folder = folder
        self.session = read_planned_session(folder)
        self.loudspeaker = replace(loudspeaker, baseline_level_db=self.session.baseline.level_db)
        self.chain = chain
        self.temperatures = simulate.cold(self.loudspeaker)
        self.seed = seed
        self.takes = []
        self.rate = soundfile.info(folder / self.session.sweep.stimulus).samplerate
        baseline = self.file(f"levels/sweep-{self.session.baseline.level_db:g}.wav")
        self.volts = self.loudspeaker.voltage(0.0) * np.sqrt(2.0) / np.max(np.abs(baseline))

    def file(self, name):
        samples, _ = soundfile.read(self.folder / "stimulus" / name)
        return samples

    def all(self):
        """Play the whole plan."""
        self.silence()
        for entry in self.session.short_term:
            self.sweeps(entry.captures, level_db=entry.level_db, drive_db=entry.drive_db)
        for level in self.session.long_term:
            self.rest(600.0)
            self.sweeps(level.before, level_db=level.level_db, drive_db=level.drive_db)
            self.stress(level)
        self.rest(1200.0)
        for entry in self.session.baseline_again:
            self.sweeps(entry.captures, level_db=entry.level_db, drive_db=0.0)
        return self.takes

    def rest(self, pause_s):
        self.temperatures = simulate.cooled(self.loudspeaker, self.temperatures, pause_s=pause_s)

    def silence(self, seconds=6.0):
        nothing = np.zeros(round(seconds * self.rate))
        self._keep("silence", simulate.Sound(
            pressure=nothing, volt=nothing, sample_rate_hz=self.rate
        ))  # fmt: skip

    def sweeps(self, captures, *, level_db, drive_db):
        for capture in captures:
            volt = self.volts * self.file(f"levels/sweep-{level_db:g}.wav")
            self._keep(
                capture.rpartition("/")[2].removesuffix(".wav"),
                simulate.Sound(
                    pressure=self._swept(volt, drive_db=drive_db),
                    volt=volt,
                    sample_rate_hz=self.rate,
                    drive_db=drive_db,
                ),
            )
            self.rest(90.0)

    def stress(self, level):
        volt = self.volts * self.file(f"levels/stress-{level.level_db:g}.wav")
        pressure = np.zeros(volt.size)
        multitone = self._multitone()
        at = self.rate
        for stage in level.stages:
            count = round(stage.stress_s * self.rate)
            tail = round((stage.pause_s[0] - 0.1) * self.rate)
            sound = simulate.multitone_sound(
                self.loudspeaker,
                multitone,
                drive_db=level.drive_db,
                periods=count // multitone.samples.size,
                temperatures=self.temperatures,
                lead_in_s=0.5,
                tail_s=tail / self.rate,
            )
            played = sound.volt[self.rate // 2 :][:count]
            np.testing.assert_allclose(
                played, volt[at : at + count], atol=5e-4 * np.max(np.abs(played))
            )
            first = at - self.rate // 2
            pressure[first : first + sound.pressure.size] += sound.pressure
            self.temperatures = sound.temperatures
            at += count + round(stage.pause_s[0] * self.rate)
            size = round(self.session.sweep.duration_s * self.rate)
            alone = np.zeros(min(volt.size, at + size + self.rate) - at + self.rate // 10)
            alone[self.rate // 10 :] = volt[at : at + alone.size - self.rate // 10]
            alone[self.rate // 10 + size :] = 0.0
            swept = self._swept(alone, drive_db=level.drive_db)
            pressure[at - self.rate // 10 : at - self.rate // 10 + alone.size] += swept
            at += round(((stage.rest_s or 0.0) - stage.pause_s[0]) * self.rate)
        self._keep(
            f"long-{level.level_db:g}",
            simulate.Sound(
                pressure=pressure, volt=volt, sample_rate_hz=self.rate, drive_db=level.drive_db
            ),
        )

    def _swept(self, volt, *, drive_db):
        """What the microphone hears of volts that hold one sweep."""
        sweep = self.session.sweep
        size = next_fast_len(volt.size + self.rate, real=True)
        response = simulate.sweep_transfer(
            self.loudspeaker,
            rfftfreq(size, 1.0 / self.rate),
            sweep=sweep,
            drive_db=drive_db,
            temperatures=self.temperatures,
        )
        heating = simulate.sweep_heating(
            self.loudspeaker, sweep, drive_db=drive_db, temperatures=self.temperatures
        )
        self.temperatures = heating.end
        return irfft(rfft(volt, size) * response, size)[: volt.size]

    def _multitone(self):
        samples = self.file("multitone.wav")
        samples = samples / np.sqrt(np.mean(np.square(samples)))
        strength = np.abs(rfft(samples)) / samples.size * np.sqrt(2.0)
        bins = np.flatnonzero(strength > 1e-4)
        return simulate.Multitone(
            samples=samples, bins=bins, shares=strength[bins], sample_rate_hz=self.rate
        )

    def _keep(self, name, sound):
        self.seed += 1
        recording = simulate.record(sound, chain=self.chain, seed=[self.seed, 77])
        channels = [recording.microphone]
        if recording.reference is not None:
            channels.append(recording.reference)
        self.takes.append(Take(name=name, channels=np.array(channels)))


def write(folder, recordings, *, rate):
    """Write recordings by name, 24 bits, as a recorder would; returns the paths."""
    folder.mkdir(exist_ok=True)
    for name, channels in recordings.items():
        soundfile.write(folder / f"{name}.wav", channels.T, rate, subtype="PCM_24")
    return [folder / f"{name}.wav" for name in recordings]
