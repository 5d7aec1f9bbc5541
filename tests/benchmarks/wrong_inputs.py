"""Plain mistakes of a tester: which of them give a wrong number that is called measured.

    python tests/benchmarks/wrong_inputs.py [MISTAKE ...] [--shots N] [--session FOLDER ...]

copies a session whose truth is known, makes one mistake in the copy (a number of session.toml, a mark, the files),
measures it as a tester would, and prints a line for each mistake and a table at the end. The sample session is
taken unless others are named; FOLDER holds a session, measured or not, and in it truth.csv with the columns of
sample_clips/truth.csv that are read here. Mistakes are chosen by the beginning of their names.

Where the ball is in the picture does not depend on what session.toml and marks.csv say of the table, so recordings
are followed once, with everything right, and what was seen is measured with each mistake: calibration, path, doubts
and all that shots of a session say together are those of the program. Its size is seen against the one foretold,
and times are those of the file, so both are turned into what would have been seen. With `--whole`, and where the
files themselves are changed, the recordings are followed anew.

Wrong: more than two standard deviations, and more than 1 mm of reading, 0.1 degrees of launch direction or 1 % of
speed. That a mistake does no harm is no fault: the table shows how far off the worst of the measured shots is.
"""

import argparse
import csv
import shutil
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import partial
from importlib.resources import as_file, files
from pathlib import Path

import av  # noqa: TID251 - recordings are written anew here
import cv2
import numpy as np
from rendered_clips import markdown

sys.path.insert(0, str(Path(__file__).parents[1]))

from clicked_sample import copy_clicked

from analyze.fit.shot import CAMERA_MOVED, Shot, Status, measure_shot
from analyze.measure.batch import measure_session
from analyze.measure.clip import ClipJob, measure_clip
from analyze.measure.clip_camera import clip_camera, shot_camera, with_camera_said
from analyze.session.calibration import calibrate_session
from analyze.session.edit_config import Value, with_values
from analyze.session.folder import open_session
from analyze.session.store import Store
from calibrate.arrays import Floats
from calibrate.calibration import Calibration
from calibrate.errors import RailreadError
from calibrate.table import TABLES
from calibrate.units import deg_from_rad, mm_from_m
from tracker.clip import clip_info
from tracker.path import BallPath

TRUTHS = ("reading_mm", "launch_deg", "launch_speed_m_s", "rail_speed_m_s")
WRONG_SDS, WRONG_MM, WRONG_DEG, WRONG_SHARE = 2.0, 1.0, 0.1, 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class Mistake:
    """Something that a tester does wrong.

    Attributes
    ----------
    name : str
        In the trade's words.
    make : callable
        Does it to a session folder.
    at_calibration : bool
        Whether a doubt of the calibration is a doubt of every shot, so that measuring can be left out then.
    files : bool
        Whether it changes the recordings, so that they must be followed anew.
    """

    name: str
    make: Callable[[Path], None]
    at_calibration: bool = False
    files: bool = False


def clips_of(folder: Path) -> list[Path]:
    """All recordings of a session folder."""
    return sorted((folder / "clips").rglob("*.mp4"))


def states(**values: Value) -> Callable[[Path], None]:
    """State other values in session.toml, each as section__key."""

    def make(folder: Path) -> None:
        path = folder / "session.toml"
        wanted = {tuple(name.split("__")): value for name, value in values.items()}
        path.write_text(with_values(path.read_text(), wanted))  # type: ignore[arg-type]

    return make


def times_rate(factor: float) -> Callable[[Path], None]:
    """State a capture rate so many times that of the files."""

    def make(folder: Path) -> None:
        rate = clip_info(clips_of(folder)[0]).frame_rate
        states(camera__capture_fps=round(rate * factor, 3))(folder)

    return make


def marks(change: Callable[[str, float, float], tuple[str, float, float] | None]) -> Callable[[Path], None]:
    """Change each mark of marks.csv, or leave it out."""

    def make(folder: Path) -> None:
        path = folder / "marks.csv"
        with path.open() as lines:
            rows = [(row["mark"], float(row["u_px"]), float(row["v_px"])) for row in csv.DictReader(lines)]
        changed = [new for row in rows if (new := change(*row)) is not None]
        path.write_text("mark,u_px,v_px\n" + "".join(f"{name},{u:.2f},{v:.2f}\n" for name, u, v in changed))

    return make


