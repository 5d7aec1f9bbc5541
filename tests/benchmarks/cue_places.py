"""The cue by camera place and frame rate: errors of direction, axis beside the ball and slope, and their coverage.

    python tests/benchmarks/cue_places.py 6       so many painted strokes of each place and frame rate
    python tests/benchmarks/cue_places.py 6 0 over  the same of places in whose name that stands
    python tests/benchmarks/cue_places.py 0 20    squirt from lane and cue over so many sessions of a usual hand

Painted strokes: light and dark shafts, domes, tapers, directions (0.35 degrees), slopes (3 to 6 degrees) and
places beside the ball at random, a bridge hand, a sleeve and a stick lying beside the ball in half of them. The
camera is as well known as clicked and snapped marks make it. Sessions are drawn as numbers, with errors of the size
that the strokes show.
"""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "analyze"))
sys.path.insert(0, str(Path(__file__).parents[1] / "tracker"))

from drawn_hands import drawn
from paint_cue import LYING, PaintedCue, PaintedScene, paint_cue
from simulated_shots import BALL, LANE, SIZE_PX, look_at
from test_cue_place import calibrated

from analyze.cue.cue_table import Ball
from analyze.cue.equal_contact import equal_contact
from analyze.fit.cue_place import CuePlace, place_axis
from calibrate.errors import NotMeasured
from tracker.cue_sight import CueFrames, sight_cue
from tracker.cue_strip import lay_cue_strip

PLACES = {
    "behind the foot rail, over the lane": look_at((LANE.x_aim_m, 3.7, 1.5), (0.4, 1.3, 0.0), 1530),
    "behind the foot rail, 0.4 m aside": look_at((LANE.x_aim_m + 0.4, 3.7, 1.5), (0.5, 1.3, 0.0), 1530),
    "behind the shooter, 0.4 m aside": look_at((LANE.x_aim_m + 0.4, -1.2, 2.2), (0.5, 1.3, 0.0), 1500),
    "beside the table": look_at((2.4, 0.9, 0.8), (0.35, 0.8, 0.0), 1100),
}
RATES = (30, 60, 120)
STRIKE_S = 0.5
CENTRE_M = np.array([LANE.x_aim_m, LANE.spot_y_m, BALL.radius_m])
QUANTITIES = (("cue_rad", np.degrees, "direction (deg)"), ("side_m", lambda x: 1000 * x, "beside (mm)"))
QUANTITIES = (*QUANTITIES, ("slope_rad", np.degrees, "slope (deg)"))


def a_cue(rng):
    """One cue and stroke: (PaintedCue, its values in the order of `CUE_PARAMETERS`)."""
    values = np.array(
        [
            rng.normal(0, np.radians(0.35)),
            np.radians(rng.uniform(3, 6)),
            rng.uniform(-0.02, 0.02),
            rng.normal(0, 0.002),
        ]
    )
    wood = float(rng.choice([35.0, 120.0, 170.0, 200.0]))
    cue = PaintedCue(
        turn=values[0],
        slope=values[1],
        side_m=values[2],
        up_m=values[3],
        gap_m=0.0,
        wood=wood,
        ferrule=float(rng.choice([60.0, 235.0])),
        tip_radius_m=rng.uniform(0.0055, 0.0068),
        taper=rng.uniform(0.003, 0.005),
    )
    return cue, values


def stroke(camera, cue, rate, rng):
    """Paint the last frames before a strike at 2.5 m/s, and one of the time before."""
    strip = lay_cue_strip(calibrated(camera), tuple(int(n) for n in SIZE_PX), CENTRE_M[:2])
    if strip is None:
        return CueFrames(strip=None, windows=[])
    before_s = (np.arange(max(3, round(0.11 * rate)))[:8] + rng.uniform(0.1, 0.9)) / rate
    scene = LYING if rng.random() < 0.5 else PaintedScene()
    windows = []
    for time_s in (0.3, *before_s[::-1]):
        painted = replace(cue, gap_m=max(2.5 * time_s - 6.0 * time_s**2, 0.0))
        windows.append((STRIKE_S - time_s, paint_cue(camera, strip.window_px, CENTRE_M, painted, rng, scene=scene)))
    return CueFrames(strip=strip, windows=windows)


