"""Marks found without a click in several recordings: averaged, or told to be of another place, or clicked."""

import numpy as np
import pytest
from session_samples import made_up_session

from analyze.session import auto_marks as room
from analyze.session.auto_marks import auto_marks, averaged, printed_marks
from calibrate.auto import FoundMarks
from calibrate.errors import ClipError, MarksError
from calibrate.marks import Click
from calibrate.register import FLOOR_PX


def found(shift_px, *, sigma_px=0.1, names=("scale-1", "scale+1", "lane:254:-139.7")):
    clicks = [Click(name, 100.0 + 50 * k + shift_px, 200.0, sigma_px) for k, name in enumerate(names)]
    return FoundMarks(clicks=tuple(clicks), notes=("3 printed places and 0 sights were found in the picture.",))


@pytest.fixture
def pictures(tmp_path, monkeypatch):
    """A session whose recordings show what the test says they show."""
    session = made_up_session(tmp_path)
    shown = {}

    def looked(luma, **_):
        outcome = shown[int(luma[0, 0])]
        if isinstance(outcome, Exception):
            raise outcome
        return outcome

    monkeypatch.setattr(room, "still_luma", lambda path: np.full((4, 4), float(path.stem)))
    monkeypatch.setattr(room, "find_marks", looked)

    def lay_out(*outcomes):
        shown.update(enumerate(outcomes))
        return session, [tmp_path / f"{k}.png" for k in range(len(outcomes))]

    return lay_out


def test_places_of_several_recordings_are_averaged_and_grow_surer(pictures):
    session, frames = pictures(found(-0.1), found(0.1))
    marks = auto_marks(session, frames)
    assert marks.clicks[0].u_px == pytest.approx(100.0)
    # what is random halves its variance, what no residual shows stays
    expected = np.sqrt((0.1**2 - FLOOR_PX**2) / 2 + FLOOR_PX**2)
    assert marks.clicks[0].sigma_px == pytest.approx(expected, rel=1e-9)
    assert "2 recordings" in marks.notes[1]


def test_the_surer_picture_counts_for_more():
    (mark,) = averaged([[Click("scale+1", 0.0, 0.0, 0.1)], [Click("scale+1", 1.0, 0.0, 0.3)]])
    assert mark.u_px == pytest.approx(0.1)  # weights 9 and 1


def test_a_mark_that_one_picture_shows_counts_too():
    names = {mark.name for mark in averaged([found(0.0).clicks, found(0.0, names=("scale+3",)).clicks])}
    assert names == {"scale-1", "scale+1", "scale+3", "lane:254:-139.7"}


def test_a_recording_from_another_place_is_left_out_and_said(pictures):
    session, frames = pictures(found(0.0), found(6.0))
    marks = auto_marks(session, frames)
    assert marks.clicks[0].u_px == 100.0
    assert any("1.png was recorded from another place" in note for note in marks.notes)


def test_one_recording_without_markers_does_not_matter_and_none_says_why(pictures):
    session, frames = pictures(MarksError("too few printed markers"), found(0.0))
    assert auto_marks(session, frames).clicks == found(0.0).clicks
    session, frames = pictures(MarksError("too few printed markers"), ClipError("1.png: empty"))
    with pytest.raises(MarksError, match="too few"):
        auto_marks(session, frames)
    assert printed_marks(session, frames) is None


def test_nothing_is_looked_for_where_marks_are_to_be_clicked(pictures):
    session, frames = pictures(found(0.0))
    assert printed_marks(session, frames, wanted=False) is None
    assert printed_marks(session, ()) is None
