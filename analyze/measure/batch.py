"""Measure a whole session: calibrate once, then every recording that is new or has changed, several at a time."""

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from contextlib import closing
from dataclasses import dataclass

from analyze.fit.shot import Shot
from analyze.measure.clip import ClipJob, measure_clip
from analyze.measure.pool import measured_jobs
from analyze.measure.together import measured_together, together_inputs, together_notes
from analyze.session.camera_place import CameraPlace
from analyze.session.folder import Session
from analyze.session.inputs import clip_record, inputs_sha256
from analyze.session.places import session_places
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
    places : tuple of CameraPlace
        The camera places of the session, each with its calibration; one, unless others were calibrated as such.
    measured : tuple of str
        Clips measured in this run.
    unchanged : tuple of str
        Clips whose results still stand.
    shots : tuple of StoredShot
        All shots of the session, in reading order of the clips.
    notes : tuple of str
        What the tester should know, one sentence each.
    """

    places: tuple[CameraPlace, ...]
    measured: tuple[str, ...]
    unchanged: tuple[str, ...]
    shots: tuple[StoredShot, ...]
    notes: tuple[str, ...] = ()

    @property
    def calibration(self) -> Calibration:
        """Of the first camera place."""
        return self.places[0].calibration

    @property
    def calibrated_now(self) -> bool:
        """Whether some place was calibrated in this run."""
        return any(place.new for place in self.places)

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
        places = session_places(session, clips, store)
        inputs = inputs_sha256(session, places)
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
                places=places,
                capture_fps=session.config.camera.capture_fps,
                readout=session.config.readout,
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
        _measure_together(session, store, places, records, progress)
        found = shots_that_count(session, store)
    return BatchOutcome(
        places=places,
        measured=todo,
        unchanged=tuple(clip for clip in clips if clip not in set(todo)),
        shots=found.shots,
        notes=(
            *_odd_name_notes(session),
            *(() if labels_later else _label_notes(session, clips)),
            *copy_notes(copies),
            *found.notes,
            *_picture_notes(session, places),
            *_readout_notes(session),
            *together_notes(found.shots),
        ),
    )


def _measure_together(
    session: Session,
    store: Store,
    places: Sequence[CameraPlace],
    records: Mapping[str, ClipRecord],
    progress: Callable[[Progress], None] | None,
) -> None:
    """Measure shots with what the others from their place say, where that was not done, or was broken off."""
    readout = session.config.readout
    every = [one for one in store.shots(session.clips_folder) if one.clip in records]
    here = {place.name: [one for one in every if one.shot.place == place.name] for place in places}
    inputs = " ".join(together_inputs(here[place.name], place.calibration, readout=readout) for place in places)
    if inputs == store.together_inputs():
        return

    def tell(done: int, total: int) -> None:
        if progress is not None:
            progress(Progress(done=done, total=total, together=True))

    found = [
        one
        for place in places
        for one in measured_together(here[place.name], place.calibration, readout=readout, progress=tell)
    ]
    store.save_together(inputs, found)


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
    camera = session.config.camera
    if camera.global_shutter_unnamed:
        return (
            "camera.global_shutter = true is half believed, and speeds carry that doubt: hardly a phone takes all "
            'rows of a picture at once. Name the camera that does, global_shutter_camera = "make and model", or '
            "take the line out.",
        )
    if camera.readout_ms != 0 or camera.global_shutter:
        return ()
    return (
        "camera.readout_ms = 0 is taken for 'not known': hardly a phone takes all rows of a picture at once. If "
        "this camera does, or puts them right itself, write global_shutter = true in its place, and which camera "
        "it is in global_shutter_camera.",
    )


def _picture_notes(session: Session, places: Sequence[CameraPlace]) -> tuple[str, ...]:
    if places[0].picture is not None:
        return ()
    return (
        "The version of railread that calibrated did not keep the calibrated picture, so nobody looked whether "
        f"the camera was nudged: `railread calibrate {session.folder} --frame CLIP` mends that.",
    )