def eight_feet(folder: Path) -> None:
    """State an 8 ft table for a 9 ft one; one of other size, the share smaller that is."""
    table = open_session(folder).table
    if table.name != "custom":
        states(table__size="8ft")(folder)
        return
    share = TABLES["8ft"].length_m / TABLES["9ft"].length_m
    states(table__width_mm=mm_from_m(table.width_m) * share, table__length_mm=mm_from_m(table.length_m) * share)(
        folder
    )


def spot_moved(more_mm: float) -> Callable[[Path], None]:
    """State a spot so much farther from the head rail than it is."""

    def make(folder: Path) -> None:
        states(lane__spot_mm=mm_from_m(open_session(folder).lane.spot_y_m) + more_mm)(folder)

    return make


def both(*steps: Callable[[Path], None]) -> Callable[[Path], None]:
    """Make one mistake after the other."""

    def make(folder: Path) -> None:
        for step in steps:
            step(folder)

    return make


def off_cloth(name: str, u_px: float, v_px: float) -> tuple[str, float, float] | None:
    """Leave out what lies on the cloth: calibration by sights and scale alone."""
    return None if name.startswith(("lane:", "bed:")) else (name, u_px, v_px)


def next_tick(name: str, u_px: float, v_px: float) -> tuple[str, float, float]:
    """Take each tick for the next even one."""
    return (f"scale{int(name[5:]) + 2:+d}" if name.startswith("scale") else name, u_px, v_px)


def exchange(one: str, other: str) -> Callable[[str, float, float], tuple[str, float, float]]:
    """Name two marks by each other's names."""
    names = {one: other, other: one}
    return lambda name, u_px, v_px: (names.get(name, name), u_px, v_px)


def aside(wanted: str, du_px: float, dv_px: float) -> Callable[[str, float, float], tuple[str, float, float]]:
    """Click one mark beside its place."""

    def change(name: str, u_px: float, v_px: float) -> tuple[str, float, float]:
        return (name, u_px + du_px, v_px + dv_px) if name == wanted else (name, u_px, v_px)

    return change


def sides_exchanged(name: str, u_px: float, v_px: float) -> tuple[str, float, float]:
    """Name sights as one sees them from the foot rail: left for right."""
    if name.startswith(("left", "right")):
        side, number = name.split("-")
        return (f"{'right' if side == 'left' else 'left'}-{number}", u_px, v_px)
    if name.startswith(("foot", "head")):
        rail, number = name.split("-")
        return (f"{rail}-{4 - int(number)}", u_px, v_px)
    return (name, u_px, v_px)


def rewritten(path: Path, change: Callable[[np.ndarray, float], np.ndarray], *, crf: int = 12) -> None:
    """Write a recording anew with each picture changed, given its time too; times kept."""
    out = path.with_suffix(".new.mp4")
    with av.open(str(path)) as source, av.open(str(out), "w") as sink:
        video = source.streams.video[0]
        stream = sink.add_stream("libx264", rate=60, options={"crf": str(crf), "preset": "veryfast"})
        stream.width, stream.height, stream.pix_fmt = video.width, video.height, "yuv420p"
        stream.time_base = stream.codec_context.time_base = Fraction(1, 90000)
        for frame in source.decode(video):
            planes = np.ascontiguousarray(change(frame.to_ndarray(format="bgr24"), float(frame.time)))
            new = av.VideoFrame.from_ndarray(planes, format="bgr24")
            new.pts, new.time_base = round(float(frame.pts * frame.time_base) * 90000), Fraction(1, 90000)
            sink.mux(stream.encode(new))
        sink.mux(stream.encode())
    out.replace(path)


def retimed(factor: Fraction) -> Callable[[Path], None]:
    """Write the files so that they play slower by a factor, as a phone's slow motion does."""

    def make(folder: Path) -> None:
        for path in clips_of(folder):
            out = path.with_suffix(".new.mp4")
            with av.open(str(path)) as source, av.open(str(out), "w") as sink:
                stream = sink.add_stream_from_template(source.streams.video[0])
                for packet in source.demux(video=0):
                    if packet.dts is None:
                        continue
                    packet.stream = stream
                    packet.pts, packet.dts = int(packet.pts * factor), int(packet.dts * factor)
                    sink.mux(packet)
            out.replace(path)

    return make


