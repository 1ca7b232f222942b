"""Figures of the stress: what is drawn is what the records hold, nothing collides, bytes repeat."""

import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest
from builders import make_analysis
from figure_texts import assert_apart, drawn, written
from matplotlib import colors
from stressed import LOSSES, make_playing

from reportlib.draw import figures, stress, style
from reportlib.draw.style import PAGE, PHONE
from reportlib.measure.stress.records import end_of
from reportlib.write.readings_curves import stress_map
from reportlib.write.readings_stress import course, timeline

QUIET = {band: 0.15 * loss for band, loss in LOSSES.items()}
RISING = {**LOSSES, "low mids": -1.6, "bass": -0.4}
DEEP = {"bass": 14.0, "low mids": 0.3, "mids": 9.0, "presence": 17.0, "treble": 12.0}


def day(*playing, **more):
    """Return an analysis whose long-term levels are these."""
    return make_analysis(playing=playing, **more)


CASES = {
    "two levels and a coil": day(
        make_playing(level_db=82.0, losses=QUIET, seed=5), make_playing(with_coil=True)
    ),
    "six levels": day(
        *(
            make_playing(level_db=82.0 + 2.5 * i, losses=QUIET, seed=i, with_coil=True)
            for i in range(6)
        ),
        name="Marram 12 on the tall stand, grille taken" * 3,
    ),
    "two parts, bass untold": day(make_playing(terms=2, untold=("bass",))),
    "sweeps that disagree": day(make_playing(seen="disagrees", losses=RISING)),
    "cold unknown, pauses unknown": day(
        make_playing(cold_known=False, rest_s=(None,), noise_db=0.3, with_coil=True)
    ),
    "no fit, first stage lost": day(make_playing(with_fit=False, recorded=(False, True))),
    "deep losses": day(make_playing(losses=DEEP, coil_rise_k=260.0, with_coil=True)),
    "two hours": day(
        make_playing(stress_s=(600.0, 6600.0), rest_s=(60.0,), terms=2, period_s=2.0)
    ),
    "eight stages": day(
        make_playing(stress_s=(20.0,) * 8, rest_s=(9.0,) * 7, recorded=(True,) * 8)
    ),
    "cooler": day(
        make_playing(with_coil=True, coil_rise_k=-8.0, losses=dict.fromkeys(LOSSES, -0.3))
    ),
}  # fmt: skip
DRAWN = ("minute_by_minute", "stress_map", "coil")
STILL = {"warming": lambda f, *_: 0.0 * f}
NOTHING = {
    "no stress recorded": day(**STILL),
    "all lost in noise": day(make_playing(untold=tuple(LOSSES), crossovers_hz=()), **STILL),
    "no levels": make_analysis(levels_db=(), long_term_levels_db=()),
}


@pytest.fixture(scope="module")
def pictures():
    """Return every picture of the day with a coil, by the name of its function."""
    analysis = CASES["two levels and a coil"]
    return {figure: getattr(figures, figure)(analysis) for figure in DRAWN}


@pytest.mark.parametrize("paper", [PAGE, PHONE], ids=["page", "phone"])
@pytest.mark.parametrize("figure", DRAWN)
@pytest.mark.parametrize("case", CASES)
def test_no_text_leaves_the_frame_or_touches_another(case, figure, paper):
    if figure == "coil" and all(one.coil is None for one in CASES[case].playing):
        assert stress.coil(CASES[case]) is None
        return
    assert len(assert_apart(drawn(figure, CASES[case], paper=paper))) > 8


@pytest.mark.parametrize("figure", DRAWN)
@pytest.mark.parametrize("case", NOTHING)
def test_nothing_to_show_is_no_picture(case, figure):
    assert getattr(figures, figure)(NOTHING[case]) is None


@pytest.mark.parametrize("figure", DRAWN)
def test_the_vector_file_is_plain_small_and_repeats(figure, pictures):
    picture = pictures[figure]
    root = ET.fromstring(picture.svg)
    tags = {element.tag.rpartition("}")[2] for element in root.iter()}
    allowed = {"svg", "g", "path", "text", "tspan", "defs", "clipPath", "rect", "use"}
    assert tags <= allowed | ({"image"} if figure == "stress_map" else set())
    assert len(picture.svg) < 120_000
    again = getattr(figures, figure)(CASES["two levels and a coil"])
    assert again.svg == picture.svg
    assert again.phone_svg == picture.phone_svg
    assert again.png == picture.png


def test_the_longest_stress_is_no_larger_file():
    for figure in ("minute_by_minute", "stress_map"):
        assert len(getattr(figures, figure)(CASES["two hours"]).svg) < 120_000


