"""From pixels to numbers on rendered clips: errors, coverage of the intervals, bias and scatter of locating.

Run by hand, with others of its kind by ``run.py``::

    python tests/benchmarks/rendered_clips.py [--clips N] [--folder FOLDER]

The clips are those of `clip_sets`, rendered once (about a minute each) and kept in the folder.
"""

import argparse
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from clip_sets import SETS, Clip, calibrate_clip, make_clips

from analyze.fit.shot import Shot
from analyze.measure.clip import ClipJob
from analyze.measure.clip import measure_clip as clip_measured
from analyze.session.camera_place import CameraPlace
from analyze.session.picture import bytes_from_picture
from calibrate.calibration import Calibration
from calibrate.errors import RailreadError
from tracker.clip import still_luma
from tracker.path import BallPath

DEFAULT_FOLDER = Path(tempfile.gettempdir()) / "railread-benchmark-clips"
SIGMAS_95 = 1.959964


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Measurement:
    """What railread made of one clip.

    Attributes
    ----------
    clip : Clip
        The clip.
    calibration : Calibration or None
        Camera and scale; None where the clicks gave none.
    path : BallPath or None
        What the tracker saw.
    shot : Shot or None
        What was measured.
    trouble : str
        Why a part is missing, or why the shot is doubtful; else empty.
    seconds : float
        Of processor time, from the file to the numbers, calibrating left out.
    """

    clip: Clip
    calibration: Calibration | None
    path: BallPath | None
    shot: Shot | None
    trouble: str
    seconds: float


def measure_clip(clip: Clip) -> Measurement:
    """Calibrate, track and measure one clip."""
    try:
        calibration = calibrate_clip(clip)
    except RailreadError as error:
        return Measurement(
            clip=clip, calibration=None, path=None, shot=None, trouble=f"not calibrated: {error}", seconds=0.0
        )
    place = CameraPlace(calibration=calibration, picture=bytes_from_picture(still_luma(clip.path)))
    job = ClipJob(
        clip=clip.path.name,
        path=clip.path,
        places=(place,),
        capture_fps=clip.capture_fps,
        readout=clip.stated_readout,
    )
    began_s = time.process_time()
    found = clip_measured(job)
    seconds = time.process_time() - began_s
    shot = found[0]
    trouble = f"{len(found)} shots found instead of one" if len(found) != 1 else ""
    if shot.reason is not None:
        trouble = f"{shot.status}: {shot.reason.slug} {shot.detail}"
    path = shot.sightings
    shot = None if shot.reading_m is None else shot
    return Measurement(clip=clip, calibration=calibration, path=path, shot=shot, trouble=trouble, seconds=seconds)


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """A quantity that is held against its truth.

    Attributes
    ----------
    name : str
        With its unit, for the table.
    digits : int
        Printed after the point.
    error_sd : callable
        Error and stated standard uncertainty of a shot, in that unit.
    """

    name: str
    digits: int
    error_sd: Callable[[Shot, Clip], tuple[float, float]]


def _speed(name: str) -> Callable[[Shot, Clip], tuple[float, float]]:
    def error_sd(shot: Shot, clip: Clip) -> tuple[float, float]:
        true = getattr(clip.truth, f"{name}_m_s")
        found, sd = getattr(shot, f"{name}_m_s"), getattr(shot, f"{name}_sd_m_s")
        return 100 * (found / true - 1), 100 * sd / true

    return error_sd


JUDGED = (
    Judged(
        name="reading, mm",
        digits=2,
        error_sd=lambda s, c: (1000 * s.reading_m - c.truth.reading_mm, 1000 * s.reading_sd_m),
    ),
    Judged(
        name="launch angle, deg",
        digits=3,
        error_sd=lambda s, c: (
            float(np.degrees(s.launch_rad)) - c.truth.launch_deg,
            float(np.degrees(s.launch_sd_rad)),
        ),
    ),
    Judged(
        name="swerve offset, mm",
        digits=2,
        error_sd=lambda s, c: (
            1000 * s.swerve_offset_m - c.truth.swerve_offset_mm,
            1000 * s.swerve_offset_sd_m,
        ),
    ),
    Judged(name="launch speed, %", digits=2, error_sd=_speed("launch_speed")),
    Judged(name="rail speed, %", digits=2, error_sd=_speed("rail_speed")),
)


