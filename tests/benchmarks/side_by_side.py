"""railread beside what general libraries give in a weekend, on the same rendered clips: error and speed of each.

Run by hand, with others of its kind by ``run.py``::

    python tests/benchmarks/side_by_side.py [--clips N] [--folder FOLDER]

How the rivals find the ball, and what they are given for free, is told in `rivals`. From places to a reading there
are three ways, all with a straight line through the places:

- `homography`: four clicks on the cloth make a homography of the cloth; reading where the line crosses y = L +
  set-back. (Least squares over all clicks on the cloth is tried as well.)
- `at the ticks`: the line is drawn in the picture and read where it crosses the line of the clicked ticks.
- `railread's camera`: railread's own calibration makes table places of the rival's; no rival has that, it shows
  what the finding of the ball alone costs.

Each is done with all places and with those of the last half of the lane, where the path is straighter, and the
variant with the smaller median error over all clips is the one that counts: chosen knowing the truth, in the
rival's favour. A shot that was not measured counts in a median as one with the largest error.

Speed is frames of the recording over the processor time (of all threads, so that other load does not matter) from
the file to the reading, decoding included. Rivals look at the frames between strike and cushion only (railread
finds those itself).
"""

import argparse
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from clip_sets import make_clips
from rendered_clips import Measurement, add_options, markdown, measure_all
from rivals import (
    Run,
    load_run,
    reading_by_camera_mm,
    reading_by_cloth_mm,
    reading_by_ticks_mm,
    rivals,
)

