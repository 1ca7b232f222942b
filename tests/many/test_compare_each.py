"""The sessions of a comparison, analysed one after another; what happens to them meanwhile."""

import shutil

import pytest
from builders import make_analysis
from session_factory import write_session

from reportlib.errors import AnalysisError, ReportError, SessionError
from reportlib.many import comparison
from reportlib.session.parameters import checked_comparison


@pytest.fixture
def shelf(tmp_path):
    for name in ("marram-12", "trivet-6"):
        write_session(tmp_path / name)
    (tmp_path / "comparison").mkdir()
    return tmp_path


ASKED = checked_comparison(sessions=["../trivet-6", "../marram-12"], smoothing_fraction=6)


def analysed(monkeypatch, shelf, analyse):
    monkeypatch.setattr(comparison, "analyse", analyse)
    return comparison.analyse_each(ASKED, folder=shelf / "comparison")


def test_all_are_analysed_in_order_under_the_same_parameters(monkeypatch, shelf):
    seen = []

    def analyse(session, *, parameters):
        seen.append((session.folder, parameters.session, parameters.smoothing_fraction))
        return make_analysis(name=session.folder)

    reports = analysed(monkeypatch, shelf, analyse)
    folders = [str(shelf / "comparison" / name) for name in ASKED.sessions]
    assert seen == [(folder, folder, 6) for folder in folders]
    assert [one.session.speaker.name for one in reports] == folders


@pytest.mark.parametrize("stops", [False, True])
def test_a_session_deleted_meanwhile_is_named(monkeypatch, shelf, stops):
    def analyse(session, *, parameters):
        shutil.rmtree(session.folder)
        if stops:
            raise AnalysisError("session.toml: the baseline has no take left.")
        return make_analysis()

    with pytest.raises(SessionError, match=r"trivet-6: is not there.*Put it back") as caught:
        analysed(monkeypatch, shelf, analyse)
    assert "\n" not in str(caught.value)


def test_a_recording_deleted_meanwhile_is_named(monkeypatch, shelf):
    """Left out silently it would only make one of them look worse measured."""

    def analyse(session, *, parameters):
        (shelf / "trivet-6" / "captures" / "short-78.wav").unlink()
        return make_analysis()

    with pytest.raises(SessionError, match=r"trivet-6: captures/short-78\.wav was deleted"):
        analysed(monkeypatch, shelf, analyse)


def test_what_stops_one_session_says_which(monkeypatch, shelf):
    def analyse(session, *, parameters):
        raise AnalysisError("session.toml: there is no [sweep].")

    with pytest.raises(ReportError, match=r"^\S*trivet-6: session\.toml: there is no") as caught:
        analysed(monkeypatch, shelf, analyse)
    assert type(caught.value) is AnalysisError
