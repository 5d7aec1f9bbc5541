"""Names of marks, and the file of clicks with its complaints."""

import numpy as np
import pytest
from calibrate_scenes import LANE, SCALE, TABLE
from hypothesis import given
from hypothesis import strategies as st

from calibrate.errors import MarksError
from calibrate.marks import Click, MarkKind, mark_kind, mark_point_m, read_marks, write_marks
from calibrate.table import TABLES


def place(name, table=TABLE):
    return mark_point_m(name, table, LANE, SCALE)


def test_sights_and_scale_lie_on_the_rail_top_and_markers_on_the_cloth():
    assert place("foot-2") == pytest.approx([0.635, 2.6336625, TABLE.rail_top_m], rel=0, abs=1e-12)
    assert place("scale-2.5") == pytest.approx(
        [0.3175 - 0.0635, SCALE.line_y_m, TABLE.rail_top_m], rel=0, abs=1e-12
    )
    assert place("lane:300") == pytest.approx([0.3175, 1.062, 0], rel=0, abs=1e-12)
    assert place("lane:300:-14.3") == pytest.approx([0.3175 - 0.0143, 1.062, 0], rel=0, abs=1e-12)
    assert place("bed:635:1270") == pytest.approx([0.635, 1.27, 0], rel=0, abs=1e-12)


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("left-7", MarkKind.SIGHT),
        ("scale+0", MarkKind.TICK),
        ("scale-.5", MarkKind.TICK),
        ("bed:1:2", MarkKind.RING),
    ],
)
def test_kinds_follow_from_names(name, kind):
    assert mark_kind(name) is kind


@pytest.mark.parametrize(
    ("name", "hint"),
    [
        ("foto-1", "did you mean 'foot-1'"),
        ("Foot-3", "did you mean 'foot-3'"),
        ("scale2", r"did you mean 'scale\+2'"),
        ("scale:-4", "did you mean 'scale-4'"),
        ("foot-4", "did you mean 'foot-"),
        ("xyzzy", "marks are foot-1 to 3"),
    ],
)
def test_unknown_mark_is_refused_with_the_nearest_name(name, hint):
    with pytest.raises(MarksError, match=hint):
        mark_kind(name)


def test_marks_that_the_table_has_not_are_refused():
    with pytest.raises(MarksError, match="a snooker table has no sights"):
        place("foot-1", TABLES["snooker"])
    with pytest.raises(MarksError, match="lies off the cloth"):
        place("lane:3000")
    with pytest.raises(MarksError, match="lies off the cloth"):
        place("lane:300:-400")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("mark,u_px\nfoot-1,3\n", "line 1: column v_px is missing"),
        ("mark|u_px|v_px\nfoot-1|3|4\n", "line 1: column mark is missing"),
        ("mark,u_px,v_px\nfoot-1,3,4\nfooot-2,3,4\n", "line 3: unknown mark 'fooot-2' .did you mean 'foot-2'"),
        ("mark,u_px,v_px\nfoot-1,3,4\n\nfoot-1,5,6\n", "line 4: foot-1 was already clicked in line 2"),
        ("mark,u_px,v_px\nscale+2,3,4\nscale+2.0,5,6\n", r"line 3: scale\+2.0 was already clicked in line 2"),
        ("mark,u_px,v_px\nfoot-1,abc,4\n", "line 2: u_px of foot-1 is 'abc', which is not a number"),
        ("mark,u_px,v_px\nfoot-1,3\n", "line 2: v_px of foot-1 is '', which is not a number"),
        ("mark,u_px,v_px\nfoot-1,nan,4\n", "not a finite number"),
        ("mark,u_px,v_px,sigma_px\nfoot-1,3,4,0\n", "sigma_px of foot-1 must be above 0"),
        ("mark,u_px,v_px\n", "holds no marks"),
        ("", "column mark is missing"),
    ],
)
def test_bad_file_is_refused_in_one_line(tmp_path, text, message):
    path = tmp_path / "marks.csv"
    path.write_text(text)
    with pytest.raises(MarksError, match=message) as caught:
        read_marks(path)
    assert "\n" not in str(caught.value)
    assert "marks.csv" in str(caught.value)


def test_missing_and_binary_files_are_refused(tmp_path):
    with pytest.raises(MarksError, match="cannot be read"):
        read_marks(tmp_path / "none.csv")
    (tmp_path / "picture.csv").write_bytes(b"\xff\xd8\xff\xe0" * 10)
    with pytest.raises(MarksError, match="not text in UTF-8"):
        read_marks(tmp_path / "picture.csv")


def test_spaces_and_a_byte_order_mark_do_no_harm(tmp_path):
    path = tmp_path / "marks.csv"
    path.write_text("mark, u_px, v_px\nfoot-1, 3.5, 4\n", encoding="utf-8-sig")
    assert read_marks(path) == (Click("foot-1", 3.5, 4.0),)


@given(
    st.lists(
        st.tuples(st.floats(0, 4000), st.floats(0, 4000), st.one_of(st.none(), st.sampled_from([0.25, 0.7, 1.5]))),
        min_size=1,
        max_size=7,
    )
)
def test_clicks_survive_the_file(tmp_path_factory, places):
    clicks = [Click(f"left-{i + 1}", u, v, sigma) for i, (u, v, sigma) in enumerate(places)]
    path = tmp_path_factory.mktemp("marks") / "marks.csv"
    write_marks(path, clicks)
    again = read_marks(path)
    assert [c.name for c in again] == [c.name for c in clicks]
    assert [c.sigma_px for c in again] == [c.sigma_px for c in clicks]
    # Written to a thousandth of a pixel.
    np.testing.assert_allclose(
        [(c.u_px, c.v_px) for c in again], [(c.u_px, c.v_px) for c in clicks], rtol=0, atol=0.00051
    )


def test_a_spreadsheet_s_own_way_of_writing_is_read(tmp_path):
    """Semicolons between cells and commas before decimals, as spreadsheets of many languages export."""
    path = tmp_path / "marks.csv"
    path.write_text("mark;u_px;v_px;sigma_px\nfoot-1;100,5;200;0,7\n", encoding="utf-8")
    assert read_marks(path) == (Click("foot-1", 100.5, 200.0, 0.7),)


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ('foot-1,"100,5",200,', "is '100,5', which is not a number; write a decimal point"),
        ("foot-1,100,200,1e300", "must be above 0 and at most 100, but is 1e+300"),
    ],
)
def test_numbers_that_cannot_be_meant_are_refused(tmp_path, row, says):
    path = tmp_path / "marks.csv"
    path.write_text(f"mark,u_px,v_px,sigma_px\n{row}\n", encoding="utf-8")
    with pytest.raises(MarksError) as caught:
        read_marks(path)
    assert says in str(caught.value)
