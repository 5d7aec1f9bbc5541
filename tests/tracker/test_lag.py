"""What noise reduction mixes in of the frame before: its share found in drawn frames, and taken out exactly."""

from types import SimpleNamespace

import numpy as np
import pytest
from paint_ball import aimed_camera

from tracker.ball_image import Optics, view_ball
from tracker.lag import drift_of_followed_picture, share_of_frame_before
from tracker.motion import Motions, PictureMotion, stood_still
from tracker.shot_pictures import ShotPictures

RADIUS_M = 0.028575
CAMERA = aimed_camera((0.5, 3.6, 1.8), (0.35, 1.5, 0), 1500, (1920, 1080), k1=-0.05, roll_rad=0.02)
WINDOW_PX = (700, 100, 1250, 900)
TIMES_S = np.arange(8) / 60
VELOCITY_M_S = np.array([-0.1, 3.0])


def places_m(speed=1.0):
    """(8, 2) places of the ball, so many times as fast."""
    return np.array([0.4, 1.1]) + TIMES_S[:, None] * speed * VELOCITY_M_S


PLACES_M = places_m()


def drawn(share, *, rng, shadow=4.0, speed=1.0):
    """Frames (8, h, w) of a shaded ball with a soft shadow over uneven cloth, as filmed, and what the lens saw."""
    u0, v0, u1, v1 = WINDOW_PX
    u, v = np.meshgrid(np.arange(u0, u1), np.arange(v0, v1))
    pixels = np.stack([u.ravel(), v.ravel()], axis=1).astype(float)
    cloth = 80 + 10 * np.sin(pixels[:, 0] / 90)
    seen = []
    for place_m in places_m(speed):
        view = view_ball(CAMERA, place_m, VELOCITY_M_S, radius_m=RADIUS_M)
        unit = (pixels - view.centre_px - view.offset_px) @ np.linalg.inv(view.axes_px)
        rho = np.linalg.norm(unit, axis=1)
        ball = 205 - 90 * rho**4 - 20 * unit[:, 1]
        seen.append(np.where(rho < 1, ball, cloth - shadow * np.exp(-((rho / 1.5) ** 2))))
    filmed = [cloth]
    for light in seen:
        filmed.append((1 - share) * light + share * filmed[-1] + rng.normal(0, 1.5, light.shape))
    shape = u.shape
    quantised = [np.rint(one).reshape(shape).astype(np.uint8) for one in filmed[1:]]
    return quantised, [one.reshape(shape) for one in seen], cloth.reshape(shape).astype(np.float32)


def pictures_of(frames, cloth):
    """The shot as its steps see it, of drawn frames."""
    pictures = ShotPictures.__new__(ShotPictures)
    pictures.cut = SimpleNamespace(
        after=list(zip(TIMES_S, frames, strict=True)), before=[(-1 / 60, cloth.round().astype(np.uint8))]
    )
    pictures.calibration = SimpleNamespace(camera=CAMERA, ball=SimpleNamespace(radius_m=RADIUS_M))
    pictures.corridor = SimpleNamespace(window_px=WINDOW_PX, hidden=np.zeros(cloth.shape, bool))
    pictures.scene = SimpleNamespace(background=cloth)
    pictures.motions, pictures.times_s, pictures.mixed_in = stood_still(seen=True), TIMES_S, 0.0
    return pictures


def caught_at(where_m):
    """Sightings at places of the table."""
    return {
        k: SimpleNamespace(centre_px=CAMERA.project(np.array([*place_m, RADIUS_M])))
        for k, place_m in enumerate(where_m)
    }


CAUGHT = caught_at(PLACES_M)


@pytest.mark.parametrize("share", [0.08, 0.15, 0.3])
def test_share_of_the_frame_before_is_found_and_taken_out(share):
    """To 0.01, under a shadow that falls on the same pixels; what is left of the ghost is noise."""
    frames, seen, cloth = drawn(share, rng=np.random.default_rng(20240611))
    pictures = pictures_of(frames, cloth)
    found = share_of_frame_before(pictures, CAUGHT)
    assert found == pytest.approx(share, abs=0.01)
    view = view_ball(CAMERA, PLACES_M[4], VELOCITY_M_S, radius_m=RADIUS_M)
    errors = {}
    for name, one in (("mixed", pictures), ("unmixed", pictures.unmixed(found))):
        _, patch = one.look(4, view, Optics(exposure_s=0.005))
        u, v = np.subtract(patch.origin_px, WINDOW_PX[:2])
        h, w = patch.luma.shape
        errors[name] = np.abs(patch.luma - seen[4][v : v + h, u : u + w])
    assert np.percentile(errors["mixed"], 99) > 80 * share
    assert np.percentile(errors["unmixed"], 99) < 4 * 1.5 / (1 - share)


@pytest.mark.parametrize("share", [0.0, 0.12, 0.3, 0.6])
def test_a_ball_that_moves_by_less_than_its_radius_tells_as_well(share):
    """In the picture it moves by 0.7 of it: a ghost left in such a clip was taken for the ball."""
    frames, _, cloth = drawn(share, rng=np.random.default_rng(20240611), speed=0.7)
    found = share_of_frame_before(pictures_of(frames, cloth), caught_at(places_m(0.7)))
    assert found == pytest.approx(share, abs=0.02)


def test_nothing_is_taken_out_where_nothing_was_mixed_in():
    frames, _, cloth = drawn(0.0, rng=np.random.default_rng(4), shadow=8.0)
    assert share_of_frame_before(pictures_of(frames, cloth), CAUGHT) == 0.0


def test_a_ball_hardly_seen_tells_nothing():
    frames, _, cloth = drawn(0.2, rng=np.random.default_rng(5))
    few = {k: CAUGHT[k] for k in (0, 2, 4, 5)}
    assert share_of_frame_before(pictures_of(frames, cloth), few) == 0.0


@pytest.mark.parametrize(("speed_px", "sd_px"), [(0.0, 0.0), (0.05, 2 * 0.05 / np.sqrt(2))])
def test_a_followed_picture_errs_by_two_frames_of_its_own_motion(speed_px, sd_px):
    """It moves to the right by so much a frame: the error is the mean square of both directions."""
    times_s = np.arange(30) / 60
    looks = tuple(
        PictureMotion(
            shift_px=np.array([speed_px * n, 0.0]), stretch=np.zeros(2), about_px=np.zeros(2), cov=np.eye(4)
        )
        for n in range(30)
    )
    moved = Motions(times_s=times_s, looks=looks, moved_px=30 * speed_px, seen=True)
    assert drift_of_followed_picture(moved, frame_period_s=1 / 60) == pytest.approx(sd_px, abs=1e-12)
    assert drift_of_followed_picture(stood_still(seen=True), frame_period_s=1 / 60) == 0
