"""Where the marks are in the picture, which of them can be seen, and clicks as a hand makes them."""

import csv
from pathlib import Path

import numpy as np

from sample_clips.background import printed_scale
from sample_clips.shots import ShotSetup

HAND_SD_PX = 0.7  # spread of a careful click with a mouse, per coordinate


def true_marks(setup: ShotSetup) -> dict[str, tuple[float, float]]:
    """(u, v) of every mark that the resting scene shows, by its name in marks.csv.

    Left out are marks within 5 px of the picture's edge, sights under the paper scale, and rings under the ball.
    """
    scene, lens = setup.scene, setup.lens
    width, height = lens.size_px
    ball_px = lens.project(setup.start_m)
    seen = {}
    for name, place_m in scene.marks().items():
        if not name.startswith("scale") and _under_paper(setup, place_m):
            continue
        u, v = lens.project(np.array(place_m))
        inside = 5 <= u <= width - 6 and 5 <= v <= height - 6
        if inside and np.hypot(u - ball_px[0], v - ball_px[1]) > 1.6 * setup.ball.radius_m * lens.focal_px / 2.5:
            seen[name] = (float(u), float(v))
    return seen


def _under_paper(setup: ShotSetup, place_m: tuple[float, float, float]) -> bool:
    reach_m = setup.scene.sight_radius_m
    if any(sheet.covers(place_m[0], place_m[1], beyond_m=reach_m) for sheet in setup.scene.sheets):
        return True
    if not setup.scene.scale.drawn:
        return False
    strip = printed_scale(setup.scene)
    dx, dy = place_m[0] - setup.scene.scale.zero_x_m, place_m[1] - setup.scene.line_y_m
    far_m = strip.near_m + strip.tone.shape[0] * strip.fine_m
    return abs(dx) < reach_m - strip.left_m and strip.near_m - reach_m < dy < far_m + reach_m


def hand_clicks(setup: ShotSetup, names: tuple[str, ...], *, seed: int) -> dict[str, tuple[float, float]]:
    """Clicks on marks: the true place and the hand's error. Names that are not in the picture are left out."""
    rng = np.random.default_rng(seed)
    places = true_marks(setup)
    errors = {name: rng.normal(0, HAND_SD_PX, 2) for name in names}
    return {
        name: (places[name][0] + float(errors[name][0]), places[name][1] + float(errors[name][1]))
        for name in names
        if name in places
    }


def write_clicks(path: Path, clicks: dict[str, tuple[float, float]]) -> None:
    """Write marks.csv."""
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["mark", "u_px", "v_px"])
        writer.writerows([name, f"{u:.1f}", f"{v:.1f}"] for name, (u, v) in clicks.items())
