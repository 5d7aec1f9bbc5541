"""Readings with printed markers found by themselves, and with marks clicked and snapped, on the same pictures.

    python tests/benchmarks/auto_marks.py 6

draws so many pictures of each camera place (H.264, CRF 26), and prints errors of the reading of a ball on the lane
and stated standard uncertainties for both ways.
"""

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "calibrate"))

from calibrate_scenes import BALL, LANE, SCALE, SIZE_PX, TABLE, behind_foot_rail, behind_shooter, camera_at
from printed_scenes import all_pieces, scene_luma

from calibrate.auto import find_marks
from calibrate.marks import Click, mark_point_m
from calibrate.precision import lane_sd
from calibrate.solve import calibrate
from calibrate.table import sight_places_m

SETUP = {"table": TABLE, "lane": LANE, "ball": BALL, "scale": SCALE}
PLACES = {
    "behind the foot rail": behind_foot_rail(),
    "behind the shooter": camera_at([0.15, -0.6, 1.5], [0.4, 1.9, 0.0], focal_px=1600.0),
    "behind the shooter, far": behind_shooter(),
}
CLICKED = ("scale-4", "scale-2", "scale+0", "scale+2", "scale+4", *sight_places_m(TABLE))
HAND_PX = 0.7


def clicks(camera, rng):
    """Hand clicks on ticks, sights that are in the picture and no card covers, and the middles of the cards."""
    covered = {piece.mark for piece in all_pieces() if piece.mark in sight_places_m(TABLE)} | {"foot-1"}
    names = [
        *(n for n in CLICKED if n not in covered),
        *(p.mark for p in all_pieces() if p.mark.startswith("lane")),
    ]
    made = []
    for name in names:
        u, v = camera.project(mark_point_m(name, TABLE, LANE, SCALE)) + rng.normal(0, HAND_PX, 2)
        if 12 < u < SIZE_PX[0] - 12 and 12 < v < SIZE_PX[1] - 12:
            made.append(Click(name, float(u), float(v)))
    return made


def reading_mm(camera, calibration):
    """What a ball on the lane reads, seen without error by the true camera; 0 is right."""
    r = BALL.radius_m
    ends = np.array([[LANE.x_aim_m, LANE.spot_y_m, r], [LANE.x_aim_m, TABLE.length_m - r, r]])
    start, end = calibration.camera.onto_plane(camera.project(ends), z_m=r)
    return 1000 * calibration.scale.reading_m(end, end - start)


def main(count: int) -> None:
    """Print a row for each place and way."""
    print(f"{'place':26} {'way':9} {'rms error mm':>13} {'largest':>8} {'stated sd':>10}")
    for place, camera in PLACES.items():
        errors = {"clicked": [], "printed": []}
        stated = {"clicked": [], "printed": []}
        for seed in range(count):
            rng = np.random.default_rng([20240611, seed])
            luma, _ = scene_luma(camera, all_pieces(), rng)
            found = find_marks(luma, **SETUP).clicks
            for way, marks in (("clicked", clicks(camera, rng)), ("printed", found)):
                calibration = calibrate(marks, luma=luma, size_px=SIZE_PX, **SETUP)
                errors[way].append(reading_mm(camera, calibration))
                stated[way].append(1000 * lane_sd(calibration)[0])
        for way, values in errors.items():
            rms = float(np.sqrt(np.mean(np.square(values))))
            print(f"{place:26} {way:9} {rms:13.3f} {np.abs(values).max():8.3f} {np.mean(stated[way]):10.3f}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 6)