def mirrored(folder: Path) -> None:
    """Record with a front camera that mirrors, and click what is then seen."""
    width = clip_info(clips_of(folder)[0]).size_px[0]
    for path in clips_of(folder):
        rewritten(path, lambda picture, _: picture[:, ::-1])
    marks(lambda name, u_px, v_px: (name, width - 1 - u_px, v_px))(folder)


def zoomed(factor: float) -> Callable[[Path], None]:
    """Change the zoom after the calibration."""

    def make(folder: Path) -> None:
        session = open_session(folder)
        calibrate_session(session, clips_of(folder)[0])

        def zoom(picture: np.ndarray, _: float) -> np.ndarray:
            height, width = picture.shape[:2]
            matrix = cv2.getRotationMatrix2D(((width - 1) / 2, (height - 1) / 2), 0, factor)
            return cv2.warpAffine(picture, matrix, (width, height), flags=cv2.INTER_CUBIC, borderMode=1)

        for path in clips_of(folder):
            rewritten(path, zoom)

    return make


def shifted(picture: np.ndarray, u_px: float, v_px: float) -> np.ndarray:
    """Move a picture."""
    height, width = picture.shape[:2]
    matrix = np.array([[1.0, 0.0, u_px], [0.0, 1.0, v_px]])
    return cv2.warpAffine(picture, matrix, (width, height), flags=cv2.INTER_CUBIC, borderMode=1)


def knocked(u_px: float, v_px: float, *, after_s: float = 0.0) -> Callable[[Path], None]:
    """Knock against the stand so long after the strike: the picture lies elsewhere from then on."""

    def make(folder: Path) -> None:
        strikes_s = read_column(folder / "truth.csv", "strike_s")
        for path in clips_of(folder):
            from_s = strikes_s[path.relative_to(folder / "clips").as_posix()] + after_s
            rewritten(
                path, lambda picture, t, from_s=from_s: shifted(picture, u_px, v_px) if t > from_s else picture
            )

    return make


def sent(folder: Path, *, drift_px: float = 0.0) -> None:
    """Send the recordings through a messenger that compresses them hard; stabilised ones drift."""
    for path in clips_of(folder):
        rewritten(
            path, lambda picture, t: shifted(picture, drift_px * t, drift_px * t) if drift_px else picture, crf=38
        )


