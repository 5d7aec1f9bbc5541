"""What else lies, moves or falls about the cue: how often it is told, and how often told wrongly.

    python tests/benchmarks/cue_scenes.py 12        so many painted strokes of each scene
    python tests/benchmarks/cue_scenes.py 12 stick  the same of scenes in whose name that stands

Painted strokes at 30, 60 and 120 frames a second from the camera places of `cue_places.py` that tell the direction.
The ball leaves as the painted cue sends it (m/m_e = 25), at the speed that it gives; what is seen is held against
that as in a shot. A wrong cue is one whose direction or place beside the ball lies more than three stated standard
uncertainties off, or any cue at all where none is in the picture.
"""

import math
import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "analyze"))
sys.path.insert(0, str(Path(__file__).parents[1] / "tracker"))

from cue_places import CENTRE_M, PLACES, RATES, STRIKE_S, a_cue
from paint_cue import LYING, PaintedScene, paint_cue
from simulated_shots import BALL, SIZE_PX
from test_cue_place import calibrated

from analyze.cue.end_mass import squirt_rad
from analyze.fit.cue_check import Struck, check_cue
from analyze.fit.cue_place import place_axis
from calibrate.errors import NotMeasured
from tracker.cue_sight import CueFrames, sight_cue
from tracker.cue_strip import lay_cue_strip

CUE_M_S, BALL_M_S = 2.5, 3.2
PALE = PaintedScene(cloth=150.0, shadow=0.5)


def at_ease(rng, cue):
    """Nothing else."""
    return lambda time_s: (cue, PaintedScene())


def beside(rng):
    """Where a stick can lie: the bridge hand needs the 25 mm on both sides of the lane."""
    return float(rng.choice([-1, 1]) * rng.uniform(0.025, 0.06))


def lying_stick(rng, cue):
    """Beside the cue, still."""
    scene = replace(LYING, stick_m=(beside(rng), rng.uniform(-0.15, 0.0), -0.02))
    return lambda time_s: (cue, scene)


def moved_stick(rng, cue):
    """A hand draws a stick along, beside the cue or where it would be."""
    speed = np.array([rng.uniform(-0.3, 0.3), rng.uniform(-1.0, 1.0), 0.0])
    end = np.array([beside(rng), rng.uniform(-0.2, -0.05), rng.uniform(-0.02, 0.0)])
    turn = rng.uniform(-0.08, 0.08)
    return lambda time_s: (cue, PaintedScene(stick_m=tuple(end - speed * time_s), stick_turn=turn))


def moved_stick_alone(rng, cue):
    """The same without a cue in the picture."""
    moved = moved_stick(rng, cue)
    return lambda time_s: (None, moved(time_s)[1])


def moved_arm_alone(rng, cue):
    """Hand and forearm slide along the lane; no cue stands out."""
    speed, sleeve = rng.uniform(-0.6, 0.6), rng.choice([40.0, 90.0, 190.0])
    return lambda time_s: (None, PaintedScene(arm_m=-speed * time_s, sleeve=sleeve))


def pale_sleeve(rng, cue):
    """A sleeve as bright as the shaft reaches under it."""
    scene = PaintedScene(sleeve=cue.wood, sleeve_m=rng.uniform(0.0, 0.2))
    return lambda time_s: (cue, scene)


def dark_shaft(rng, cue):
    """Dark wood on dark cloth."""
    dark = replace(cue, wood=rng.uniform(25, 50), ferrule=60.0, butt=30.0)
    return lambda time_s: (dark, PaintedScene(cloth=60.0))


def hard_shadow(rng, cue):
    """A small lamp throws a sharp shadow on pale cloth, beside the shaft."""
    lamp = (rng.uniform(-0.7, 0.7), rng.uniform(-0.2, 0.6), 0.85)
    scene = replace(PALE, lamp_m=lamp, lamp_radius_m=rng.uniform(0.01, 0.08))
    return lambda time_s: (cue, scene)


def shadow_alone(rng, cue):
    """The shaft is as pale as the cloth: its shadow stands out more."""
    scene, pale = hard_shadow(rng, cue)(0.0)[1], replace(cue, wood=185.0, ferrule=190.0)
    return lambda time_s: (pale, scene)


