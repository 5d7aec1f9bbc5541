"""A large dark patch on the ball at rest is seen as such; dots, shading and glare are not."""

from dataclasses import replace

import numpy as np
import pytest
from paint_ball import Scene
from scipy.spatial.transform import Rotation
from test_locate import CAMERA, look

from analyze.fit.doubts import DARK_SHARE
from tracker.ball_print import dark_share

RESTING = np.random.default_rng(20240611)


def facing(up_m, right_m):
    """Turn of the ball that brings the middle of its patch towards the camera, and aside of that."""
    towards = CAMERA.position_m - np.array([0.31, 1.5, 0.0]) + [right_m, 0.0, up_m]
    return Rotation.align_vectors(towards[None], np.array([[0.0, 0.0, 1.0]]))[0].as_matrix()


def share_of(scene, y_m):
    _, guess, patch, optics = look(replace(scene, noise=0.7), y_m, RESTING)
    return dark_share(guess, patch, optics, noise=0.7)


@pytest.mark.parametrize("patch_rad", [0.6, 0.75, 1.0])
@pytest.mark.parametrize(("up_m", "right_m"), [(1.2, 0.8), (-0.8, -1.0)])
@pytest.mark.parametrize("y_m", [0.75, 2.2])
def test_a_patch_that_faces_the_camera_is_seen(patch_rad, up_m, right_m, y_m):
    """A little aside: one that fills the face up to the rim makes it a dark ball, and does not count."""
    share = share_of(Scene(patch_rad=patch_rad, spin=facing(up_m, right_m)), y_m)
    assert DARK_SHARE < share < 0.95


@pytest.mark.parametrize(
    "scene",
    [
        Scene(),
        Scene(dots=6),
        Scene(dots=12),
        Scene(shadow=0.9, shine=1.0),
        Scene(lamps=((0.0, 0.0, 1.0, 0.8),), ambient=0.05),
        Scene(lamps=((-0.9, -0.6, 0.5, 0.8),)),
        Scene(cloth=0.03),
        Scene(patch_rad=0.75, spin=facing(0.0, 0.0) @ Rotation.from_euler("x", np.pi).as_matrix()),
    ],
    ids=[
        "plain",
        "dots",
        "many dots",
        "hard shadow and glare",
        "one lamp overhead",
        "a low lamp from behind the ball",
        "dark cloth",
        "a patch on the far side",
    ],
)
def test_no_other_ball_is_taken_for_it(scene):
    """Measured: 0.10 with the low lamp from behind, else 0.04 at most."""
    assert max(share_of(scene, y_m) for y_m in (0.75, 1.5, 2.2)) < DARK_SHARE


def test_a_face_that_is_hidden_says_nothing():
    _, guess, patch, optics = look(Scene(), 1.5, RESTING)
    assert dark_share(guess, replace(patch, hidden=np.ones_like(patch.hidden)), optics, noise=2.0) is None