LEAST_PLACES = 4
LEAST_SHARE = 1 / 3  # of the lane that places must span, or there is no line to speak of
WAYS = ("homography", "at the ticks", "railread's camera")


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What a rival made of one clip.

    Attributes
    ----------
    errors_mm : dict
        Reading minus truth, by way and variant; empty where the shot was not measured.
    seconds : float
        Of processor time, from the file to the places.
    frames : int
        Of the recording.
    """

    errors_mm: dict[tuple[str, str], float]
    seconds: float
    frames: int


def errors_of(places_px: np.ndarray, measurement: Measurement, run: Run) -> dict[tuple[str, str], float]:
    """Reading errors by way and variant; empty where the places are too few or too close together."""
    clip, calibration = measurement.clip, measurement.calibration
    lane_px = np.ptp(np.nonzero(run.lane.any(axis=1))[0])
    if len(places_px) < LEAST_PLACES or np.ptp(places_px[:, 1]) < LEAST_SHARE * lane_px:
        return {}
    ahead_m = calibration.camera.onto_plane(places_px, z_m=calibration.ball.radius_m)[:, 1]
    half_m = (calibration.lane.spot_y_m + calibration.table.length_m) / 2
    errors = {}
    for part, chosen in (("all places", places_px), ("last half", places_px[ahead_m > half_m])):
        if len(chosen) < LEAST_PLACES:
            continue
        found = {
            ("homography", f"four clicks, {part}"): reading_by_cloth_mm(chosen, clip, calibration, corners=4),
            ("homography", f"all clicks, {part}"): reading_by_cloth_mm(chosen, clip, calibration, corners=None),
            ("at the ticks", part): reading_by_ticks_mm(chosen, clip),
            ("railread's camera", part): reading_by_camera_mm(chosen, clip, calibration),
        }
        errors |= {key: reading - clip.truth.reading_mm for key, reading in found.items()}
    return errors


def try_rival(places_of: Callable[[Run], np.ndarray], measurement: Measurement, run: Run) -> Outcome:
    """Let a rival find the ball in one clip."""
    began_s = time.process_time()
    places_px = places_of(run)
    seconds = time.process_time() - began_s + run.decoding_s
    return Outcome(errors_mm=errors_of(places_px, measurement, run), seconds=seconds, frames=run.n_frames)


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """A way's best variant over all clips.

    Attributes
    ----------
    median_mm : float
        Median size of the error; a shot that was not measured counts as larger than any other.
    largest_mm : float
        Of those measured.
    """

    median_mm: float
    largest_mm: float


def best_variant(outcomes: Sequence[Outcome], way: str) -> Summary:
    """Return the variant of a way with the smallest median error."""
    variants = sorted({variant for outcome in outcomes for w, variant in outcome.errors_mm if w == way})
    found = [Summary(median_mm=np.inf, largest_mm=np.inf)]
    for variant in variants:
        # a clip with too few places for this variant counts with all its places
        whole = variant.replace("last half", "all places")
        size = [abs(o.errors_mm.get((way, variant), o.errors_mm[way, whole])) for o in outcomes if o.errors_mm]
        missed = [np.inf] * (len(outcomes) - len(size))
        found.append(Summary(median_mm=float(np.median(size + missed)), largest_mm=max(size)))
    return min(found, key=lambda summary: (summary.median_mm, summary.largest_mm))


def _cells(summary: Summary) -> list[str]:
    return [
        f"{summary.median_mm:.2f}" if np.isfinite(summary.median_mm) else "-",
        f"{summary.largest_mm:.1f}" if np.isfinite(summary.largest_mm) else "-",
    ]


def try_rivals(measurement: Measurement) -> dict[str, Outcome]:
    """Let all rivals at one clip; their outcomes by name."""
    run = load_run(measurement.clip, measurement.calibration)
    return {
        rival.name: try_rival(rival.places_px, measurement, run)
        for rival in rivals()
        if rival.places_px is not None
    }


def compare(measurements: Sequence[Measurement]) -> None:
    """Let all rivals at the clips, and print the table."""
    usable = [m for m in measurements if m.calibration is not None]
    report(usable, [try_rivals(m) for m in usable])


def report(usable: Sequence[Measurement], outcomes: Sequence[dict[str, Outcome]]) -> None:
    """Print the table of clips that were calibrated, and of what each rival made of each."""
    print(f"\nReading error in mm on {len(usable)} clips, OpenCV {cv2.__version__}\n")
    columns = [f"{way}, {what}" for way in WAYS for what in ("median", "largest")]
    rows = [["what finds the ball", *columns, "not measured", "frames / CPU s"]]
    best_mm = np.inf
    for rival in rivals():
        if rival.places_px is None:
            rows.append([f"{rival.name}: {rival.absent}", *["-"] * 8])
            continue
        done = [by_name[rival.name] for by_name in outcomes]
        by_way = [best_variant(done, way) for way in WAYS]
        missed = sum(not outcome.errors_mm for outcome in done)
        best_mm = min([best_mm, *(summary.median_mm for summary in by_way[:2])])
        rows.append(
            [rival.name, *(cell for s in by_way for cell in _cells(s)), f"{missed} of {len(done)}", speed(done)]
        )
    own = [abs(1000 * m.shot.reading_m - m.clip.truth.reading_mm) for m in usable if m.shot is not None]
    own_median_mm = float(np.median(own + [np.inf] * (len(usable) - len(own))))
    frames = [len(m.clip.truth.frames) for m in usable]
    rows.append(
        [
            "railread",
            *["-"] * 4,
            f"{own_median_mm:.2f}",
            f"{max(own):.1f}",
            f"{len(usable) - len(own)} of {len(usable)}",
            f"{sum(frames) / sum(m.seconds for m in usable):.0f}",
        ]
    )
    print("\n".join(markdown(rows)))
    print(f"\nmedian of railread over the smallest median of the others: {own_median_mm / best_mm:.2f}")


def speed(outcomes: Sequence[Outcome]) -> str:
    """Frames a second over all clips."""
    return f"{sum(o.frames for o in outcomes) / sum(o.seconds for o in outcomes):.0f}"


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    add_options(parser)
    options = parser.parse_args()
    compare(measure_all(make_clips(options.folder, options.clips)))


if __name__ == "__main__":
    main()
