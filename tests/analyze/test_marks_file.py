"""marks.csv: whatever goes wrong with new clicks, the earlier ones survive and the new ones are not lost."""

from pathlib import Path

import pytest

from analyze.session.folder import Session, open_session
from analyze.session.marks_file import take_marks
from calibrate.errors import ClipError, MarksError, SessionError
from calibrate.marks import Click, read_marks

OLD = "mark,u_px,v_px\nfoot-1,1,2\n"
NEW = (Click("foot-2", 30.0, 40.0), Click("foot-3", 50.0, 60.0))


@pytest.fixture
def session(tmp_path: Path) -> Session:
    (tmp_path / "session.toml").write_text("")
    (tmp_path / "marks.csv").write_text(OLD)
    return open_session(tmp_path)


def files(session: Session) -> dict[str, str]:
    return {path.name: path.read_text() for path in sorted(session.folder.glob("marks*"))}


def test_new_marks_take_the_place_of_earlier_ones_which_stay_beside_them(session):
    for _ in range(2):  # the same marks again add no file
        with take_marks(session, NEW):
            assert read_marks(session.marks_path) == NEW
        assert list(files(session)) == ["marks-before-1.csv", "marks.csv"]
        assert files(session)["marks-before-1.csv"] == OLD
    (session.folder / "own.csv").write_text(OLD)
    with take_marks(session, session.folder / "own.csv"):
        pass
    assert session.marks_path.read_text() == OLD
    assert read_marks(session.folder / "marks-before-2.csv") == NEW


@pytest.mark.parametrize(
    "error",
    [
        ClipError("1.mp4: no video"),
        PermissionError(13, "Permission denied"),
        OSError(28, "No space"),
        KeyboardInterrupt(),
    ],
    ids=["clip", "permission", "disk full", "ctrl-c"],
)
def test_whatever_breaks_off_a_calibration_both_marks_survive(session, error):
    with pytest.raises(type(error)), take_marks(session, NEW):
        raise error
    assert files(session) == {
        "marks-refused-1.csv": "mark,u_px,v_px\nfoot-2,30.000,40.000\nfoot-3,50.000,60.000\n",
        "marks.csv": OLD,
    }


def test_a_refused_calibration_says_where_its_clicks_are(session):
    for _ in range(2):
        kept = r"too few; the clicks are kept in marks-refused-1\.csv.*--marks"
        with pytest.raises(MarksError, match=kept), take_marks(session, NEW):
            raise MarksError("2 marks are too few")
    assert session.marks_path.read_text() == OLD
    # marks from a file are there already
    own = session.folder / "own.csv"
    own.write_text("mark,u_px,v_px\nfoot-2,3,4\n")
    with pytest.raises(MarksError, match=r"^too few$"), take_marks(session, own):
        raise MarksError("too few")
    assert list(files(session)) == ["marks-refused-1.csv", "marks.csv"]


def test_first_marks_that_are_refused_leave_no_marks_csv(session):
    session.marks_path.unlink()
    with pytest.raises(MarksError), take_marks(session, NEW):
        raise MarksError("too few")
    assert list(files(session)) == ["marks-refused-1.csv"]


def test_a_file_of_marks_that_cannot_be_read_changes_nothing(session):
    none = session.folder / "none.csv"
    with pytest.raises(SessionError, match=r"none\.csv: cannot be read or written"), take_marks(session, none):
        raise AssertionError
    assert files(session) == {"marks.csv": OLD}


def test_earlier_marks_survive_where_they_cannot_be_put_back(session, monkeypatch):
    """The disk fills up while the calibration is refused: the copy made before is still there."""

    def full(self: Path, *_: object) -> None:
        raise OSError(28, "No space left on device")

    def refuse() -> None:
        monkeypatch.setattr(Path, "write_bytes", full)
        raise MarksError("too few")

    with pytest.raises(MarksError), take_marks(session, NEW):
        refuse()
    assert files(session)["marks-before-1.csv"] == OLD