def swerving(rng, cue):
    """The tip goes sideways by 2 to 6 cm a second, turning about the bridge."""
    aside = rng.choice([-1, 1]) * rng.uniform(0.02, 0.06)
    return lambda time_s: (
        replace(cue, side_m=cue.side_m - aside * time_s, turn=cue.turn - aside / 0.25 * time_s),
        PaintedScene(),
    )


SCENES = {
    "nothing else": at_ease,
    "a second stick lies beside it": lying_stick,
    "a hand moves a second stick": moved_stick,
    "a hand moves a stick, no cue to be seen": moved_stick_alone,
    "an arm moves, no cue to be seen": moved_arm_alone,
    "a sleeve as bright as the shaft": pale_sleeve,
    "dark shaft on dark cloth": dark_shaft,
    "sharp shadow on pale cloth": hard_shadow,
    "shaft as pale as the cloth, with a shadow": shadow_alone,
    "a stroke that swerves": swerving,
}


def judge(camera, rate, cue, values, painted, rng):
    """Sight, place and check one stroke: ('right', 'wrong' or a reason, errors over uncertainties)."""
    calibration = calibrated(camera)
    strip = lay_cue_strip(calibration, tuple(int(n) for n in SIZE_PX), CENTRE_M[:2])
    before_s = (np.arange(max(3, round(0.11 * rate)))[:8] + rng.uniform(0.1, 0.9)) / rate
    windows = []
    for time_s in (0.3, 0.2, *before_s[::-1]):
        seen, scene = painted(time_s)
        if seen is not None:
            seen = replace(seen, gap_m=max(CUE_M_S * time_s - 6.0 * time_s**2, 0.0))
        windows.append((STRIKE_S - time_s, paint_cue(camera, strip.window_px, CENTRE_M, seen, rng, scene=scene)))
    sight = sight_cue(CueFrames(strip=strip, windows=windows), strike_s=STRIKE_S, noise=1.5)
    if isinstance(sight, NotMeasured):
        return sight.reason.slug, None
    rest_px = camera.project(CENTRE_M) + rng.normal(0, 0.05, 2)
    contact = values[2] / (1 + cue.tip_radius_m / BALL.radius_m) / BALL.radius_m
    struck = Struck(
        launch_rad=values[0] - squirt_rad(contact, 25.0) + rng.normal(0, math.radians(0.03)),
        launch_sd_rad=math.radians(0.03),
        speed_m_s=BALL_M_S,
        strike_s=STRIKE_S,
        ball_radius_m=BALL.radius_m,
    )
    place = place_axis(sight, calibration, rest_px=rest_px, rest_cov_px2=np.eye(2) * 0.05**2)
    place = check_cue(place, struck)
    if isinstance(place, NotMeasured):
        return place.reason.slug, None
    if painted(0.0)[0] is None:
        return "wrong", None
    off = np.array([(place.value(n) - values[i]) / place.sd(n) for i, n in ((0, "cue_rad"), (2, "side_m"))])
    return ("wrong" if np.abs(off).max() > 3 else "right"), off


def main():
    """Print a line a scene."""
    strokes = int(sys.argv[1]) if len(sys.argv) > 1 else 12
    wanted = sys.argv[2] if len(sys.argv) > 2 else ""
    cameras = list(PLACES.values())[:3]
    print(f"{strokes} strokes each; error over stated uncertainty as root mean square, direction and beside")
    for number, (words, scene) in enumerate(SCENES.items()):
        if wanted not in words:
            continue
        rng = np.random.default_rng([20240611, number])
        outcomes, offs = Counter(), []
        for stroke in range(strokes):
            cue, values = a_cue(rng)
            painted = scene(rng, cue)
            camera, rate = cameras[stroke % len(cameras)], RATES[(stroke // len(cameras)) % len(RATES)]
            outcome, off = judge(camera, rate, cue, values, painted, rng)
            outcomes[outcome] += 1
            if off is not None:
                offs.append(off)
        ratio = np.sqrt(np.mean(np.square(offs), axis=0)) if offs else np.full(2, np.nan)
        said = ", ".join(f"{slug} {n}" for slug, n in outcomes.items() if slug not in ("right", "wrong"))
        print(
            f"{words:42s} right {outcomes['right']:3d}  wrong {outcomes['wrong']:3d}  "
            f"{ratio[0]:5.2f} {ratio[1]:5.2f}  {said}",
            flush=True,
        )


if __name__ == "__main__":
    main()
