"""The calculator's script against the library, over a grid of settings, to the displayed digit."""

from dataclasses import replace

import numpy as np
import pytest
from browser import browser, calculator_alone, opened
from builders import make_analysis, make_curve
from stressed import make_playing

from reportlib.judge.exposure import exposures, programme_dba, stricter_time_s
from reportlib.judge.need import (
    NEEDS,
    SINE_CREST_DB,
    abilities,
    answer_need,
    band_share_db,
    loss_over,
)
from reportlib.judge.seat import all_seats, arrivals, given_levels, span, starts_at
from reportlib.measure.levels import BANDS
from reportlib.numbers import duration, number
from reportlib.publish.outputs import page_html
from reportlib.session.parameters import checked_parameters
from reportlib.write.data import seat_calculator
from reportlib.write.listener import place

RANDOM_SETTINGS = 100
READ = """(settings) => {
  const box = document.querySelector(".calculator");
  const set = (name, value) => {
    const field = box.querySelector(`[data-field="${name}"]`);
    field.value = String(value);
    field.dispatchEvent(new Event("input"));
  };
  return settings.map((one) => {
    for (const [name, value] of one) set(name, value);
    const said = {};
    for (const part of box.querySelectorAll("[data-say]"))
      said[part.dataset.say] = part.textContent;
    for (const cell of box.querySelectorAll("[data-loss]"))
      said[cell.dataset.loss] = [cell.dataset.answer, cell.lastElementChild.textContent];
    return said;
  });
}"""


def half_space(analysis):
    session = analysis.session
    return replace(analysis, session=replace(session, rig=replace(session.rig, space="half space")))


def everything(frequency_hz, rise_db):
    return np.full_like(frequency_hz, -0.2 * rise_db)


TOP_UNTOLD = {99.0: 20000.0}
DAYS = {
    "a port that gives": (lambda: make_analysis(), {}),
    "recorded stress": (lambda: make_analysis(playing=[make_playing()]), {}),
    "bass in noise": (
        lambda: make_analysis(noise_below_hz=dict.fromkeys((78.0, 84.0, 90.0, 96.0, 99.0), 150.0)),
        {"seat_room": "kitchen desk", "seat_volume_m3": 6.0, "seat_reverberation_s": 2.0},
    ),
    "the loudest in noise": (lambda: make_analysis(noise_below_hz=TOP_UNTOLD), {}),
    "never left playing": (lambda: make_analysis(long_term_levels_db=()), {}),
    "half space, much lost": (
        lambda: half_space(make_analysis(change=everything)),
        {"seat_distance_m": 23.45, "seat_loudspeakers": 7},
    ),
}


@pytest.fixture(scope="module")
def started():
    with browser() as found:
        yield found


def settings_of(seats):
    """Every seat with every need, then settings drawn at random; (what is set, what it means)."""
    found = []
    for at, seat in enumerate(seats):
        for which, need in enumerate(NEEDS):
            steps = [("place", at), ("need", which)]
            found.append((steps, seat, need))
    rng = np.random.default_rng(20261125)
    for _ in range(RANDOM_SETTINGS):
        at, which = int(rng.integers(len(seats))), int(rng.integers(len(NEEDS)))
        distance_m = int(rng.integers(3, 200)) / 10
        count, level, crest = (int(rng.integers(*ends)) for ends in ((1, 7), (45, 106), (6, 25)))
        steps = [
            ("place", at), ("need", which), ("distance", distance_m), ("loudspeakers", count),
            ("level", level), ("crest", crest),
        ]  # fmt: skip
        seat = replace(seats[at], distance_m=distance_m, loudspeakers=count)
        need = replace(NEEDS[which], average_db=float(level), crest_db=float(crest))
        found.append((steps, seat, need))
    return found