def by_place(strokes, wanted):
    """Print a line for each frame rate of the places in whose name `wanted` stands."""
    print(f"{strokes} strokes each: root mean square error, share of 95 % intervals that hold, how many told it")
    print(f"{'place':38s} {'rate':>4s}  seen  " + "  ".join(f"{words:>24s}" for *_, words in QUANTITIES))
    held_all = dict.fromkeys((name for name, *_ in QUANTITIES), (0, 0))
    for number, (place, camera) in enumerate(PLACES.items()):
        if wanted not in place:
            continue
        calibration = calibrated(camera)
        for rate in RATES:
            rng = np.random.default_rng([20240611, number, rate])
            found = []
            for _ in range(strokes):
                cue, truth = a_cue(rng)
                sight = sight_cue(stroke(camera, cue, rate, rng), strike_s=STRIKE_S, noise=1.5)
                if isinstance(sight, NotMeasured):
                    continue
                rest_px = camera.project(CENTRE_M) + rng.normal(0, 0.05, 2)
                placed = place_axis(sight, calibration, rest_px=rest_px, rest_cov_px2=np.eye(2) * 0.05**2)
                if isinstance(placed, CuePlace):
                    found.append((placed, truth))
            cells = []
            for index, (name, shown, _) in zip((0, 2, 1), QUANTITIES, strict=True):
                told = [(one, truth[index]) for one, truth in found if one.is_seen(name)]
                if not told:
                    cells.append(f"{'-':>24s}")
                    continue
                off = np.array([one.value(name) - true for one, true in told])
                held = int(np.sum(np.abs(off) < 1.96 * np.array([one.sd(name) for one, _ in told])))
                held_all[name] = (held_all[name][0] + held, held_all[name][1] + len(told))
                cells.append(f"{shown(np.sqrt(np.mean(off**2))):10.3f} {held:3d}/{len(told):<3d} {len(told):3d}")
            print(f"{place:38s} {rate:4d} {len(found):3d}/{strokes:<3d} " + "  ".join(cells), flush=True)
    for name, _, words in QUANTITIES:
        print(f"{words}: 95 % intervals held {held_all[name][0]} of {held_all[name][1]}")


def by_session(sessions):
    """Print the scatter of squirt over sessions of a usual hand: 12 shots of two cues each, 8 controls."""
    rng = np.random.default_rng(20240611)
    rows = []
    for _ in range(sessions):
        shots = drawn(
            rng, n=12, controls=8, aim_sd=0.35, contact_sd=1.2, measured_sd=0.4, shared_mm=rng.normal(0, 0.7)
        )
        found = equal_contact(shots, ball=Ball(radius_mm=28.575, mass_g=165.0), confidence=0.95)
        rows += [(row.lane_sd_deg, row.cue_sd_deg, row.equal_sd_deg) for row in found.rows]
    scatter = np.sqrt(np.mean(np.square(rows), axis=0))
    print(
        f"{sessions} sessions, aim 0.35 deg, contact 1.2 mm, cue seen to 0.05 deg and 0.4 mm: squirt scatters by "
        f"{scatter[0]:.2f} deg from the lane, {scatter[1]:.2f} from the cue, {scatter[2]:.2f} at equal contact"
    )


if __name__ == "__main__":
    strokes = int(sys.argv[1]) if len(sys.argv) > 1 else 6
    if strokes:
        by_place(strokes, sys.argv[3] if len(sys.argv) > 3 else "")
    sessions = int(sys.argv[2]) if len(sys.argv) > 2 else 20
    if sessions:
        by_session(sessions)
