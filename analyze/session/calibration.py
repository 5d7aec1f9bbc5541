"""The calibration of a session: solved from its marks, kept in its database, found again.

No results and no worker processes: the page and the command line calibrate through here.
"""

from collections.abc import Sequence
from pathlib import Path

from analyze.session.auto_marks import auto_frames, printed_marks
from analyze.session.camera_place import CameraPlace
from analyze.session.folder import Session
from analyze.session.inputs import calibration_sha256
from analyze.session.marks_file import take_marks
from analyze.session.picture import bytes_from_picture, picture_from_bytes
from analyze.session.store import Store
from calibrate.arrays import Floats
from calibrate.calibration import Calibration
from calibrate.errors import ClipError, MarksError, NotMeasured, SessionError
from calibrate.marks import read_marks
from calibrate.reregister import reregister
from calibrate.solve import SHARP_SIGMA_PX, calibrate
from tracker.clip import still_luma

# A recording in which so many of the clicks were moved onto a mark is one that shows what was clicked; after so
# many others the best of them is taken.
_MOST_CLICKS = 0.5
_TRIED = 5


def calibrate_session(session: Session, frame: Path) -> Calibration:
    """Solve the session's camera from its marks.csv and a picture, and keep it in the database.

    Parameters
    ----------
    session : Session
        With a marks.csv.
    frame : Path
        A recording, or a picture, taken with the camera as it stood.

    Returns
    -------
    Calibration
        As solved.

    Raises
    ------
    RailreadError
        If the frame cannot be read or the marks give no camera.
    """
    luma = still_luma(frame)
    calibration = _solved(session, luma)
    with Store(session.store_path) as store:
        store.save_calibration(
            calibration,
            inputs_sha256=calibration_sha256(session),
            frame=frame.name,
            picture=bytes_from_picture(luma),
        )
    return calibration


def elsewhere_note(session: Session, before: CameraPlace | None) -> str:
    """Say that a session was calibrated anew from where the camera did not stand before; empty where nothing tells.

    Parameters
    ----------
    session : Session
        As calibrated now.
    before : CameraPlace or None
        What `calibrated_before` gave before that.
    """
    now = calibrated_before(session)
    if before is None or now is None or before.picture is None or now.picture is None:
        return ""
    reference, luma = picture_from_bytes(before.picture), picture_from_bytes(now.picture)
    if not isinstance(reregister(before.calibration, reference=reference, luma=luma), NotMeasured):
        return ""
    return (
        "This picture shows another camera place than the one that was calibrated before. If recordings from both "
        f"are to count, calibrate the earlier one again (its marks are the newest marks-before-N.csv in "
        f"{session.marks_folder}) and this one by a name of its own, with --place NAME."
    )


def calibrated_before(session: Session) -> CameraPlace | None:
    """Return the camera place as `known_place` does; None also where nothing was measured or calibrated yet."""
    if not session.store_path.exists():
        return None
    with Store(session.store_path) as store:
        return known_place(session, store)


def known_place(session: Session, store: Store) -> CameraPlace | None:
    """Return the camera place that is spoken of, as calibrated with its marks and settings of today; else None."""
    if not session.marks_path.exists():
        return None
    inputs = calibration_sha256(session)
    calibration = store.calibration(inputs)
    if calibration is None:
        return None
    return CameraPlace(name=session.place, calibration=calibration, picture=store.picture(inputs))


def measured_with(session: Session) -> Calibration:
    """Return the calibration that the session's shots were measured with.

    Parameters
    ----------
    session : Session
        The session.

    Raises
    ------
    SessionError
        If marks or settings have changed since, or nothing was measured.
    """
    calibration = None
    if session.store_path.exists():
        with Store(session.store_path) as store:
            calibration = store.calibration(calibration_sha256(session))
    if calibration is None:
        raise SessionError(
            f"{session.folder}: not measured with its marks and settings of today; "
            f"`railread measure {session.folder}` does that"
        )
    return calibration


def session_calibration(session: Session, clips: Sequence[str], store: Store) -> tuple[Calibration, bool]:
    """Return the stored calibration if its inputs are those of today, else a new one, and which it is.

    Where no marks were clicked yet, printed markers are looked for in the recordings and become the session's
    marks. Marks that were calibrated with before, under other settings, lie in the picture of then.
    """
    if not session.marks_path.exists():
        found = printed_marks(session, auto_frames(session))
        if found is not None:
            with take_marks(session, found.clicks):
                pass
    inputs = calibration_sha256(session)
    stored = store.calibration(inputs)
    if stored is not None:
        return stored, False
    kept = store.clicked_picture(read_marks(session.marks_path))
    if kept is not None:
        frame, luma = kept[0], picture_from_bytes(kept[1])
        calibration = _solved(session, luma)
    elif len(session.places) == 1:
        frame, luma, calibration = _clicked_in(session, clips)
    else:
        # Marks that lie nowhere near those of a picture may still give a camera: with several places nobody knows
        # which of the recordings these belong to.
        raise MarksError(
            f"{session.marks_path}: the session has several camera places, and in which recording these marks lie "
            f"is not known; `railread calibrate {session.folder}{session.place_option} --marks "
            f"{session.marks_path} --frame CLIP` says it"
        )
    store.save_calibration(calibration, inputs_sha256=inputs, frame=frame, picture=bytes_from_picture(luma))
    return calibration, True


def _clicked_in(session: Session, clips: Sequence[str]) -> tuple[str, Floats, Calibration]:
    """Find the recording that shows what was clicked: the first in which most clicks lie on a mark.

    Nobody says in which the marks were clicked, and the first may be black, of another size or another place.
    """
    read_marks(session.marks_path)  # a file of marks that cannot be read is the same with every recording
    errors: list[ClipError | MarksError] = []
    best: tuple[float, str, Floats, Calibration] | None = None
    solved = 0
    for clip in clips:
        try:
            luma = still_luma(session.clip_path(clip))
            calibration = _solved(session, luma)
        except (ClipError, MarksError) as error:
            errors.append(error)
            continue
        # A place as sharp as printed markers give was found in the picture, and is not snapped again.
        seen = sum(
            mark.used and (mark.snapped or mark.sigma_px <= SHARP_SIGMA_PX) for mark in calibration.residuals
        )
        on_marks = seen / max(1, len(calibration.residuals))
        if best is None or on_marks > best[0]:
            best = on_marks, clip, luma, calibration
        solved += 1
        if on_marks >= _MOST_CLICKS or solved == _TRIED:
            break
    if best is not None:
        return best[1:]
    wrong = next((error for error in errors if isinstance(error, MarksError)), None)
    if wrong is not None:
        raise wrong
    raise ClipError(f"none of the {len(clips)} recordings can be read; the first: {errors[0]}") from errors[0]


def _solved(session: Session, luma: Floats) -> Calibration:
    clicks = read_marks(session.marks_path)
    height, width = luma.shape
    try:
        return calibrate(
            clicks,
            luma=luma,
            size_px=(width, height),
            table=session.table,
            lane=session.lane,
            ball=session.ball,
            scale=session.scale,
        )
    except MarksError as error:
        raise MarksError(f"{session.marks_path}: {error}") from error
