"""marks.csv of a session: new clicks take its place, earlier ones are kept beside it."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from analyze.session.folder import Session
from calibrate.errors import SessionError
from calibrate.marks import Click, write_marks


@contextmanager
def take_marks(session: Session, marks: Path | Sequence[Click]) -> Iterator[None]:
    """Make marks the session's marks.csv for a calibration; put the earlier ones back if that fails.

    Parameters
    ----------
    session : Session
        The session.
    marks : Path or sequence of Click
        The new marks, or a file of them, which is copied as it is.

    Raises
    ------
    SessionError
        If the file cannot be written.
    """
    path = session.marks_path
    before = path.read_bytes() if path.exists() else None
    try:
        if isinstance(marks, Path):
            path.write_bytes(marks.read_bytes())
        else:
            write_marks(path, marks)
        yield
    except OSError as error:
        raise SessionError(f"{path}: cannot be written ({error.strerror or error})") from error
    except BaseException:
        if before is None:
            path.unlink(missing_ok=True)
        else:
            path.write_bytes(before)
        raise
    if before is not None and path.read_bytes() != before:
        _free_name(path).write_bytes(before)


def _free_name(path: Path) -> Path:
    number = 1
    while (free := path.with_name(f"marks-before-{number}.csv")).exists():
        number += 1
    return free
