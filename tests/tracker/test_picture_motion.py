"""The picture's own motion found from its textures: shift, turn and scale, whatever players and lamps do."""

import numpy as np
import pytest
from scipy.ndimage import affine_transform, gaussian_filter, spline_filter

from tracker.motion import PictureMotion, PictureWatch

SIZE = (640, 360)
LANE_PX = np.array([[310.0, 90.0], [290.0, 300.0]])
PERIOD_S = 1 / 60
STILL_S = (0.0, 10 * PERIOD_S + 1e-6)


@pytest.fixture(scope="module")
def room():
    """Blobs of all sizes on an uneven ground, 20 px wider than the picture on each side."""
    rng = np.random.default_rng(20240611)
    shape = (SIZE[1] + 40, SIZE[0] + 40)
    fine, coarse = (gaussian_filter(rng.normal(size=shape), sd) for sd in (1.3, 6.0))
    return spline_filter((110 + 25 * fine / fine.std() + 15 * coarse / coarse.std()).clip(16, 235), 3)


def moved(room, shift_px, turn_rad=0.0, scale=0.0):
    """Picture of the room moved about its middle, and the matrix that takes places of the still one to it."""
    middle = np.array(SIZE) / 2
    linear = np.array([[1 + scale, -turn_rad], [turn_rad, 1 + scale]])
    matrix = np.column_stack([linear, middle + shift_px - linear @ middle])
    # (row, column) of the room for each of the picture; OpenCV would round places to 1/32 px
    back = np.linalg.inv(linear)
    offset = 20 - back @ matrix[:, 2]
    picture = affine_transform(room, back[::-1, ::-1], offset[::-1], SIZE[::-1], order=3, prefilter=False)
    return picture, matrix


@pytest.fixture(scope="module")
def sharp_room():
    """Fine blobs alone: from where they lie to 4 px away, slopes say nothing."""
    rng = np.random.default_rng(20240612)
    fine = gaussian_filter(rng.normal(size=(SIZE[1] + 40, SIZE[0] + 40)), 1.3)
    return spline_filter((110 + 40 * fine / fine.std()).clip(16, 235), 3)


def watched(room, motion, *, rng, player=False, flicker=False):
    """Thirty frames, the first ten still, then `motion(n)` of `moved`; the watch and the true matrices."""
    watch, matrices = PictureWatch(keep_s=10.0), []
    for n in range(30):
        picture, matrix = moved(room, *(motion(n - 10) if n > 10 else ((0.0, 0.0),)))
        if flicker:
            picture = picture * (1 + 0.06 * np.sin(n)) + 3 * np.cos(2 * n)
        if player:
            u = 60 + 9 * n
            picture[40:300, u : u + 130] = 60 + 40 * np.sin(np.arange(130) / 3.0)
        noisy = picture + rng.normal(0, 2.0, picture.shape)
        watch.look(n * PERIOD_S, np.clip(np.rint(noisy), 0, 255).astype(np.uint8))
        matrices.append(matrix)
    return watch, matrices


@pytest.mark.parametrize("effects", [{}, {"player": True}, {"flicker": True}], ids=["alone", "player", "flicker"])
def test_drift_turn_and_scale_are_found(room, effects):
    """Every frame to 0.03 px at both ends of the lane; measured 0.01, a player over a fifth of it or not."""
    drift = lambda n: ((0.11 * n, -0.06 * n), 4e-5 * n, -1e-4 * n)  # noqa: E731 - one line of what moves
    watch, matrices = watched(room, drift, rng=np.random.default_rng(3), **effects)
    motions = watch.motions((0.0, 1.0), STILL_S, LANE_PX)
    assert motions
    assert motions.seen
    errors, sds = [], []
    for n, matrix in enumerate(matrices):
        motion = motions.at(n * PERIOD_S)
        errors.append(motion.from_scene(LANE_PX) - (LANE_PX @ matrix[:, :2].T + matrix[:, 2]))
        sds.append(np.sqrt(np.diag(motion.cov_px2(LANE_PX[0]))))
    assert np.abs(errors).max() < 0.03
    # stated for compression, of which there is none here: not too small, and not ten times too large
    assert np.std(errors) < np.mean(sds) < 10 * np.std(errors)
    farthest = LANE_PX @ matrices[-1][:, :2].T + matrices[-1][:, 2] - LANE_PX
    assert motions.moved_px == pytest.approx(np.hypot(*farthest.T).max(), abs=0.03)


def test_picture_that_stands_still_is_left_alone(room):
    watch, _ = watched(room, lambda _: ((0.0, 0.0),), rng=np.random.default_rng(4), player=True)
    motions = watch.motions((0.0, 1.0), STILL_S, LANE_PX)
    assert not motions
    assert motions.seen
    assert motions.moved_px == 0


def test_nudge_of_some_px_within_the_shot_is_followed(room):
    """From one frame to the next, by more than a patch's texture is wide."""
    watch, matrices = watched(room, lambda n: ((3.3, -2.4) if n > 5 else (0.0, 0.0),), rng=np.random.default_rng(5))
    motions = watch.motions((0.0, 1.0), STILL_S, LANE_PX)
    assert motions.moved_px == pytest.approx(np.hypot(3.3, 2.4), abs=0.03)
    at = motions.at(29 * PERIOD_S).from_scene(LANE_PX)
    np.testing.assert_allclose(at, LANE_PX @ matrices[-1][:, :2].T + matrices[-1][:, 2], rtol=0, atol=0.03)


