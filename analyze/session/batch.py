"""Measure a whole session: calibrate once, then every recording that is new or has changed, several at a time."""

import hashlib
import json
import multiprocessing
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path

import cv2

from analyze.reasons import MEASURING_BROKE_OFF
from analyze.session.clip_camera import ClipCamera, bytes_from_picture, clip_camera, shot_camera, with_camera_said
from analyze.session.folder import Session
from analyze.session.records import text_from_calibration
from analyze.session.store import ClipRecord, Store, StoredShot
from analyze.session.together import measured_together, together_notes
from analyze.shot import Shot, failed_shot, measure_shot
from calibrate.arrays import Floats
from calibrate.calibration import Calibration
from calibrate.errors import ClipError, MarksError, RailreadError, SessionError
from calibrate.marks import read_marks
from calibrate.solve import calibrate
from tracker.clip import still_luma
from tracker.follow import track_clip
from tracker.path import BallPath
from tracker.reasons import CLIP_DAMAGED, NotTracked

# Thread pools inside numpy and OpenCV only get in each other's way when every core has a process already.
_ONE_THREAD = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


@dataclass(frozen=True, eq=False, kw_only=True)
class ClipJob:
    """One recording to measure, with all that a process of its own needs.

    Attributes
    ----------
    clip : str
        Path below clips/.
    path : Path
        The file.
    calibration : Calibration
        Of the session.
    capture_fps : float or None
        Capture rate where the file plays slower.
    readout_s : float or None
        Rolling-shutter readout, where known.
    picture : bytes or None
        The calibrated picture, to see whether the camera still stands where it stood.
    """

    clip: str
    path: Path
    calibration: Calibration
    capture_fps: float | None
    readout_s: float | None
    picture: bytes | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """How far the batch is.

    Attributes
    ----------
    done, total : int
        Clips finished, and clips to measure.
    clip : str
        The clip just finished; empty at the start.
    shots : tuple of Shot
        What it gave.
    """

    done: int
    total: int
    clip: str = ""
    shots: tuple[Shot, ...] = ()


@dataclass(frozen=True, eq=False, kw_only=True)
class BatchOutcome:
    """What measuring a session gave.

    Attributes
    ----------
    calibration : Calibration
        Used for all clips.
    calibrated_now : bool
        Whether it was solved in this run.
    measured : tuple of str
        Clips measured in this run.
    unchanged : tuple of str
        Clips whose results still stand.
    shots : tuple of StoredShot
        All shots of the session, in reading order of the clips.
    notes : tuple of str
        What the tester should know, one sentence each.
    """

    calibration: Calibration
    calibrated_now: bool
    measured: tuple[str, ...]
    unchanged: tuple[str, ...]
    shots: tuple[StoredShot, ...]
    notes: tuple[str, ...] = ()

    @property
    def needs_a_person(self) -> bool:
        """Whether some shot failed or is doubtful and nobody has decided about it."""
        return any(stored.needs_a_person for stored in self.shots)


def measure_session(
    session: Session,
    *,
    again: bool = False,
    progress: Callable[[Progress], None] | None = None,
    measure: Callable[[ClipJob], Sequence[Shot]] | None = None,
    workers: int | None = None,
    labels_later: bool = False,
) -> BatchOutcome:
    """Measure every recording of a session that was not measured yet, or has changed since.

    Parameters
    ----------
    session : Session
        The session.
    again : bool
        Measure all of them, whatever was measured before.
    progress : callable, optional
        Called after each clip, and once at the start.
    measure : callable, optional
        Measures one clip, in a process of its own; `measure_clip` unless given.
    workers : int, optional
        Processes; as many as there are cores unless given.
    labels_later : bool
        Whether condition and shooter of the shots are told afterwards, so that none are missed now.

    Returns
    -------
    BatchOutcome
        A clip that could not be measured is in it as a failed shot.

    Raises
    ------
    RailreadError
        If nothing can be measured at all: no clips, no marks, marks that fit no camera, a damaged database.
    """
    clips = session.clips()
    for clip in clips:
        session.label(clip, 1)  # a condition that session.toml does not know is said before an hour of measuring
    with Store(session.store_path) as store:
        calibration, calibrated_now = _calibration(session, clips, store)
        picture = store.picture(calibration_sha256(session))
        inputs = inputs_sha256(session, calibration)
        records = {clip: _record(session.clip_path(clip), inputs) for clip in clips}
        before = store.clip_records()
        todo = tuple(clip for clip in clips if again or before.get(clip) != records[clip])
        jobs = [
            ClipJob(
                clip=clip,
                path=session.clip_path(clip),
                calibration=calibration,
                capture_fps=session.config.camera.capture_fps,
                readout_s=session.config.readout_s,
                picture=picture,
            )
            for clip in todo
        ]
        if progress is not None:
            progress(Progress(done=0, total=len(jobs)))
        for done, (job, shots) in enumerate(_measured(jobs, measure or measure_clip, workers), start=1):
            store.save_clip(job.clip, records[job.clip], shots)
            if progress is not None:
                progress(Progress(done=done, total=len(jobs), clip=job.clip, shots=tuple(shots)))
        gone = _forget_renamed(store, records)
        stored = store.shots(session.clips_folder)
        if todo:
            here = [one for one in stored if one.clip in records]
            better = measured_together(here, calibration, readout_s=session.config.readout_s)
            store.replace_shots(better)
            stored = store.shots(session.clips_folder)
    return BatchOutcome(
        calibration=calibration,
        calibrated_now=calibrated_now,
        measured=todo,
        unchanged=tuple(clip for clip in clips if clip not in set(todo)),
        shots=stored,
        notes=(
            *(() if labels_later else _label_notes(session, clips)),
            *_gone_notes(gone),
            *_picture_notes(session, picture),
            *together_notes(stored),
        ),
    )