def errors_table(measurements: Sequence[Measurement]) -> list[str]:
    """One line a set and quantity: median, 95 % and largest error, and how often the intervals hold the truth."""
    head = ("set", "quantity", "clips", "median", "95 %", "largest", "in 68 %", "in 95 %")
    rows = [head]
    for set_name in (*dict.fromkeys(m.clip.set_name for m in measurements), "all"):
        shots = [m for m in measurements if m.shot is not None and set_name in (m.clip.set_name, "all")]
        for judged in JUDGED:
            if not shots:
                continue
            error, sd = np.array([judged.error_sd(m.shot, m.clip) for m in shots]).T
            size, z = np.abs(error), np.abs(error / sd)
            rows.append(
                (
                    set_name,
                    judged.name,
                    str(len(shots)),
                    *(f"{x:.{judged.digits}f}" for x in (np.median(size), np.quantile(size, 0.95), size.max())),
                    f"{np.sum(z < 1)} of {len(z)}",
                    f"{np.sum(z < SIGMAS_95)} of {len(z)}",
                )
            )
    return markdown(rows)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Offsets:
    """Errors of the sightings of one clip.

    Attributes
    ----------
    along_px, across_px : (N,) arrays
        Seen minus true centre, along the ball's motion in the image and to the right of it (u right, v down).
    along_sd_px, across_sd_px : (N,) arrays
        Stated standard uncertainties.
    ahead_m : (N,) array
        Place along the lane, from the spot.
    speed_m_s : (N,) array
        True speed on the table.
    """

    along_px: np.ndarray
    across_px: np.ndarray
    along_sd_px: np.ndarray
    across_sd_px: np.ndarray
    ahead_m: np.ndarray
    speed_m_s: np.ndarray


def offsets(measurement: Measurement) -> Offsets:
    """Hold each sighting against the true image of the ball in its frame."""
    path, frames = measurement.path, measurement.clip.truth.frames
    times_s = np.array([frame.time_s for frame in frames])
    index = np.abs(times_s[None] - path.times_s[:, None]).argmin(axis=1)
    gap_s = np.abs(times_s[index] - path.times_s).max()
    if gap_s > 0.2 * path.frame_period_s:
        raise ValueError(f"{measurement.clip.path}: sightings are {gap_s:.4f} s away from any frame")
    true_px = np.array([(frame.u_px, frame.v_px) for frame in frames])
    true_m = np.array([(frame.x_m, frame.y_m) for frame in frames])
    # the frame beside one may be from before the strike or after the cushion: look the other way then
    readout_s, height_px = measurement.clip.setup.recording.readout_s, path.size_px[1]
    exposed_s = times_s + true_px[:, 1] / height_px * readout_s
    before, after = np.maximum(index - 1, 0), np.minimum(index + 1, len(frames) - 1)
    before = np.where(exposed_s[before] < measurement.clip.truth.strike_s, index, before)
    after = np.where(exposed_s[after] > measurement.clip.truth.contact_s, index, after)
    step_px = true_px[after] - true_px[before]
    ahead = step_px / np.linalg.norm(step_px, axis=1, keepdims=True)
    right = np.column_stack([-ahead[:, 1], ahead[:, 0]])
    error_px = path.centre_px - true_px[index]
    step_s = exposed_s[after] - exposed_s[before]
    return Offsets(
        along_px=(error_px * ahead).sum(axis=1),
        across_px=(error_px * right).sum(axis=1),
        along_sd_px=np.sqrt(np.einsum("ni,nij,nj->n", ahead, path.centre_cov_px2, ahead)),
        across_sd_px=np.sqrt(np.einsum("ni,nij,nj->n", right, path.centre_cov_px2, right)),
        ahead_m=true_m[index, 1] - measurement.clip.setup.scene.spot_y_m,
        speed_m_s=np.linalg.norm(true_m[after] - true_m[before], axis=1) / step_s,
    )


