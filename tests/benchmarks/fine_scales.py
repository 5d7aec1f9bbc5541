"""Scales that were not printed by railread, too fine to be snapped tick by tick, seen from behind the shooter.

    python tests/benchmarks/fine_scales.py 20

draws so many rulers of many makes, each from a camera place of its own, and clicks five ticks of each with a hand
that errs by 0.7 px. Printed are, in pixels along the scale, the root mean square error of its zero and the stated
one: of the clicks, and of the scale as a whole where it is taken; and how often that errs by more than four times
what is stated.
"""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "calibrate"))

from calibrate_scenes import TABLE
from drawn_rulers import KINDS, behind_the_shooter, draw

from calibrate.errors import NotMeasured
from calibrate.marks import Click
from calibrate.snap import snap_scale

HAND_PX = 0.7


def outcome(drawn, rng):
    """Error of the zero by clicks, by the whole scale, and what that states, px; None where declined."""
    unit_mm = KINDS[drawn.ruler.kind][0]
    numbers = np.array([-4, -2, 0, 2, 4] if unit_mm > 20 else [-10, -5, 0, 5, 10], dtype=float)
    places = np.column_stack([drawn.scale.ticks_xy_m(numbers), np.full(5, TABLE.rail_top_m)])
    true_px = drawn.camera.project(places)
    along = (true_px[-1] - true_px[0]) / np.linalg.norm(true_px[-1] - true_px[0])
    errors = rng.normal(0, HAND_PX, (5, 2))
    clicked = float((errors @ along).mean())
    per_m = float(np.linalg.norm(drawn.camera.project_jacobian(places[2])[:, 0]))
    rough = replace(drawn.scale, zero_m=drawn.scale.zero_m + clicked / per_m)
    clicks = [Click(f"scale{n:+g}", *place) for n, place in zip(numbers, true_px + errors, strict=True)]
    snaps = snap_scale(drawn.luma, clicks, camera=drawn.camera, table=TABLE, scale=rough)
    if isinstance(snaps, NotMeasured):
        return clicked, None, None
    weights = np.array([1 / (along @ snap.cov_px2 @ along) for snap in snaps])
    missed = np.array([(snap.place_px - place) @ along for snap, place in zip(snaps, true_px, strict=True)])
    return clicked, float(weights @ missed / weights.sum()), float(1 / np.sqrt(weights.sum()))


def main(count):
    """Draw, click, print."""
    found = []
    for seed in range(count):
        rng = np.random.default_rng([20240611, seed])
        drawn = draw(rng, behind_the_shooter(rng))
        found += [outcome(drawn, rng) for _ in range(4)]
    taken = np.array([one for one in found if one[1] is not None], dtype=float).reshape(-1, 3)
    print(f"{count} rulers, clicked four times each; the clicks err by {_rms([one[0] for one in found]):.3f} px")
    if not len(taken):
        print("none was taken as a whole")
        return
    clicked, errors, stated = taken.T
    ratio = np.abs(errors / stated)
    print(
        f"taken as a whole {len(taken)} of {len(found)}: error {_rms(errors):.3f} px (clicks of these "
        f"{_rms(clicked):.3f}), stated {_rms(stated):.3f}, error over stated {_rms(ratio):.2f}, largest "
        f"{ratio.max():.1f}; more than four times the stated: {np.count_nonzero(ratio > 4)}"
    )


def _rms(values):
    return float(np.sqrt(np.mean(np.square(values))))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20)
