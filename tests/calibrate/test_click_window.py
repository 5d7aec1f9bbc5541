"""Clicking marks: what is asked, undo and zoom, and where a click lands to a fraction of a pixel."""

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibrate.click_window import Clicking, View, _Desk, click_marks, marks_to_ask
from calibrate.errors import MarksError
from calibrate.marks import Click, mark_point_m
from calibrate.scale import RailScale
from calibrate.table import TABLES, Lane

LANE = Lane(x_aim_m=0.3175, spot_y_m=0.762)


def scale(unit_m: float) -> RailScale:
    return RailScale(line_y_m=2.634, zero_m=0.3175, unit_m=unit_m)


@pytest.mark.parametrize(("unit_m", "second"), [(0.0254, "scale+2"), (0.01, "scale+5"), (0.001, "scale+50")])
@pytest.mark.parametrize("size", ["9ft", "snooker"])
def test_the_scale_is_asked_for_first_and_every_mark_has_a_place(unit_m, second, size):
    asked = marks_to_ask(TABLES[size], LANE, scale(unit_m))
    assert asked[:2] == ("scale+0", second)
    assert len(set(asked)) == len(asked)
    for name in asked:
        mark_point_m(name, TABLES[size], LANE, scale(unit_m))
    assert ("foot-2" in asked) == (size != "snooker")


@given(
    x=st.floats(0, 1279),
    y=st.floats(0, 799),
    wheel=st.lists(
        st.tuples(st.integers(0, 1279), st.integers(0, 799), st.sampled_from([1.5, 1 / 1.5])), max_size=12
    ),
)
def test_what_lies_under_the_mouse_stays_there_when_zooming(x, y, wheel):
    view = View(zoom=0.7)
    for u, v, factor in wheel:
        view = view.zoomed(u, v, factor=factor)
    before = view.picture_px(x, y)
    np.testing.assert_allclose(view.zoomed(x, y, factor=1.5).picture_px(x, y), before, rtol=0, atol=1e-6)


def test_answers_skips_and_undo():
    state = Clicking(asked=("scale+0", "scale+2", "foot-1"))
    state = state.answered((10.0, 20.0)).answered(None)
    assert state.next_mark == "foot-1"
    assert state.clicks == (Click("scale+0", 10.0, 20.0),)
    assert state.undone().next_mark == "scale+2"
    assert state.answered((1.0, 2.0)).answered((3.0, 4.0)).clicks == (*state.clicks, Click("foot-1", 1.0, 2.0))
    assert Clicking(asked=("foot-1",)).undone().next_mark == "foot-1"


def desk() -> _Desk:
    picture = np.zeros((360, 640), dtype=np.uint8)
    picture[217, 401] = 255
    return _Desk(picture=picture, state=Clicking(asked=("foot-1", "foot-2")))


def test_a_click_lands_on_the_pixel_that_the_window_shows():
    window = desk()
    for _ in range(5):
        window.on_mouse(cv2.EVENT_MOUSEWHEEL, 803, 435, 1)
    bright = window.window_image()[60:-60].max(axis=2) > 250
    rows, columns = np.nonzero(bright)
    window.on_mouse(cv2.EVENT_LBUTTONDOWN, round(columns.mean()), round(rows.mean()) + 60, 0)
    (click,) = window.state.clicks
    # The window's pixels are 1/zoom picture pixels, and the mean is rounded to one of them.
    assert (click.u_px, click.v_px) == pytest.approx((401, 217), abs=1 / window.view.zoom, rel=0)


def test_keys_undo_skip_move_and_finish():
    window = desk()
    window.on_mouse(cv2.EVENT_LBUTTONDOWN, 100, 100, 0)
    window.on_key(ord("u"))
    assert window.state.clicks == ()
    window.on_key(ord("S"))
    assert window.state.next_mark == "foot-2"
    before = window.view
    window.on_key(65363)
    assert window.view.left_px > before.left_px
    window.on_key(-1)
    assert not window.done
    window.on_key(13)
    assert window.done
    with pytest.raises(MarksError, match="nothing was written"):
        window.on_key(27)


def test_a_click_beside_the_picture_is_none():
    window = _Desk(picture=np.zeros((360, 360), dtype=np.uint8), state=Clicking(asked=("foot-1",)))
    window.on_mouse(cv2.EVENT_LBUTTONDOWN, 1200, 100, 0)
    assert window.state.clicks == ()


def test_without_a_display_one_line_says_what_to_do(monkeypatch):
    monkeypatch.delenv("DISPLAY", raising=False)
    monkeypatch.delenv("WAYLAND_DISPLAY", raising=False)
    monkeypatch.setattr("sys.platform", "linux")
    with pytest.raises(MarksError, match="no window can be opened here; .* --marks FILE"):
        click_marks(np.zeros((36, 64)), ("foot-1",))


def test_a_display_that_does_not_answer_is_found_out_before_the_window_library_aborts(monkeypatch):
    monkeypatch.setenv("DISPLAY", ":987")
    monkeypatch.setattr("sys.platform", "linux")
    with pytest.raises(MarksError, match="no window can be opened here"):
        click_marks(np.zeros((36, 64)), ("foot-1",))
