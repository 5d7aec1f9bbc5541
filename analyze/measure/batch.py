"""Measure a whole session: calibrate once, then every recording that is new or has changed, several at a time."""

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from contextlib import closing
from dataclasses import dataclass

from analyze.fit.shot import Shot
from analyze.measure.clip import ClipJob, measure_clip
from analyze.measure.pool import measured_jobs
from analyze.measure.together import measured_together, together_inputs, together_notes
from analyze.session.calibration import session_calibration
from analyze.session.folder import Session
from analyze.session.inputs import calibration_sha256, clip_record, inputs_sha256
from analyze.session.shots import copy_notes, same_recordings, shots_that_count
from analyze.session.store import ClipRecord, Store, StoredShot
from calibrate.calibration import Calibration


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
    together : bool
        Whether shots are measured with what the others say, after all clips; `done` and `total` are of shots then.
    """

    done: int
    total: int
    clip: str = ""
    shots: tuple[Shot, ...] = ()
    together: bool = False


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
    executor: Executor | None = None,
    labels_later: bool = False,
    keep_gone: bool = False,
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
    executor : Executor, optional
        Who measures instead of processes of our own: any `concurrent.futures.Executor` that sees the same files.
    labels_later : bool
        Whether condition and shooter of the shots are told afterwards, so that none are missed now.
    keep_gone : bool
        Whether what was measured of recordings that are no longer in the folder counts from now on.

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
    with Store(session.store_path) as store:
        calibration, calibrated_now = session_calibration(session, clips, store)
        picture = store.picture(calibration_sha256(session))
        inputs = inputs_sha256(session, calibration)
        records = {clip: clip_record(session.clip_path(clip), inputs) for clip in clips}
        copies = same_recordings(session, {clip: record.sha256 for clip, record in records.items()})
        clips = tuple(clip for clip in clips if clip not in copies)
        records = {clip: records[clip] for clip in clips}
        before = store.clip_records()
        todo = tuple(clip for clip in clips if again or before.get(clip) != records[clip])
        jobs = [
            ClipJob(
                clip=clip,
                path=session.clip_path(clip),
                calibration=calibration,
                capture_fps=session.config.camera.capture_fps,
                readout=session.config.readout,
                picture=picture,
            )
            for clip in todo
        ]
        if progress is not None:
            progress(Progress(done=0, total=len(jobs)))
        with closing(measured_jobs(jobs, measure or measure_clip, workers=workers, executor=executor)) as finished:
            for done, (job, shots) in enumerate(finished, start=1):
                store.save_clip(job.clip, records[job.clip], shots)
                if progress is not None:
                    progress(Progress(done=done, total=len(jobs), clip=job.clip, shots=tuple(shots)))
        gone = _forget_renamed(store, records)
        if keep_gone:
            store.keep_when_gone(gone)
        _measure_together(session, store, calibration, records, progress)
        found = shots_that_count(session, store)
    return BatchOutcome(
        calibration=calibration,
        calibrated_now=calibrated_now,
        measured=todo,
        unchanged=tuple(clip for clip in clips if clip not in set(todo)),
        shots=found.shots,
        notes=(
            *_odd_name_notes(session),
            *(() if labels_later else _label_notes(session, clips)),
            *copy_notes(copies),
            *found.notes,
            *_picture_notes(session, picture),
            *_readout_notes(session),
            *together_notes(found.shots),
        ),
    )


def _measure_together(
    session: Session,
    store: Store,
    calibration: Calibration,
    records: Mapping[str, ClipRecord],
    progress: Callable[[Progress], None] | None,
) -> None:
    """Measure shots with what the others say, where that was not done from just these shots, or was broken off."""
    readout = session.config.readout
    here = [one for one in store.shots(session.clips_folder) if one.clip in records]
    inputs = together_inputs(here, calibration, readout=readout)
    if inputs == store.together_inputs():
        return

    def tell(done: int, total: int) -> None:
        if progress is not None:
            progress(Progress(done=done, total=total, together=True))

    store.save_together(inputs, measured_together(here, calibration, readout=readout, progress=tell))


def _odd_name_notes(session: Session) -> tuple[str, ...]:
    odd = session.unnamed_clips()
    if not odd:
        return ()
    return (f"{len(odd)} recordings were left out, their names being no UTF-8 (the first: {odd[0]}): rename them.",)


def _label_notes(session: Session, clips: Sequence[str]) -> tuple[str, ...]:
    notes = []
    nameless = [clip for clip in clips if not session.label(clip, 1).condition]
    if nameless:
        notes.append(
            f"{len(nameless)} of {len(clips)} clips have no condition (the first: {nameless[0]}): put them into "
            "clips/CONDITION/SHOOTER/, or name them in shots.csv."
        )
    problems = {clip: problem for clip in clips if (problem := session.label(clip, 1).problem)}
    if problems:
        first = next(iter(problems))
        some = f"{first} is" if len(problems) == 1 else f"{len(problems)} clips (the first: {first}) are"
        notes.append(
            f"{some} measured but not counted until the folder, shots.csv or session.toml is mended: "
            f"{problems[first]}"
        )
    missing = sorted({clip for clip, _ in session.rows} - set(clips))
    if missing:
        notes.append(f"shots.csv names {len(missing)} clips that are not there (the first: {missing[0]}).")
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


def _readout_notes(session: Session) -> tuple[str, ...]:
    if session.config.camera.readout_ms != 0:
        return ()
    return (
        "camera.readout_ms = 0 says that the camera takes all rows of a picture at once, as hardly a phone does. "
        "Nothing in the clips shows otherwise, and speeds may be 3 % wrong: leave it out if you do not know.",
    )


def _picture_notes(session: Session, picture: bytes | None) -> tuple[str, ...]:
    if picture is not None:
        return ()
    return (
        "The version of railread that calibrated did not keep the calibrated picture, so nobody looked whether "
        f"the camera was nudged: `railread calibrate {session.folder} --frame CLIP` mends that.",
    )
