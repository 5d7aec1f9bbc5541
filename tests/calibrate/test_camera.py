"""The camera against OpenCV, worked examples of geometry, and its own inverse."""

import cv2
import numpy as np
import pytest
from calibrate_scenes import behind_foot_rail, behind_shooter, camera_at
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from calibrate.camera import CAMERA_PARAMETERS, Camera


def opencv_arguments(camera):
    K = np.array([[camera.focal_px, 0, camera.centre_px[0]], [0, camera.focal_px, camera.centre_px[1]], [0, 0, 1]])
    return (
        camera.rotation_rad.reshape(3, 1).copy(),
        camera.translation_m.reshape(3, 1).copy(),
        K,
        np.array([camera.k1, camera.k2, 0.0, 0.0]),
    )


@pytest.mark.parametrize("camera", [behind_foot_rail(k2=0.02, roll_rad=0.05), behind_shooter(k2=-0.03)])
def test_projection_is_that_of_opencv(camera):
    """OpenCV 5.0, `projectPoints`: same axes, same k1 and k2."""
    points = np.random.default_rng(20240611).uniform([0, 0.5, 0], [1.27, 2.5, 0.06], (40, 3))
    expected, jacobian = cv2.projectPoints(points, *opencv_arguments(camera))
    np.testing.assert_allclose(camera.project(points), expected[:, 0], rtol=0, atol=1e-9)
    # Its columns: rotation, translation, fx, fy, cx, cy, k1, k2, ...
    own = camera.project_parameter_jacobian(points).reshape(-1, len(CAMERA_PARAMETERS))
    np.testing.assert_allclose(own[:, 5:11], jacobian[:, 0:6], rtol=1e-7, atol=1e-7)
    np.testing.assert_allclose(own[:, 0], jacobian[:, 6] + jacobian[:, 7], rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(own[:, 1:5], jacobian[:, 8:12], rtol=1e-9, atol=1e-9)


def test_distortion_is_what_opencv_calibrates_on_a_board():
    """Twelve views of a synthetic board projected here; OpenCV 5.0, `calibrateCamera`, finds the camera again."""
    truth = camera_at([0, -1, 0.5], [0, 0, 0], focal_px=1480.0, k1=-0.21, k2=0.13, centre_px=[941.0, 552.0])
    board = np.stack([*np.meshgrid(np.arange(11) * 0.04, np.arange(8) * 0.04), np.zeros((8, 11))], axis=-1)
    board = board.reshape(-1, 3) - [0.2, 0.14, 0]
    rng = np.random.default_rng(20240611)
    views = []
    for _ in range(12):
        turned = Rotation.from_rotvec(rng.uniform(-0.6, 0.6, 3)).as_rotvec()
        view = truth.with_parameters(np.array([*truth.parameters[:5], *turned, *rng.uniform(-0.1, 0.1, 2), 0.7]))
        views.append(view.project(board))
    _, K, lens, _, _ = cv2.calibrateCamera(
        [board.astype(np.float32)] * len(views),
        [view.astype(np.float32) for view in views],
        (1920, 1080),
        None,
        None,
        flags=cv2.CALIB_ZERO_TANGENT_DIST | cv2.CALIB_FIX_K3 | cv2.CALIB_FIX_ASPECT_RATIO,
    )
    # Corners are handed over in single precision (1e-4 px); measured differences: 0.003 px, 0.005 px, 2e-5, 2e-4.
    assert K[0, 0] == pytest.approx(1480.0, rel=0, abs=0.02)
    assert K[:2, 2] == pytest.approx([941.0, 552.0], rel=0, abs=0.02)
    assert lens.ravel()[:2] == pytest.approx([-0.21, 0.13], rel=0, abs=1e-3)


def homography_camera():
    """The camera whose view of the cloth is the homography of the worked example below."""
    H = np.array([[425.196850, 410.348706, 420], [0, -328.458943, 880], [0, 0.427446569, 1]])
    # Seen symmetrically about u = 960 with the principal point at (960, 0), its first two columns have equal length
    # in camera units for this focal length only.
    focal = np.sqrt((H[0, 0] ** 2 - H[1, 1] ** 2) / H[2, 1] ** 2)
    pose = np.linalg.inv(np.array([[focal, 0, 960], [0, focal, 0], [0, 0, 1]])) @ H
    pose /= np.linalg.norm(pose[:, 0])
    R = np.column_stack([pose[:, 0], pose[:, 1], np.cross(pose[:, 0], pose[:, 1])])
    return Camera(
        focal_px=float(focal),
        centre_px=[960.0, 0.0],
        k1=0.0,
        k2=0.0,
        rotation_rad=Rotation.from_matrix(R).as_rotvec(),
        translation_m=pose[:, 2],
        size_px=[1920.0, 1080.0],
    )


def test_worked_homography():
    """A 2.54 x 1.27 m cloth seen as a trapezium; corners and inner points worked out by the linear solution (DLT).

    Hartley & Zisserman, Multiple View Geometry, algorithm 4.1 (normalised DLT); numbers computed with numpy's SVD.
    """
    camera = homography_camera()
    corners_m = [[0, 0, 0], [2.54, 0, 0], [2.54, 1.27, 0], [0, 1.27, 0]]
    corners_px = [[420, 880], [1500, 880], [1310, 300], [610, 300]]
    np.testing.assert_allclose(camera.project(np.array(corners_m)), corners_px, rtol=0, atol=1e-3)
    inner = camera.project(np.array([[1.27, 0.635, 0], [0.635, 0.635, 0]]))
    np.testing.assert_allclose(inner, [[960.0, 528.0899], [747.6404, 528.0899]], rtol=0, atol=5e-4)
    back = camera.onto_plane(np.array([960.0, 590.0]), z_m=0.0)
    np.testing.assert_allclose(back, [1.27, 0.49944], rtol=0, atol=6e-6)
    near, far = camera.project_jacobian(np.array([[1.27, 0.2, 0], [1.27, 1.07, 0]]))
    assert [near[0, 0], -near[1, 1]] == pytest.approx([391.710, 597.997], rel=0, abs=2e-3)
    assert [far[0, 0], -far[1, 1]] == pytest.approx([291.757, 331.751], rel=0, abs=2e-3)


@pytest.mark.parametrize(
    ("camera_height_m", "distance_m", "height_m", "shift_mm"),
    [
        (2.0, 1.5, 0.028575, 21.742),
        (1.5, 2.0, 0.028575, 38.840),
        (2.5, 1.0, 0.028575, 11.562),
        (1.2, 2.5, 0.028575, 60.983),
        (2.0, 1.5, 0.0363, 27.728),
    ],
)
def test_worked_parallax(camera_height_m, distance_m, height_m, shift_mm):
    """A point above the cloth appears d h / (H - h) farther from the camera's foot (similar triangles)."""
    camera = camera_at([0.4, -0.3, camera_height_m], [0.6, 1.0, 0], focal_px=1300.0, k1=0.02, roll_rad=0.1)
    bearing = np.array([np.sin(0.2), np.cos(0.2)])
    place = np.array([0.4, -0.3]) + distance_m * bearing
    seen = camera.onto_plane(camera.project(np.array([*place, height_m])), z_m=0.0)
    assert 1000 * (seen - place) @ bearing == pytest.approx(shift_mm, rel=0, abs=5e-4)


@pytest.mark.parametrize(
    ("distance_m", "angle_deg", "shift_px", "long_px", "short_px"),
    [
        (1.0, 20, 0.3369, 32.377, 30.423),
        (1.5, 30, 0.2795, 25.408, 22.002),
        (2.0, 40, 0.2920, 24.353, 18.654),
        (2.5, 50, 0.3769, 27.671, 17.785),
    ],
)
def test_worked_outline_of_a_sphere(distance_m, angle_deg, shift_px, long_px, short_px):
    """Centre and semi-axes of the image of a 57.15 mm ball, f = 1000 px, off axis.

    Closed forms of the cone of tangents: centre f sin t cos t / (cos^2 t - sin^2 p), p = asin(R / d), and semi-axes
    f [tan(t + p) - tan(t - p)] / 2 and f sin p / sqrt(cos^2 t - sin^2 p).
    """
    camera = Camera(
        focal_px=1000.0,
        centre_px=[0.0, 0.0],
        k1=0.0,
        k2=0.0,
        rotation_rad=[0.0, 0.0, 0.0],
        translation_m=[0.0, 0.0, 0.0],
        size_px=[4000.0, 3000.0],
    )
    angle = np.deg2rad(angle_deg)
    centre = distance_m * np.array([np.sin(angle), 0.0, np.cos(angle)])
    outline = camera.sphere_outline(centre, radius_m=0.028575, count=20000)
    low, high = outline.min(axis=0), outline.max(axis=0)
    # The largest of 20,000 points misses the apex by less than 1e-6 of the axis.
    assert (low[0] + high[0]) / 2 - 1000 * np.tan(angle) == pytest.approx(shift_px, rel=0, abs=1e-4)
    assert (high[0] - low[0]) / 2 == pytest.approx(long_px, rel=0, abs=6e-4)
    assert (high[1] - low[1]) / 2 == pytest.approx(short_px, rel=0, abs=6e-4)


@given(
    x_m=st.floats(0, 1.27),
    y_m=st.floats(0.3, 2.54),
    z_m=st.floats(0, 0.06),
    k1=st.floats(-0.15, 0.15),
    k2=st.floats(-0.05, 0.05),
)
def test_back_projection_undoes_projection(x_m, y_m, z_m, k1, k2):
    camera = behind_shooter(k1=k1, k2=k2, roll_rad=-0.07)
    back = camera.onto_plane(camera.project(np.array([x_m, y_m, z_m])), z_m=z_m)
    np.testing.assert_allclose(back, [x_m, y_m], rtol=0, atol=1e-10)


@given(x_m=st.floats(0, 1.27), y_m=st.floats(1.0, 2.54))
def test_a_mirrored_table_gives_a_mirrored_image(x_m, y_m):
    camera = camera_at([0.635, -0.8, 1.7], [0.635, 1.5, 0], focal_px=1400.0, k1=0.05)
    left, right = camera.project(np.array([[x_m, y_m, 0.02], [1.27 - x_m, y_m, 0.02]]))
    assert left[0] - camera.centre_px[0] == pytest.approx(camera.centre_px[0] - right[0], rel=0, abs=1e-8)
    assert left[1] == pytest.approx(right[1], rel=0, abs=1e-8)


def test_point_jacobian_is_the_slope_of_the_projection():
    camera = behind_foot_rail(k2=0.03)
    point = np.array([0.4, 2.1, 0.03])
    step = 1e-6
    slopes = [
        (camera.project(point + step * axis) - camera.project(point - step * axis)) / (2 * step)
        for axis in np.eye(3)
    ]
    np.testing.assert_allclose(camera.project_jacobian(point), np.array(slopes).T, rtol=1e-6, atol=1e-4)


def test_points_behind_the_camera_have_no_image():
    assert np.isnan(behind_shooter().project(np.array([0.1, -3.0, 1.0]))).all()


def test_sight_lines_above_the_horizon_meet_no_cloth():
    assert np.isnan(behind_shooter().onto_plane(np.array([900.0, -9000.0]), z_m=0.0)).all()
