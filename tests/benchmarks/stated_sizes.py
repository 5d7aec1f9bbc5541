"""Whether stated uncertainties have the size of the errors, on shots of the second renderer.

Run by hand::

    python tests/benchmarks/stated_sizes.py [SHOTS]

Each shot has a camera place, speed, direction, spin and place of rest of its own, and marks seen to 0.1 px that lie
exactly, or to 0.5 mm as those of a real table, in turn. Printed are, for each quantity, the root mean square of the
error over the stated standard uncertainty (1 if all is as stated), how many 95 % intervals held the truth, and the
root mean squares of both. A shot takes about 10 s of processor time.
"""

import argparse
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from second_renderer import READOUT_S, Eye, film, play
from second_set_up import LANE, SCALE, calibrated

from analyze.fit.shot import Status, measure_shot
from calibrate.table import LONG_RAIL_SIGHTS
from calibrate.units import deg_from_rad, mm_from_m
from tracker.follow import track_clip
from tracker.path import BallPath
from tracker.readout import Readout

MARKS = (
    *("scale-4", "scale-2", "scale+0", "scale+2", "scale+4", "foot-1", "foot-2", "foot-3"),
    *("lane:300", "lane:600", "lane:900", "lane:1200"),
    *(f"{side}-{k}" for side in ("left", "right") for k in range(1, LONG_RAIL_SIGHTS + 1) if k != 4),
)
LAID_M = (0.0, 0.0005)


@dataclass(frozen=True, kw_only=True)
class Scored:
    """Errors and standard uncertainties of reading (mm) and launch (deg)."""

    error: np.ndarray
    sd: np.ndarray


def view(rng: np.random.Generator) -> Eye:
    """A camera behind the foot rail or behind the shooter, never twice at the same place."""
    aside, lower = rng.uniform(-0.1, 0.25), rng.uniform(-0.15, 0.15)
    if rng.uniform() < 0.5:
        return Eye((0.35 + aside, 3.85, 1.5 + lower), (0.34, 1.85, 0.0), 950.0)
    return Eye((0.15 + aside, -0.9, 1.6 + lower), (0.31, 1.45, 0.0), 850.0)


def score(seed: int, folder: Path) -> Scored | None:
    """Film, track and measure one shot; None, and a line, where it is not measured."""
    rng = np.random.default_rng([20240611, seed])
    eye = view(rng)
    played = play(
        speed_m_s=rng.uniform(2.0, 3.6),
        launch_rad=rng.normal(0, 0.02),
        side_slip=rng.normal(0, 0.03),
        start_m=(LANE.x_aim_m + rng.normal(0, 0.002), LANE.spot_y_m + rng.normal(0, 0.002)),
        line_y_m=SCALE.line_y_m,
        zero_m=SCALE.zero_m,
    )
    clip = folder / f"{seed}.mp4"
    film(clip, eye, played, seed=seed)
    calibration = calibrated(eye, rng, MARKS, laid_m=LAID_M[seed % len(LAID_M)])
    readout = Readout.stated(READOUT_S)
    for path in track_clip(clip, calibration, readout=readout):
        if not isinstance(path, BallPath):
            print(f"shot {seed}: {path}")
            return None
        found = measure_shot(path, calibration, readout=readout)
        if found.reading_m is None or found.launch_rad is None or found.status is not Status.MEASURED:
            print(f"shot {seed}: {found.status} {found.reason and found.reason.slug} {found.detail}")
            return None
        return Scored(
            error=np.array(
                [
                    mm_from_m(found.reading_m - played.reading_m),
                    deg_from_rad(found.launch_rad - played.launch_rad),
                ]
            ),
            sd=np.array([mm_from_m(found.reading_sd_m or 0.0), deg_from_rad(found.launch_sd_rad or 0.0)]),
        )
    return None


def main() -> None:
    """Film and score shots, and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("shots", nargs="?", type=int, default=20)
    shots = parser.parse_args().shots
    with tempfile.TemporaryDirectory() as folder:
        found = []
        for seed in range(shots):
            one = score(seed, Path(folder))
            if one is not None:
                found.append(one)
                print(f"shot {seed}: errors {one.error.round(3)}, stated {one.sd.round(3)} (mm, deg)", flush=True)
    errors, sds = np.array([one.error for one in found]), np.array([one.sd for one in found])
    for name, error, sd in zip(("reading, mm", "launch, deg"), errors.T, sds.T, strict=True):
        ratio = error / sd
        print(
            f"{name}: root mean square of error over stated {np.sqrt(np.mean(ratio**2)):.2f}, 95 % intervals held "
            f"{np.count_nonzero(np.abs(ratio) < 1.959964)} of {len(ratio)}; "
            f"error {np.sqrt(np.mean(error**2)):.3f}, stated {np.sqrt(np.mean(sd**2)):.3f}"
        )


if __name__ == "__main__":
    main()