@pytest.mark.parametrize("jump_px", [(4.0, -3.0), (-4.6, 5.2)])
def test_a_knock_at_the_strike_is_found_wherever_it_threw_the_picture_in_reach(sharp_room, jump_px):
    """By more than the width of the texture: no slope leads there, only a look at every place in reach does."""
    rng = np.random.default_rng(7)
    watch, matrices = watched(sharp_room, lambda _: (jump_px, 2e-3), rng=rng, player=True)
    motions = watch.motions((0.0, 1.0), STILL_S, LANE_PX)
    assert motions.seen
    at = motions.at(29 * PERIOD_S).from_scene(LANE_PX)
    np.testing.assert_allclose(at, LANE_PX @ matrices[-1][:, :2].T + matrices[-1][:, 2], rtol=0, atol=0.05)


def test_a_knock_out_of_reach_is_said(sharp_room):
    """Of a picture that half matches by chance, nothing is said to stand still."""
    watch, _ = watched(sharp_room, lambda n: ((13.0, 9.0) if n > 5 else (0.0, 0.0),), rng=np.random.default_rng(7))
    motions = watch.motions((0.0, 1.0), STILL_S, LANE_PX)
    assert not motions.seen
    assert motions.lost


def test_still_parts_that_compression_froze_are_said(room):
    """A drift of all of the picture would not show: the frames before it are copied bit by bit."""
    rng = np.random.default_rng(8)
    still = np.clip(np.rint(moved(room, (0.0, 0.0))[0] + rng.normal(0, 2, SIZE[::-1])), 0, 255).astype(np.uint8)
    frozen, alive = PictureWatch(keep_s=10.0), PictureWatch(keep_s=10.0)
    for n in range(30):
        frozen.look(n * PERIOD_S, still)
        noise = (rng.uniform(size=still.shape) < 0.02).astype(np.uint8)
        alive.look(n * PERIOD_S, still + noise)
    assert frozen.motions((0.0, 1.0), STILL_S, LANE_PX).hidden_px > 1.0
    assert alive.motions((0.0, 1.0), STILL_S, LANE_PX).hidden_px == 0


def test_a_picture_that_follows_its_drift_in_steps_allows_for_what_it_hid(room):
    """Most patches of most frames are those of the frame before, as compression leaves them."""
    rng = np.random.default_rng(9)
    watch, latest = PictureWatch(keep_s=10.0), None
    for n in range(60):
        if n % 10 == 0:
            picture = moved(room, (0.05 * max(0, n - 10), 0.0))[0] + rng.normal(0, 2, SIZE[::-1])
            latest = np.clip(np.rint(picture), 0, 255).astype(np.uint8)
        watch.look(n * PERIOD_S, latest)
    motions = watch.motions((0.0, 1.0), STILL_S, LANE_PX)
    assert motions.moved_px > 1.0
    assert motions.hidden_px > 0.5  # measured 1.1; the steps are late by 0.22 px on average


@pytest.mark.parametrize("case", ["bare wall", "lens covered"])
def test_picture_without_texture_says_so(room, case):
    """Then nobody knows whether it moved."""
    rng = np.random.default_rng(6)
    watch = PictureWatch(keep_s=10.0)
    for n in range(30):
        wall = np.full(SIZE[::-1], 90.0) if case == "bare wall" or n > 15 else moved(room, (0.0, 0.0))[0]
        watch.look(n * PERIOD_S, np.clip(wall + rng.normal(0, 2, wall.shape), 0, 255).astype(np.uint8))
    motions = watch.motions((0.0, 1.0), STILL_S, LANE_PX)
    assert not motions
    assert not motions.seen


def test_to_and_from_the_scene_undo_each_other():
    motion = PictureMotion(
        shift_px=np.array([1.2, -0.7]),
        stretch=np.array([0.003, -0.002]),
        about_px=np.array([300.0, 200.0]),
        cov=np.eye(4) * 1e-6,
    )
    points = np.array([[10.0, 20.0], [600.0, 350.0]])
    np.testing.assert_allclose(motion.to_scene(motion.from_scene(points)), points, rtol=0, atol=1e-9)
    origin = np.array([100.0, 50.0])
    matrix = motion.matrix(origin)
    inside = (points - origin) @ matrix[:, :2].T + matrix[:, 2] + origin
    np.testing.assert_allclose(inside, motion.from_scene(points), rtol=0, atol=1e-9)


@pytest.mark.parametrize("moved_px", [0.0, 0.6])
def test_a_picture_that_moved_since_the_first_frames_is_told_from_one_that_did_not(room, moved_px):
    """To 0.03 px; measured 0.01. Without the first frames nothing is said."""
    rng = np.random.default_rng(8)
    first = moved(room, (0.0, 0.0))[0] + rng.normal(0, 0.4, SIZE[::-1])
    known, unknown = PictureWatch(keep_s=10.0, first=first), PictureWatch(keep_s=10.0)
    still = moved(room, (moved_px, 0.0))[0]
    for n in range(12):
        luma = np.clip(np.rint(still + rng.normal(0, 2.0, still.shape)), 0, 255).astype(np.uint8)
        for watch in (known, unknown):
            watch.look(n * PERIOD_S, luma)
    motions = known.motions((0.0, 1.0), STILL_S, LANE_PX)
    assert motions.moved_before_px == pytest.approx(moved_px, abs=0.03)
    assert unknown.motions((0.0, 1.0), STILL_S, LANE_PX).moved_before_px is None