MISTAKES = (
    Mistake(name="none", make=lambda _: None),
    Mistake(name="clock: stated rate 4 times that of the camera", make=times_rate(4)),
    Mistake(name="clock: stated rate twice that of the camera", make=times_rate(2)),
    Mistake(name="clock: stated rate half that of the camera", make=times_rate(1 / 2)),
    Mistake(name="clock: stated rate a quarter of that of the camera", make=times_rate(1 / 4)),
    Mistake(name="clock: file plays 4 times too slowly", make=retimed(Fraction(4)), files=True),
    Mistake(name="clock: file plays 2 times too slowly", make=retimed(Fraction(2)), files=True),
    Mistake(name="clock: file plays 4 times too fast", make=retimed(Fraction(1, 4)), files=True),
    Mistake(name="ball: 52.5 stated for 57.15 mm", make=states(ball__diameter_mm=52.5)),
    Mistake(name="ball: 61.5 stated for 57.15 mm", make=states(ball__diameter_mm=61.5)),
    Mistake(
        name="ball: 52.5 stated for 57.15 mm, no marks on the cloth",
        make=both(marks(off_cloth), states(ball__diameter_mm=52.5)),
    ),
    Mistake(name="rail top: 55 mm for 42", make=states(table__rail_top_mm=55), at_calibration=True),
    Mistake(
        name="rail top: 55 mm for 42, no marks on the cloth",
        make=both(marks(off_cloth), states(table__rail_top_mm=55)),
        at_calibration=True,
    ),
    Mistake(
        name="rail top: 70 mm for 42, no marks on the cloth",
        make=both(marks(off_cloth), states(table__rail_top_mm=70)),
        at_calibration=True,
    ),
    Mistake(name="table: 8 ft for 9 ft", make=eight_feet, at_calibration=True),
    Mistake(
        name="table: 8 ft for 9 ft, no marks on the cloth",
        make=both(marks(off_cloth), eight_feet),
        at_calibration=True,
    ),
    Mistake(name="sights: set back 75 mm for 93.66", make=states(table__sight_setback_mm=75), at_calibration=True),
    Mistake(name="scale: line at the nose for 93.66 mm", make=states(scale__setback_mm=0), at_calibration=True),
    Mistake(name="scale: cm for inches", make=states(scale__unit="cm"), at_calibration=True),
    Mistake(name="scale: each tick taken for the next", make=marks(next_tick), at_calibration=True),
    Mistake(name="lane: second sight for the first", make=states(lane__sight=2), at_calibration=True),
    Mistake(name="spot: 20 mm off", make=spot_moved(20), at_calibration=True),
    Mistake(
        name="spot: 20 mm off, no marks on the cloth",
        make=both(marks(off_cloth), spot_moved(20)),
        at_calibration=True,
    ),
    Mistake(name="spot: 50 mm off", make=spot_moved(50), at_calibration=True),
    Mistake(name="marks: left and right exchanged", make=marks(sides_exchanged), at_calibration=True),
    Mistake(name="marks: scale-2 and scale+2 exchanged", make=marks(exchange("scale-2", "scale+2"))),
    Mistake(name="marks: left-2 and left-3 exchanged", make=marks(exchange("left-2", "left-3"))),
    Mistake(name="marks: foot-2 clicked 30 px aside", make=marks(aside("foot-2", 30, 0))),
    Mistake(name="marks: foot-2 clicked 6 px aside", make=marks(aside("foot-2", 0, 6))),
    Mistake(name="readout: 0 stated", make=states(camera__readout_ms=0)),
    Mistake(
        name="readout: global shutter stated", make=states(camera__readout_ms=None, camera__global_shutter=True)
    ),
    Mistake(
        name="readout: global shutter stated of a named camera",
        make=states(
            camera__readout_ms=None, camera__global_shutter=True, camera__global_shutter_camera="made up 1"
        ),
    ),
    Mistake(name="readout: left out", make=states(camera__readout_ms=None)),
    Mistake(name="mirrored recordings", make=mirrored, at_calibration=True, files=True),
    Mistake(name="zoom: +3 % after calibrating", make=zoomed(1.03), files=True),
    Mistake(name="zoom: +6 % after calibrating", make=zoomed(1.06), files=True),
    Mistake(name="zoom: -4 % after calibrating", make=zoomed(0.96), files=True),
    Mistake(name="knock: 5 px at the strike", make=knocked(4, -3), files=True),
    Mistake(name="knock: 13 px at the strike", make=knocked(11, 7), files=True),
    Mistake(name="knock: 5 px while the ball rolls", make=knocked(-5, 2, after_s=0.3), files=True),
    Mistake(name="messenger: compressed hard", make=sent, files=True),
    Mistake(name="messenger: compressed hard, stabilised", make=partial(sent, drift_px=1.0), files=True),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of one shot.

    Attributes
    ----------
    state : str
        Status and reason, or where it was refused.
    measured : bool
        Whether it counts as measured.
    errors : tuple of (float, float)
        Error and standard deviation of reading in mm, launch in degrees, launch and rail speed as a share.
    """

    state: str
    measured: bool
    errors: tuple[tuple[float, float], ...] = ()

    @property
    def wrong(self) -> bool:
        """Whether a number is wrong that is called measured."""
        limits = (WRONG_MM, WRONG_DEG, WRONG_SHARE, WRONG_SHARE)
        return self.measured and any(
            abs(error) > max(limit, WRONG_SDS * sd) for (error, sd), limit in zip(self.errors, limits, strict=True)
        )


def read_truth(path: Path) -> dict[str, dict[str, float]]:
    """Read the true values of each recording."""
    columns = {key: read_column(path, key) for key in TRUTHS}
    return {clip: {key: columns[key][clip] for key in TRUTHS} for clip in columns[TRUTHS[0]]}


def read_column(path: Path, name: str) -> dict[str, float]:
    """Read one true value of each recording."""
    with path.open(encoding="utf-8") as lines:
        return {row["clip"].removeprefix("clips/"): float(row[name]) for row in csv.DictReader(lines)}


def outcome(shot: Shot, true: dict[str, float]) -> Outcome:
    """Compare a shot with its truth."""
    slug = f" {shot.reason.slug}" if shot.reason else ""
    if shot.reading_m is None or shot.launch_rad is None:
        return Outcome(state=f"{shot.status}{slug}", measured=False)
    reading_sd, launch_sd = shot.reading_sd_m or 0.0, shot.launch_sd_rad or 0.0
    errors = [
        (mm_from_m(shot.reading_m) - true["reading_mm"], mm_from_m(reading_sd)),
        (deg_from_rad(shot.launch_rad) - true["launch_deg"], deg_from_rad(launch_sd)),
    ]
    for name in ("launch_speed_m_s", "rail_speed_m_s"):
        seen, sd = getattr(shot, name), getattr(shot, name.replace("_m_s", "_sd_m_s"))
        errors.append((seen / true[name] - 1, sd / true[name]))
    return Outcome(state=f"{shot.status}{slug}", measured=shot.status is Status.MEASURED, errors=tuple(errors))


@dataclass(frozen=True, slots=True)
class Followed:
    """A shot as it was followed with everything right.

    Attributes
    ----------
    path : BallPath
        What was seen.
    rim_px : float
        Radius of the ball at rest as it was foretold.
    moved : bool
        Whether the camera had moved since it was calibrated, so that its place must be found again.
    """

    path: BallPath
    rim_px: float
    moved: bool


def rim_px(calibration: Calibration, rest_px: Floats) -> float:
    """Radius of the ball at rest in the picture."""
    radius_m = calibration.ball.radius_m
    at_m = np.array([*calibration.camera.onto_plane(rest_px[None], z_m=radius_m)[0], radius_m])
    outline = calibration.camera.sphere_outline(at_m, radius_m=radius_m, count=32)
    return float(np.linalg.norm(outline - outline.mean(axis=0), axis=1).mean())


def follow_all(source: Path) -> dict[str, Followed]:
    """Follow every recording of a session, unless that was done and is kept in its database."""
    session = open_session(source)
    with Store(session.store_path) as store:
        known = bool(store.shots(session.clips_folder))
    if not known:
        measure_session(session)
    calibration = calibrate_session(session, clips_of(source)[0])
    with Store(session.store_path) as store:
        return {
            one.clip: Followed(
                path=one.shot.sightings,
                rim_px=rim_px(calibration, one.shot.sightings.rest_px),
                moved=one.shot.camera == CAMERA_MOVED,
            )
            for one in store.shots(session.clips_folder)
            if one.shot.sightings is not None
        }


def seen_with(one: Followed, job: ClipJob) -> BallPath:
    """Return what would have been seen with the settings of a job."""
    path = one.path
    (place,) = job.places
    now_px = rim_px(place.calibration, path.rest_px)
    ratio = None if path.size_ratio is None else path.size_ratio * one.rim_px / now_px
    slower = 1.0 if job.capture_fps is None else 1 / (path.frame_period_s * job.capture_fps)
    return replace(
        path,
        clip=job.path,
        size_ratio=ratio,
        times_s=path.times_s * slower,
        last_rest_s=path.last_rest_s * slower,
        first_moved_s=path.first_moved_s * slower,
        turned_s=None if path.turned_s is None else path.turned_s * slower,
        frame_period_s=path.frame_period_s * slower,
        exposure_s=path.exposure_s * slower,
    )


def measured_as_followed(followed: dict[str, Followed]) -> Callable[[ClipJob], Sequence[Shot]]:
    """Measure as `measure_clip` does, from what was followed before."""

    def measure(job: ClipJob) -> Sequence[Shot]:
        path = seen_with(followed[job.clip], job)
        (place,) = job.places
        if not followed[job.clip].moved:
            return (measure_shot(path, place.calibration, readout=job.readout),)
        first = clip_camera(job.path, place.calibration, place.picture)
        camera = shot_camera(path, first, place.calibration, place.picture, capture_fps=job.capture_fps)
        return (with_camera_said(measure_shot(path, camera.calibration, readout=job.readout), camera),)

    return measure


def try_mistake(source: Path, mistake: Mistake, shots: int, followed: dict[str, Followed] | None) -> list[Outcome]:
    """Make a mistake in a copy of a session, measure it, compare with the truth."""
    measure = measure_clip if followed is None or mistake.files else measured_as_followed(followed)
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary) / "session"
        shutil.copytree(source, folder, ignore=shutil.ignore_patterns("railread.sqlite*", "out"))
        clips = clips_of(folder)
        if followed is not None and not mistake.files:
            clips = [clip for clip in clips if clip.relative_to(folder / "clips").as_posix() in followed]
        taken = {clips[round(at)] for at in np.linspace(0, len(clips) - 1, min(shots, len(clips)))}
        for clip in set(clips_of(folder)) - taken:
            clip.unlink()
        try:
            mistake.make(folder)
            session = open_session(folder)
            if mistake.at_calibration:
                calibration = calibrate_session(session, clips_of(folder)[0])
                if calibration.doubts:
                    slugs = " ".join(doubt.reason.slug for doubt in calibration.doubts)
                    print(f"    {calibration.doubts[0].detail}", flush=True)
                    return [Outcome(state=f"all doubtful {slugs}", measured=False)] * len(taken)
            with ThreadPoolExecutor(1) as one:
                found = measure_session(session, executor=one, measure=measure)
        except RailreadError as error:
            print(f"    {str(error).replace(str(folder), '')}", flush=True)
            return [Outcome(state="refused", measured=False)] * len(taken)
        truth = read_truth(source / "truth.csv")
        details = {f"    {stored.shot.detail}" for stored in found.shots if stored.shot.detail}
        print("\n".join(sorted(details)[:2]), flush=True)
        return [outcome(stored.shot, truth[stored.clip]) for stored in found.shots]


def row_of(mistake: Mistake, outcomes: Sequence[Outcome]) -> list[str]:
    """One line of the table."""
    states = Counter(one.state for one in outcomes)
    said = ", ".join(f"{count} {state}" for state, count in states.most_common())
    cells = [mistake.name, said]
    measured = [one for one in outcomes if one.measured]
    for at, (unit, times) in enumerate((("mm", 1.0), ("deg", 1.0), ("%", 100.0), ("%", 100.0))):
        worst = max((one.errors[at] for one in measured), key=lambda pair: abs(pair[0]), default=None)
        cells.append("" if worst is None else f"{times * worst[0]:+.2f} {unit}, {worst[0] / worst[1]:+.1f} sd")
    wrong = sum(one.wrong for one in outcomes)
    return [*cells, f"{wrong} WRONG" if wrong else "honest"]


def sessions(named: Sequence[Path]) -> Iterator[Path]:
    """Return the sessions to take: those named, or the sample with its truth beside it."""
    if named:
        yield from named
        return
    with tempfile.TemporaryDirectory() as temporary, as_file(files("sample_clips")) as sample:
        folder = Path(temporary) / "sample"
        copy_clicked(folder)
        shutil.copy(sample / "truth.csv", folder / "truth.csv")
        yield folder


def main() -> None:
    """Read the command line, make the mistakes, print."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("mistakes", nargs="*", help="beginnings of their names; all unless given")
    parser.add_argument("--shots", type=int, default=99, help="of each session; all unless given")
    parser.add_argument("--session", type=Path, nargs="*", default=(), help="with truth.csv beside session.toml")
    parser.add_argument("--whole", action="store_true", help="follow the ball anew for each mistake")
    options = parser.parse_args()
    chosen = [one for one in MISTAKES if not options.mistakes or one.name.startswith(tuple(options.mistakes))]
    found: dict[str, list[Outcome]] = {one.name: [] for one in chosen}
    for folder in sessions(options.session):
        anew = options.whole or all(mistake.files for mistake in chosen)
        followed = None if anew else follow_all(folder)
        for mistake in chosen:
            outcomes = try_mistake(folder, mistake, options.shots, followed)
            found[mistake.name] += outcomes
            print(f"{folder.name}: {' | '.join(row_of(mistake, outcomes))}", flush=True)
    head = ["mistake", "shots", "reading", "launch", "launch speed", "rail speed", "verdict"]
    print("\n".join(["", *markdown([head, *(row_of(one, found[one.name]) for one in chosen)])]))
    wrong = sum(one.wrong for outcomes in found.values() for one in outcomes)
    print(f"\nwrong and measured: {wrong} of {sum(len(outcomes) for outcomes in found.values())}")


if __name__ == "__main__":
    main()