def measure_clip(job: ClipJob) -> tuple[Shot, ...]:
    """Measure one recording: every shot in it, or the reason why there is none.

    Parameters
    ----------
    job : ClipJob
        The recording.

    Returns
    -------
    tuple of Shot
        At least one.
    """
    cv2.setNumThreads(1)
    try:
        camera = clip_camera(job.path, job.calibration, job.picture)
        found = track_clip(job.path, camera.calibration, capture_fps=job.capture_fps, readout_s=job.readout_s)
    except ClipError as error:
        return (_damaged(job, error),)
    return tuple(_shot_of(job, path, camera) for path in found)


def _shot_of(job: ClipJob, path: BallPath | NotTracked, first: ClipCamera) -> Shot:
    """Measure one shot of a clip whose first frames show the camera at `first`."""
    if isinstance(path, NotTracked):
        return with_camera_said(failed_shot(path.clip, path.shot, path.reason, path.detail), first)
    camera = shot_camera(path, first, job.calibration, job.picture, capture_fps=job.capture_fps)
    return with_camera_said(measure_shot(path, camera.calibration, readout_s=job.readout_s), camera)


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


def shot_measured_with(session: Session, stored: StoredShot) -> Calibration:
    """Return the calibration that a shot was measured with: the session's, or as it was after a nudge.

    Parameters
    ----------
    session : Session
        The session.
    stored : StoredShot
        One of its shots.

    Raises
    ------
    RailreadError
        If marks or settings have changed since, nothing was measured, or the clip cannot be read.
    """
    calibration = measured_with(session)
    with Store(session.store_path) as store:
        picture = store.picture(calibration_sha256(session))
    camera = clip_camera(session.clip_path(stored.clip), calibration, picture)
    path = stored.shot.sightings
    if path is not None:
        capture_fps = session.config.camera.capture_fps
        camera = shot_camera(path, camera, calibration, picture, capture_fps=capture_fps)
    return camera.calibration


def calibration_sha256(session: Session) -> str:
    """SHA-256 of all that a calibration follows from: the marks, and the settings that place them."""
    try:
        marks = session.marks_path.read_bytes()
    except OSError as error:
        raise MarksError(
            f"{session.marks_path}: no marks have been clicked yet; "
            f"`railread calibrate {session.folder} --frame CLIP` does that"
        ) from error
    placing = [asdict(part) for part in (session.table, session.ball, session.lane, session.scale)]
    return hashlib.sha256(marks + json.dumps(placing, sort_keys=True).encode()).hexdigest()


def inputs_sha256(session: Session, calibration: Calibration) -> str:
    """SHA-256 of all that a measurement follows from, the clip apart."""
    camera = [session.config.camera.capture_fps, session.config.readout_s]
    return hashlib.sha256((text_from_calibration(calibration) + json.dumps(camera)).encode()).hexdigest()


def _calibration(session: Session, clips: Sequence[str], store: Store) -> tuple[Calibration, bool]:
    """Return the stored calibration if its inputs are those of today, else a new one, and which it is."""
    inputs = calibration_sha256(session)
    stored = store.calibration(inputs)
    if stored is not None:
        return stored, False
    unreadable: ClipError | None = None
    for clip in clips:
        try:
            luma = still_luma(session.clip_path(clip))
        except ClipError as error:
            unreadable = unreadable or error
            continue
        calibration = _solved(session, luma)
        store.save_calibration(calibration, inputs_sha256=inputs, frame=clip, picture=bytes_from_picture(luma))
        return calibration, True
    raise ClipError(f"none of the {len(clips)} recordings can be read; the first: {unreadable}") from unreadable


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


