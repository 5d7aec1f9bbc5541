"""Table, lane and scale that the second renderer films, and the camera solved from their marks."""

from collections.abc import Iterable

import numpy as np
from second_renderer import LENGTH_M, SIZE_PX, Eye

from calibrate.calibration import Calibration
from calibrate.marks import Click, MarkKind, mark_kind, mark_point_m
from calibrate.scale import RailScale
from calibrate.solve import calibrate
from calibrate.table import TABLES, Ball, Lane

TABLE = TABLES["9ft"]
LANE = Lane(x_aim_m=TABLE.width_m / 4, spot_y_m=0.762)
SCALE = RailScale(line_y_m=LENGTH_M + TABLE.sight_setback_m, zero_m=LANE.x_aim_m)
SHARP_PX = 0.1


def calibrated(
    eye: Eye, rng: np.random.Generator, names: Iterable[str], *, laid_m: float | None = None
) -> Calibration:
    """Solve from marks that lie exactly, or to `laid_m` but for ticks, seen to 0.1 px by this renderer."""
    clicks = []
    for name in names:
        place_m = mark_point_m(name, TABLE, LANE, SCALE)
        if laid_m is not None:
            sd_m = 0.0 if mark_kind(name) is MarkKind.TICK else laid_m
            place_m = place_m + [*rng.normal(0, 1, 2) * sd_m, 0.0]
        u, v = eye.see(place_m) + rng.normal(0, SHARP_PX, 2)
        if 0 <= u < SIZE_PX[0] - 1 and 0 <= v < SIZE_PX[1] - 1:
            clicks.append(Click(name, float(u), float(v)))
    return calibrate(
        clicks,
        luma=None,
        size_px=SIZE_PX,
        table=TABLE,
        lane=LANE,
        ball=Ball(diameter_m=0.05715, mass_kg=0.165),
        scale=SCALE,
        sigma_px=SHARP_PX,
    )