class Library:
    """What the library says of one day, in the calculator's own words."""

    def __init__(self, analysis, parameters):
        self.words = seat_calculator(analysis, parameters=parameters).words
        self.space = analysis.session.rig.space
        self.name = analysis.session.speaker.name
        start_db = starts_at(analysis.baseline, space=self.space)
        self.peaks, self.average = (
            abilities(
                analysis.bands,
                test=test,
                session=analysis.session,
                start_db=start_db,
                steps=analysis.drive_steps,
                playing=analysis.playing,
            )
            for test in ("short_term", "long_term")
        )
        given = given_levels(
            analysis.baseline,
            curves=analysis.short_term,
            steps=analysis.drive_steps,
            space=self.space,
        )
        self.given = {one.asked_db: one.given_db for one in given}.get(99.0)

    def says(self, seat, need):
        answer = answer_need(
            need, seat=seat, space=self.space, peaks=self.peaks, average=self.average
        )
        own = need in NEEDS
        level = f"{need.average_db:g} dB{need.weighting}"
        kind = answer.answer
        if answer.played_to_db is None:
            kind = "peaks only" if answer.peaks in ("yes", "just") else answer.peaks
        low, high = span(arrivals(seat, space=self.space))
        wanted = answer.average_high_db + span(
            arrivals(seat, space=self.space, shared=need.shared)
        )[0]  # fmt: skip
        said = {
            "answer": self.words[kind].format(
                name=self.name,
                what=need.name
                if own
                else self.words["what"].format(level=level, crest=number(need.crest_db, 0)),
                place=place(seat),
            ),
            "asks": self.words["asks" if need.shared else "asks each"].format(
                low=number(answer.average_low_db, 0),
                high=number(answer.average_high_db, 0),
                peak_low=number(answer.peak_low_db, 0),
                peak_high=number(answer.peak_high_db, 0),
            ),
            "arrives": self.words["arrives not"]
            if self.given is None
            else self.words["arrives"].format(
                low=number(self.given + low, 0), high=number(self.given + high, 0)
            ),
            "ears": self._ears(wanted),
        }
        to_peak = need.crest_db - SINE_CREST_DB
        for index, (band, found) in enumerate(zip(BANDS, answer.bands, strict=True)):
            least = answer.peak_low_db + band_share_db(band)
            peak = loss_over(
                self.peaks[index], low_db=least, high_db=answer.average_high_db + to_peak
            )
            steady = loss_over(
                self.average[index], low_db=answer.average_low_db, high_db=answer.average_high_db
            )
            said[f"peaks-{index}"] = [found.peaks, self._loss(peak)]
            said[f"average-{index}"] = [found.average, self._loss(steady)]
        return said

    def _loss(self, loss):
        if loss.low_db is None:
            return self.words["untested" if loss.beyond else "untold"]
        least, most = max(loss.low_db, 0.0), max(loss.high_db, 0.0)
        name = "loss so far" if loss.beyond else "loss"
        return self.words[name].format(least=number(least, 1), most=number(most, 1))

    def _ears(self, level_db):
        day, week, _ = exposures(programme_dba(level_db), basis="assumed", heard="")
        values = {
            "level": number(day.level_dba, 0),
            "day": "no time at all",
            "week": duration(stricter_time_s(week.allowed_s)),
        }
        if day.allowed_s > 0.0:
            values["day"] = duration(stricter_time_s(day.allowed_s))
        name = "ears" if day.allowed_s < 86400.0 else "ears week"
        name = "ears free" if name == "ears week" and week.allowed_s >= 604800.0 else name
        return self.words[name].format(**values)


@pytest.mark.parametrize("day", DAYS)
def test_the_script_says_what_the_library_says(started, tmp_path, day):
    make, chosen = DAYS[day]
    analysis, parameters = make(), checked_parameters(session=".", **chosen)
    file = tmp_path / "calculator.html"
    file.write_text(page_html(calculator_alone(analysis, parameters=chosen)), "utf-8")
    settings = settings_of(all_seats(parameters))
    with opened(started, file) as found:
        said = found.page.evaluate(READ, [steps for steps, _, _ in settings])
        assert found.complaints == []
    library = Library(analysis, parameters)
    answers = set()
    for (steps, seat, need), says in zip(settings, said, strict=True):
        expected = library.says(seat, need)
        assert {key: says[key] for key in expected} == expected, steps
        answers.add(says["answer"].partition(":")[0].partition(" whether")[0])
    assert len(answers) > 1


def test_the_page_first_shows_the_reader_s_own_seat(started, tmp_path):
    chosen = {"seat_distance_m": 2.35, "seat_loudspeakers": 1}
    file = tmp_path / "calculator.html"
    file.write_text(page_html(calculator_alone(make_analysis(), parameters=chosen)), "utf-8")
    with opened(started, file) as found:
        assert "2.35 m from one of them in a living room" in found.says("answer")


def test_nothing_swept_gives_no_calculator():
    analysis = replace(make_analysis(), bands=())
    assert seat_calculator(analysis, parameters=checked_parameters(session=".")) is None


def test_a_room_of_any_size_is_written_without_an_exponent():
    chosen = checked_parameters(session=".", seat_volume_m3=12345.0)
    calculator = seat_calculator(make_analysis(), parameters=chosen)
    labels = [one.label for one in calculator.places]
    assert labels[0] == "your seat (living room, 12300 m³)"
    assert "film night in a hall (hall, 1200 m³)" in labels


def test_read_points_are_a_twelfth_of_an_octave_apart_with_1_khz_among_them():
    from reportlib.measure.levels import G, grid_hz
    from reportlib.write.readings_curves import curve_words, frequency_words, read_points

    f = grid_hz(start_hz=20.0, stop_hz=20000.0)
    points = read_points(f, range_hz=(20.0, 20000.0))
    assert np.diff(np.log(f[points])) == pytest.approx(np.log(G) / 12)
    assert 1000.0 in f[points]
    words = [frequency_words(hz) for hz in f[points]]
    assert len(set(words)) == len(words)
    curve = make_curve(
        frequency_hz=f, change_db=np.full(f.shape, -1.46), u95_db=0.11, noise_below_hz=100.0
    )
    said = dict(zip(words, curve_words(curve, points=points), strict=True))
    assert said["1 kHz"] == "−1.5 ± 0.1 dB"
    assert said["50.1 Hz"] == "can’t tell: lost in noise"


def test_it_says_for_what_it_speaks_and_on_what_it_rests():
    analysis, chosen = make_analysis(), checked_parameters(session=".")
    words = seat_calculator(analysis, parameters=chosen).words
    assert "speaks for 40 Hz–16 kHz" in words["bands"]
    assert "(if the asked-for levels were met)" in words["arrives"]
    measured = replace(analysis, baseline=replace(analysis.baseline, calibrated=True))
    assert "if the asked-for" not in seat_calculator(measured, parameters=chosen).words["arrives"]
