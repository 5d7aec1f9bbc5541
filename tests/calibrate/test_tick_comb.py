"""Scales whose ticks are too fine to be snapped one by one, drawn from behind the shooter."""

from dataclasses import replace

import numpy as np
import pytest
from calibrate_scenes import SIZE_PX, TABLE, camera_at
from drawn_rulers import KINDS, draw

from calibrate.errors import NotMeasured
from calibrate.marks import Click
from calibrate.snap import snap_scale, snap_tick
from calibrate.tick_comb import fit_comb

ENDS = (-4.5, 4.5)


@pytest.fixture(scope="module")
def drawn():
    """An inch ruler, zoomed in upon: some 20 px an inch, and 0.35 px a mm along its ticks."""
    camera = camera_at([0.3, -0.35, 1.8], [0.33, 2.2, 0.0], focal_px=2500.0)
    seeds = (np.random.default_rng([20240611, seed]) for seed in range(20))
    rng = next(rng for rng in seeds if KINDS[str(rng.choice(list(KINDS)))][0] > 20)
    return draw(np.random.default_rng(rng.bit_generator.seed_seq), camera)


def shifted(drawn, by):
    """The scale as clicks that err alike would put it."""
    return replace(drawn.scale, zero_m=drawn.scale.zero_m + by * drawn.scale.unit_m)


def px_per_unit(drawn):
    at = np.array([drawn.scale.zero_m, drawn.scale.line_y_m, TABLE.rail_top_m])
    return float(np.linalg.norm(drawn.camera.project_jacobian(at)[:, 0])) * drawn.scale.unit_m


def test_a_scale_thought_to_lie_elsewhere_is_brought_back(drawn):
    unit_px = px_per_unit(drawn)
    for off_px in (-0.6, 0.0, 0.6):
        found = fit_comb(
            drawn.luma, camera=drawn.camera, scale=shifted(drawn, off_px / unit_px), height_m=TABLE.rail_top_m,
            ends=ENDS, sigma=0.5 / unit_px,
        )  # fmt: skip
        assert found is not None
        left_px = off_px + found.shift * unit_px
        assert abs(left_px) < 3 * found.sd * unit_px
        assert found.sd < 0.5 / unit_px
        assert found.alone_sd > found.sd


def test_clicks_on_fine_ticks_are_bettered_together_or_left_alone(drawn):
    """One by one each would be moved to what stands beside it; together they state no less than they err."""
    numbers = np.array([-4.0, -2.0, 0.0, 2.0, 4.0])
    places = np.column_stack([drawn.scale.ticks_xy_m(numbers), np.full(5, TABLE.rail_top_m)])
    true_px = drawn.camera.project(places)
    errors = np.random.default_rng(20240611).normal(0, 0.7, (5, 2))
    clicks = [Click(f"scale{n:+g}", *place) for n, place in zip(numbers, true_px + errors, strict=True)]
    px_per_m = drawn.camera.project_jacobian(places[2])[:, :2]
    assert isinstance(snap_tick(drawn.luma, clicks[2], px_per_m=px_per_m, unit_m=drawn.scale.unit_m), NotMeasured)
    along = px_per_m[:, 0] / np.linalg.norm(px_per_m[:, 0])
    rough = shifted(drawn, float((errors @ along).mean()) / px_per_unit(drawn))
    snaps = snap_scale(drawn.luma, clicks, camera=drawn.camera, table=TABLE, scale=rough)
    if isinstance(snaps, NotMeasured):
        assert "told to" in snaps.detail
        return
    weights = np.array([1 / (along @ snap.cov_px2 @ along) for snap in snaps])
    missed_px = np.array([(snap.place_px - place) @ along for snap, place in zip(snaps, true_px, strict=True)])
    assert abs(float(weights @ missed_px) / weights.sum()) < 3 / np.sqrt(weights.sum())


def test_what_does_not_repeat_tells_nothing():
    """Plain paper and plain wood, noise alone: the picture alone must not state a place."""
    camera = camera_at([0.3, -0.35, 1.8], [0.33, 2.2, 0.0], focal_px=2500.0)
    width, height = (int(side) for side in SIZE_PX)
    rng = np.random.default_rng(20240611)
    made = draw(rng, camera)
    unit_px = px_per_unit(made)
    for level in (60.0, 200.0):
        found = fit_comb(
            level + rng.normal(0, 2.0, (height, width)), camera=camera, scale=made.scale,
            height_m=TABLE.rail_top_m, ends=ENDS, sigma=0.3 / unit_px,
        )  # fmt: skip
        assert found.alone_sd * unit_px > 0.35
        assert abs(found.shift) < 3 * 0.3 / unit_px