def test_a_course_holds_measured_periods_and_the_stages_ends():
    playing = make_playing(stress_s=(600.0, 3000.0), rest_s=(30.0,))
    track = playing.group("treble")
    found = course(playing, band="treble")
    told = np.isfinite(found.at_s)
    assert told.sum() <= 70
    every = dict(zip(timeline(playing).centre_s.tolist(), track.change_db.tolist(), strict=True))
    assert all(
        every[at] == db for at, db in zip(found.at_s[told], found.change_db[told], strict=True)
    )
    # 0.5 s before the ends at 600 s and 3630 s, and a gap between
    assert {599.5, 3629.5} <= set(found.at_s[told])
    assert np.count_nonzero(~told) == 1


def test_pauses_stand_where_they_were_and_short_ones_where_nobody_knows():
    known = timeline(make_playing(stress_s=(30.0, 90.0), rest_s=(8.0,)))
    assert known.exact
    np.testing.assert_allclose(known.starts_s, [0.0, 38.0])
    np.testing.assert_allclose(known.ends_s, [30.0, 128.0])
    unknown = timeline(make_playing(stress_s=(30.0, 90.0), rest_s=(None,)))
    assert not unknown.exact
    assert unknown.starts_s[1] > 30.0
    # the second stage's first period is in its middle half a second after the stage's start
    second = unknown.centre_s[30]
    assert second == pytest.approx(unknown.starts_s[1] + 0.5)


def test_the_end_is_the_fits_where_cold_is_known_else_since_the_first_period():
    playing = make_playing()
    track = playing.group("presence")
    end = end_of(playing, track)
    assert end.since_cold
    assert (end.change_db, end.u95_db) == (-track.fit.end_loss_db, track.fit.end_loss_u95_db)
    vague = make_playing(cold_known=False)
    later = end_of(vague, vague.group("presence"))
    assert not later.since_cold
    assert later.change_db == pytest.approx(float(vague.group("presence").fitted_db[-1]))
    wide = replace(track, fit=replace(track.fit, end_loss_u95_db=0.9))
    assert end_of(playing, wide) is None  # 0.9 dB is neither under 0.5 dB nor a third of the loss


def test_each_sweep_stands_at_its_own_time_beside_the_end_of_its_stage():
    analysis = day(make_playing(untold=("bass", "low mids", "mids", "treble")))
    playing = analysis.playing[0]
    (seen,) = (
        line.get_xydata()
        for ax in drawn("minute_by_minute", analysis).figure.axes
        for line in ax.lines
        if line.get_marker() == "D"
    )
    recovery = [one for one in playing.recovery if one.name == "presence"]
    expected_s = np.array([30.0, 128.0]) + [one.after_s for one in recovery]
    np.testing.assert_allclose(seen[:, 0], expected_s)
    np.testing.assert_allclose(seen[:, 1], [one.seen_db for one in recovery])


def test_sweeps_are_not_drawn_on_a_scale_whose_zero_is_not_cold():
    sheet = drawn("minute_by_minute", day(make_playing(cold_known=False)))
    words = [words for words, _, _ in written(sheet)]
    assert "the sweep that follows" not in words
    assert "as at first" in words


def map_image(analysis):
    (image,) = drawn("stress_map", analysis).figure.axes[0].images
    return image.get_array() / 255.0, image.get_extent()


def shade_at(picture, extent, *, at_s, hz):
    height, width = picture.shape[:2]
    row = int((extent[3] - np.log2(hz)) / (extent[3] - extent[2]) * height)
    column = int((at_s - extent[0]) / (extent[1] - extent[0]) * width)
    return picture[row, column]


def test_the_map_shows_each_tones_loss_at_its_time_in_its_shade():
    analysis = day(make_playing(noise_db=1e-6))
    playing = analysis.playing[0]
    found = stress_map(analysis)
    picture, extent = map_image(analysis)
    wanted = style.shades(found.losses)
    for period, tone in ((5, 20), (20, 60), (60, 40), (119, 70)):
        loss = -playing.change_db[period, tone] / found.step_db
        shade = min(round(loss), found.losses)
        at_s = timeline(playing).centre_s[period]
        colour = shade_at(picture, extent, at_s=at_s, hz=playing.frequency_hz[tone])
        expected = wanted[shade - 1] if shade else style.NO_CHANGE
        np.testing.assert_allclose(colour, colors.to_rgba(expected), atol=1e-6)


def test_pauses_and_ringing_in_are_see_through_and_nothing_else_is():
    analysis = day(make_playing())
    picture, extent = map_image(analysis)
    width = picture.shape[1]
    at_s = (np.arange(width) + 0.5) / width * extent[1]
    # stages from 0 to 30 s and from 38 to 128 s; their first second rings in
    playing = ((at_s > 1.0) & (at_s < 30.0)) | (at_s > 39.0)
    edges = np.min(np.abs(at_s[:, np.newaxis] - (1.0, 30.0, 39.0)), axis=1) < extent[1] / width
    np.testing.assert_array_equal((picture[:, ~edges, 3] > 0.5).all(axis=0), playing[~edges])