def locating_table(measurements: Sequence[Measurement]) -> list[str]:
    """Bias and scatter of the sightings in px, by place along the lane and by speed of the ball."""
    found = [(m.clip.set_name, offsets(m)) for m in measurements if m.path is not None]
    head = (
        "set",
        "where",
        "sightings",
        *(f"{d} {w}" for d in ("along", "across") for w in ("bias", "sd", "stated")),
    )
    rows = [head]
    for set_name in (*SETS, "all"):
        chosen = [o for name, o in found if set_name in (name, "all")]
        if not chosen:
            continue
        joined = Offsets(**{f: np.concatenate([getattr(o, f) for o in chosen]) for f in Offsets.__slots__})
        third_m = joined.ahead_m.max() / 3
        parts = {"everywhere": np.ones(len(joined.ahead_m), dtype=bool)}
        parts |= {
            f"{name} third of the lane": (joined.ahead_m >= i * third_m) & (joined.ahead_m <= (i + 1) * third_m)
            for i, name in enumerate(("first", "middle", "last"))
        }
        for low, high in ((0.0, 2.5), (2.5, 3.5), (3.5, 9.0)):
            words = f"below {high:g} m/s" if low == 0 else f"{low:g} m/s and more"
            words = f"{low:g} to {high:g} m/s" if low > 0 and high < 9 else words
            parts[words] = (joined.speed_m_s >= low) & (joined.speed_m_s < high)
        for words, part in parts.items():
            if part.sum() < 3:
                continue
            cells = []
            for direction in ("along", "across"):
                error = getattr(joined, f"{direction}_px")[part]
                stated = getattr(joined, f"{direction}_sd_px")[part]
                cells += [f"{error.mean():+.3f}", f"{error.std():.3f}", f"{np.sqrt(np.mean(stated**2)):.3f}"]
            rows.append((set_name, words, str(part.sum()), *cells))
    return markdown(rows)


def markdown(rows: Sequence[Sequence[str]]) -> list[str]:
    """Lines of a table, first row its head."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    lines = ["| " + " | ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)) + " |" for row in rows]
    return [lines[0], "| " + " | ".join("-" * w for w in widths) + " |", *lines[1:]]


def clip_line(measurement: Measurement) -> str:
    """One clip for a printed line, with what went wrong in it."""
    parts = [measurement.clip.words]
    if measurement.shot is not None:
        error, sd = JUDGED[0].error_sd(measurement.shot, measurement.clip)
        parts.append(f"reading {error:+.2f} mm (stated {sd:.2f})")
    if measurement.path is not None:
        seen = offsets(measurement)
        parts.append(f"along {seen.along_px.mean():+.2f}, across {seen.across_px.mean():+.2f} px")
        first = measurement.clip.truth.frames[0]
        rest_px = measurement.path.rest_px - (first.u_px, first.v_px)
        parts.append(f"at rest {rest_px[0]:+.2f}, {rest_px[1]:+.2f} px")
        exposure_s = measurement.clip.setup.recording.exposure_s
        parts.append(f"exposure {1000 * measurement.path.exposure_s:.2f} of {1000 * exposure_s:.2f} ms")
    return "; ".join([*parts, *([measurement.trouble] if measurement.trouble else [])])


def report_errors(measurements: Sequence[Measurement]) -> None:
    """Print the table of errors."""
    missed = sum(m.shot is None for m in measurements)
    print(f"\nErrors against the exact truth; {missed} of {len(measurements)} clips not measured\n")
    print("\n".join(errors_table(measurements)))


def report(measurements: Sequence[Measurement]) -> None:
    """Print the tables."""
    report_errors(measurements)
    print("\nWhere the ball is seen against where it is, px of the image\n")
    print("\n".join(locating_table(measurements)))


def measure_all(clips: Sequence[Clip]) -> list[Measurement]:
    """Measure clips one after the other, each with a printed line."""
    measurements = []
    for clip in clips:
        measurements.append(measure_clip(clip))
        print(clip_line(measurements[-1]), flush=True)
    return measurements


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add the options that choose the clips."""
    parser.add_argument("--clips", type=int, default=4, help="clips of each set (default 4)")
    parser.add_argument(
        "--folder", type=Path, default=DEFAULT_FOLDER, help=f"where rendered clips are kept ({DEFAULT_FOLDER})"
    )


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    add_options(parser)
    options = parser.parse_args()
    report(measure_all(make_clips(options.folder, options.clips)))


if __name__ == "__main__":
    main()