def _record(path: Path, inputs: str) -> ClipRecord:
    try:
        with path.open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
        return ClipRecord(sha256=digest, size_bytes=path.stat().st_size, inputs_sha256=inputs)
    except OSError as error:
        # The clip becomes a failed shot like any other unreadable one; no record ever equals this one.
        return ClipRecord(sha256=f"unreadable: {error.strerror}", size_bytes=0, inputs_sha256="")


def _label_notes(session: Session, clips: Sequence[str]) -> tuple[str, ...]:
    notes = []
    nameless = [clip for clip in clips if not session.label(clip, 1).condition]
    if nameless:
        notes.append(
            f"{len(nameless)} of {len(clips)} clips have no condition (the first: {nameless[0]}): put them into "
            "clips/CONDITION/SHOOTER/, or name them in shots.csv."
        )
    strays = sorted({clip for clip, _ in session.rows} - set(clips))
    if strays:
        notes.append(f"shots.csv names {len(strays)} clips that are not there (the first: {strays[0]}).")
    return tuple(notes)


def _forget_renamed(store: Store, records: Mapping[str, ClipRecord]) -> tuple[str, ...]:
    """Drop results under the old names of renamed clips; return the clips that are gone altogether."""
    here = {record.sha256 for record in records.values()}
    gone = []
    for clip, record in store.clip_records().items():
        if clip in records:
            continue
        if record.sha256 in here:
            store.forget_clip(clip)
        else:
            gone.append(clip)
    return tuple(gone)


def _gone_notes(gone: Sequence[str]) -> tuple[str, ...]:
    if not gone:
        return ()
    return (
        f"{len(gone)} clips measured before are no longer in clips/ (the first: {gone[0]}); their results stay.",
    )


def _picture_notes(session: Session, picture: bytes | None) -> tuple[str, ...]:
    if picture is not None:
        return ()
    return (
        "The version of railread that calibrated did not keep the calibrated picture, so nobody looked whether "
        f"the camera was nudged: `railread calibrate {session.folder} --frame CLIP` mends that.",
    )


def _measured(
    jobs: Sequence[ClipJob], measure: Callable[[ClipJob], Sequence[Shot]], workers: int | None
) -> Iterator[tuple[ClipJob, Sequence[Shot]]]:
    """Yield each job with its shots, in the order in which they get ready."""
    left = list(jobs)
    with _processes(min(workers or os.cpu_count() or 1, len(jobs) or 1)) as pool:
        futures = {pool.submit(measure, job): job for job in jobs}
        for future in as_completed(futures):
            if isinstance(future.exception(), BrokenProcessPool):
                continue
            left.remove(futures[future])
            yield futures[future], _shots(futures[future], future)
    # A decoder that crashes takes the whole pool with it, and nobody can tell which clip it was on: so the clips
    # that are left get a process each.
    for job in left:
        with _processes(1) as pool:
            future = pool.submit(measure, job)
            yield job, _shots(job, future)


def _shots(job: ClipJob, future: Future[Sequence[Shot]]) -> Sequence[Shot]:
    """Return what a job gave; whatever went wrong with it becomes a failed shot."""
    error = future.exception()
    if error is None:
        return future.result()
    if isinstance(error, RailreadError):
        return (_damaged(job, error),)
    return (failed_shot(job.path, 1, MEASURING_BROKE_OFF, f"{type(error).__name__}: {error}"),)


def _damaged(job: ClipJob, error: RailreadError) -> Shot:
    return failed_shot(job.path, 1, CLIP_DAMAGED, str(error).removeprefix(f"{job.path}: "))


@contextmanager
def _processes(count: int) -> Iterator[ProcessPoolExecutor]:
    """Give a pool whose processes start afresh (as on every system) and use one thread each."""
    before = {name: os.environ.get(name) for name in _ONE_THREAD}
    os.environ.update(dict.fromkeys(_ONE_THREAD, "1"))
    try:
        with ProcessPoolExecutor(count, mp_context=multiprocessing.get_context("spawn")) as pool:
            try:
                yield pool
            except BaseException:  # the tester broke off: what has not begun need not begin
                pool.shutdown(wait=False, cancel_futures=True)
                raise
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