def test_what_cannot_be_told_is_hatched_grey():
    analysis = day(make_playing(untold=("mids",)))
    picture, extent = map_image(analysis)
    patch = [
        tuple(shade_at(picture, extent, at_s=20.0 + 0.3 * i, hz=1000.0 * 1.01**i))
        for i in range(20)
    ]
    assert set(patch) == {colors.to_rgba(style.FAINT), colors.to_rgba(style.UNTOLD)}
    assert "can't tell" in [words for words, _, _ in written(drawn("stress_map", analysis))]


def test_a_rise_is_another_hue_and_striped():
    analysis = day(make_playing(losses=RISING, noise_db=1e-6))
    found = stress_map(analysis)
    assert found.gains > 0
    picture, _ = map_image(analysis)
    sand = colors.to_rgba(style.shades(max(found.losses, found.gains), gain=True)[0])
    assert (np.abs(picture - sand).max(axis=-1) < 1e-6).any()
    assert (picture == 1.0).all(axis=-1).any()  # the stripes' white
    assert stress_map(day(make_playing(noise_db=1e-6))).gains == 0


def test_shades_are_told_apart_by_lightness_and_as_dark_either_way():
    for count in (2, 4, 7):
        losses, gains = (
            [
                np.dot(colors.to_rgb(c), (0.2126, 0.7152, 0.0722))
                for c in style.shades(count, gain=g)
            ]
            for g in (False, True)
        )
        assert (np.diff(losses) < -0.02).all()
        np.testing.assert_allclose(losses, gains, atol=0.08)


def test_a_shade_is_no_finer_than_what_is_known():
    fine = stress_map(day(make_playing(noise_db=0.02)))
    coarse = stress_map(day(make_playing(noise_db=0.4)))
    assert fine.step_db == 0.25
    # the usable points' median interval is 0.8 dB and more
    assert coarse.step_db == 1.0


def test_long_stress_is_averaged_into_columns_without_moving_it():
    playing = make_playing(stress_s=(1200.0, 2400.0), rest_s=(100.0,), noise_db=1e-6)
    found = stress_map(day(playing))
    assert found.starts_s.size <= 282
    assert found.averaged == 13  # 3598 periods over 280 columns
    column = found.starts_s.size // 2
    centre = timeline(playing).centre_s
    inside = (centre > found.starts_s[column]) & (centre < found.ends_s[column])
    np.testing.assert_allclose(found.change_db[column], playing.change_db[inside].mean(axis=0))


def test_the_largest_loss_is_written_at_its_line():
    analysis = day(make_playing())
    end = end_of(analysis.playing[0], analysis.playing[0].group("presence"))
    words = [words for words, _, _ in written(drawn("minute_by_minute", analysis))]
    number = f"−{abs(end.change_db):.1f}"
    assert number in words
    assert f"{number} ± 0.1 dB at the end" in words


def test_texts_can_be_read_on_a_phone():
    """On a phone figures scroll at 0.8 of their size: the smallest text is then 9 pixels."""
    for figure in DRAWN:
        sizes = [size for _, size, _ in written(drawn(figure, CASES["two levels and a coil"]))]
        assert 0.8 * min(sizes) >= 9.0, figure


def test_every_column_of_the_map_touches_the_next_within_a_stage():
    found = stress_map(day(make_playing(period_s=0.7)))
    gaps = found.starts_s[1:] - found.ends_s[:-1]
    assert np.count_nonzero(gaps) == 1


def test_pictures_have_captions_and_alternative_texts(pictures):
    for picture in pictures.values():
        assert picture.caption.endswith(".")
        assert picture.alt.endswith(".")
        assert not re.search(r"nan|None", picture.caption + picture.alt)


def test_curve_that_leaves_what_was_heard_is_not_drawn():
    playing = make_playing(losses=LOSSES)
    groups = [
        replace(one, change_db=one.change_db + 0.08 * (playing.stage == 0))
        if one.name == "mids"
        else one
        for one in playing.groups
    ]
    shifted = replace(playing, groups=tuple(groups))
    assert course(playing, band="mids").fitted_db.size
    assert not course(shifted, band="mids").fitted_db.size
    assert course(shifted, band="bass").fitted_db.size
    found = figures.minute_by_minute(day(shifted))
    assert "No curve is drawn for the mids: the best fit leaves the dots." in found.caption
    assert "No curve" not in figures.minute_by_minute(day(playing)).caption
