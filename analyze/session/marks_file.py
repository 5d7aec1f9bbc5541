"""marks.csv of a session: new clicks take its place, and no click is lost, whatever goes wrong.

The earlier marks are copied to `marks-before-N.csv` before anything is written, and put back where the calibration
is refused; refused clicks stay in `marks-refused-N.csv`, to be mended and handed in again.
"""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from analyze.session.folder import Session
from calibrate.errors import MarksError, SessionError
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
        If a file cannot be written or read.
    MarksError
        As the calibration raised it, with the name of the file that holds the refused clicks.
    """
    path = session.marks_path
    with _said(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        before = path.read_bytes() if path.exists() else None
        text = _text_of(path, marks)
        kept = made = None
        if before is not None and before != text:
            kept, made = _kept_copy(path, "marks-before", before)
        _replace(path, text)
    try:
        yield
    except BaseException as error:
        # Where nothing more can be written, the earlier marks are at least in the copy made before.
        refused = None
        with suppress(OSError):
            if not isinstance(marks, Path):
                refused, _ = _kept_copy(path, "marks-refused", text)
            if before is None:
                path.unlink(missing_ok=True)
            else:
                _replace(path, before)
                if kept is not None and made:
                    kept.unlink(missing_ok=True)
        if isinstance(error, MarksError) and refused is not None:
            raise MarksError(
                f"{error}; the clicks are kept in {refused.name}: "
                f"mend them there and give the file with --marks {refused}"
            ) from error
        raise


@contextmanager
def _said(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        where = error.filename or path
        raise SessionError(f"{where}: cannot be read or written ({error.strerror or error})") from error


def _text_of(path: Path, marks: Path | Sequence[Click]) -> bytes:
    if isinstance(marks, Path):
        return marks.read_bytes()
    beside = _free_name(path, "marks-new")
    write_marks(beside, marks)
    text = beside.read_bytes()
    beside.unlink()
    return text


def _replace(path: Path, text: bytes) -> None:
    """Write a file so that at any moment either the old or the new one is there, complete."""
    if path.exists() and path.read_bytes() == text:
        return
    beside = _free_name(path, "marks-new")
    beside.write_bytes(text)
    beside.replace(path)


def _kept_copy(path: Path, name: str, text: bytes) -> tuple[Path, bool]:
    """Keep a text beside marks.csv under a name of its own, or find it there; say whether it was written now."""
    for other in sorted(path.parent.glob(f"{name}-*.csv")):
        if other.read_bytes() == text:
            return other, False
    kept = _free_name(path, name)
    kept.write_bytes(text)
    return kept, True


def _free_name(path: Path, name: str) -> Path:
    number = 1
    while (free := path.with_name(f"{name}-{number}.csv")).exists():
        number += 1
    return free
