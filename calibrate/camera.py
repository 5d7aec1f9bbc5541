"""A pinhole camera with radial distortion: from table to image and back, at any height above the cloth."""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.spatial.transform import Rotation

from calibrate.arrays import Floats, readonly

CAMERA_PARAMETERS = (
    "focal_px",
    "centre_u_px",
    "centre_v_px",
    "k1",
    "k2",
    "rot_x_rad",
    "rot_y_rad",
    "rot_z_rad",
    "trans_x_m",
    "trans_y_m",
    "trans_z_m",
)


@dataclass(frozen=True, eq=False, kw_only=True)
class Camera:
    """Where a point of the table appears in the image.

    ``x_cam_m = R_cam_from_table @ x_m + translation_m`` with camera axes right, down, forward; then
    ``x = X/Z, y = Y/Z``, radial distortion ``x_d = x (1 + k1 r^2 + k2 r^4)`` and ``u = focal x_d + centre``
    (Zhang 2000, as in references of the module's tests). Square pixels.

    Attributes
    ----------
    focal_px : float
        Focal length, in pixels.
    centre_px : (2,) float64
        Principal point (u, v).
    k1, k2 : float
        Radial distortion, for r in units of the focal length.
    rotation_rad : (3,) float64
        Rotation vector of R_cam_from_table.
    translation_m : (3,) float64
        The table's origin in the camera frame, in m.
    size_px : (2,) float64
        Width and height of the image.
    """

    focal_px: float
    centre_px: Floats
    k1: float
    k2: float
    rotation_rad: Floats
    translation_m: Floats
    size_px: Floats

    def __post_init__(self) -> None:
        """Check and freeze the arrays."""
        object.__setattr__(self, "centre_px", readonly("centre_px", self.centre_px, (2,)))
        object.__setattr__(self, "rotation_rad", readonly("rotation_rad", self.rotation_rad, (3,)))
        object.__setattr__(self, "translation_m", readonly("translation_m", self.translation_m, (3,)))
        object.__setattr__(self, "size_px", readonly("size_px", self.size_px, (2,)))
        if not self.focal_px > 0:
            raise ValueError(f"focal_px must be positive, but got {self.focal_px!r}")

    @cached_property
    def R_cam_from_table(self) -> Floats:  # noqa: N802 - the design's name for this matrix
        """(3, 3) rotation from the table frame to the camera frame."""
        return Rotation.from_rotvec(self.rotation_rad.copy()).as_matrix()  # scipy refuses read-only arrays

    @cached_property
    def position_m(self) -> Floats:
        """(3,) place of the camera in the table frame, in m."""
        return -self.R_cam_from_table.T @ self.translation_m

    @cached_property
    def parameters(self) -> Floats:
        """(11,) values in the order of `CAMERA_PARAMETERS`."""
        return np.concatenate(
            [[self.focal_px], self.centre_px, [self.k1, self.k2], self.rotation_rad, self.translation_m]
        )

    def with_parameters(self, values: Floats) -> "Camera":
        """Return this camera with other values, in the order of `CAMERA_PARAMETERS`; shape (11,)."""
        return replace(
            self,
            focal_px=float(values[0]),
            centre_px=values[1:3],
            k1=float(values[3]),
            k2=float(values[4]),
            rotation_rad=values[5:8],
            translation_m=values[8:11],
        )

    def project(self, points_m: Floats) -> Floats:
        """Image of points of the table frame.

        Parameters
        ----------
        points_m : (..., 3) array
            Table frame, in m.

        Returns
        -------
        (..., 2) array
            (u, v) in px. NaN for points behind the camera, which no image shows.
        """
        cam_m = np.asarray(points_m) @ self.R_cam_from_table.T + self.translation_m
        depth_m = np.where(cam_m[..., 2] > 0, cam_m[..., 2], np.nan)
        return self._distorted(cam_m[..., :2] / depth_m[..., None])

    def project_with_jacobian(self, points_m: Floats) -> tuple[Floats, Floats]:
        """Return what `project` and `project_jacobian` do, with half the work."""
        xy, d_camera = self._camera_derivatives(points_m)
        depth_m = np.asarray(points_m) @ self.R_cam_from_table[2] + self.translation_m[2]
        image_px: Floats = np.where(depth_m[..., None] > 0, self._distorted(xy), np.nan)
        return image_px, d_camera @ self.R_cam_from_table

    def _distorted(self, xy: Floats) -> Floats:
        """Image of points by their normalised coordinates, both (..., 2)."""
        r2 = np.sum(xy * xy, axis=-1, keepdims=True)
        image_px: Floats = self.focal_px * xy * (1 + self.k1 * r2 + self.k2 * r2 * r2) + self.centre_px
        return image_px

    def project_jacobian(self, points_m: Floats) -> Floats:
        """Return the derivative of `project` with respect to the point.

        Parameters
        ----------
        points_m : (..., 3) array
            Table frame, in m.

        Returns
        -------
        (..., 2, 3) array
            In px/m.
        """
        _, d_camera = self._camera_derivatives(points_m)
        return d_camera @ self.R_cam_from_table

    def project_parameter_jacobian(self, points_m: Floats) -> Floats:
        """Return the derivative of `project` with respect to the camera's own parameters.

        Parameters
        ----------
        points_m : (..., 3) array
            Table frame, in m.

        Returns
        -------
        (..., 2, 11) array
            In px per unit of each of `CAMERA_PARAMETERS`.

        Notes
        -----
        With ``R(w + dw) = R(w) exp([J dw]x)``, J being the right Jacobian of the rotation group at w (Chirikjian,
        Stochastic Models, Information Theory, and Lie Groups, vol. 2 (2012), eq. 10.86), ``d(R x) = -R [x]x J dw``.
        """
        points = np.asarray(points_m)
        xy, d_camera = self._camera_derivatives(points)
        r2 = np.sum(xy * xy, axis=-1, keepdims=True)
        jacobian = np.zeros((*points.shape[:-1], 2, len(CAMERA_PARAMETERS)))
        jacobian[..., 0] = xy * (1 + self.k1 * r2 + self.k2 * r2 * r2)
        jacobian[..., 0, 1] = jacobian[..., 1, 2] = 1
        jacobian[..., 3] = self.focal_px * xy * r2
        jacobian[..., 4] = self.focal_px * xy * r2 * r2
        turned = -self.R_cam_from_table @ _cross_matrix(points) @ _right_jacobian(self.rotation_rad)
        jacobian[..., 5:8] = d_camera @ turned
        jacobian[..., 8:11] = d_camera
        return jacobian

    def _camera_derivatives(self, points_m: Floats) -> tuple[Floats, Floats]:
        """Undistorted coordinates (..., 2) and derivative (..., 2, 3) of the image by the camera-frame point."""
        cam_m = np.asarray(points_m) @ self.R_cam_from_table.T + self.translation_m
        inv_depth = 1.0 / cam_m[..., 2]
        x, y = cam_m[..., 0] * inv_depth, cam_m[..., 1] * inv_depth
        r2 = x * x + y * y
        radial = 1 + self.k1 * r2 + self.k2 * r2 * r2
        slope = 2 * self.k1 + 4 * self.k2 * r2
        d_distort = np.empty((*x.shape, 2, 2))
        d_distort[..., 0, 0] = radial + slope * x * x
        d_distort[..., 0, 1] = d_distort[..., 1, 0] = slope * x * y
        d_distort[..., 1, 1] = radial + slope * y * y
        d_pinhole = np.zeros((*x.shape, 2, 3))
        d_pinhole[..., 0, 0] = d_pinhole[..., 1, 1] = inv_depth
        d_pinhole[..., 0, 2] = -x * inv_depth
        d_pinhole[..., 1, 2] = -y * inv_depth
        return np.stack([x, y], axis=-1), self.focal_px * (d_distort @ d_pinhole)

    def undistort(self, points_px: Floats) -> Floats:
        """Undistorted normalised coordinates (X/Z, Y/Z) of image points.

        Parameters
        ----------
        points_px : (..., 2) array
            (u, v) in px.

        Returns
        -------
        (..., 2) array
            Dimensionless, camera frame.
        """
        distorted = (np.asarray(points_px) - self.centre_px) / self.focal_px
        r_d = np.sqrt(np.sum(distorted * distorted, axis=-1, keepdims=True))
        r = r_d.copy()
        for _ in range(20):  # Newton on r (1 + k1 r^2 + k2 r^4) = r_d; 4 steps do for phone lenses
            r2 = r * r
            step = (r * (1 + self.k1 * r2 + self.k2 * r2 * r2) - r_d) / (
                1 + 3 * self.k1 * r2 + 5 * self.k2 * r2 * r2
            )
            r = r - step
            if np.all(np.abs(step) < 1e-14):
                break
        xy: Floats = distorted * np.divide(r, r_d, out=np.ones_like(r), where=r_d > 0)
        return xy

    def rays(self, points_px: Floats) -> Floats:
        """Directions in the table frame in which image points are seen from `position_m`.

        Parameters
        ----------
        points_px : (..., 2) array
            (u, v) in px.

        Returns
        -------
        (..., 3) array
            Unit vectors, table frame.
        """
        xy = self.undistort(points_px)
        cam = np.concatenate([xy, np.ones_like(xy[..., :1])], axis=-1)
        rays: Floats = (cam / np.linalg.norm(cam, axis=-1, keepdims=True)) @ self.R_cam_from_table
        return rays

    def onto_plane(self, points_px: Floats, *, z_m: float) -> Floats:
        """Where image points lie on the horizontal plane `z_m` above the cloth.

        Parameters
        ----------
        points_px : (..., 2) array
            (u, v) in px.
        z_m : float
            Height of the plane: 0 for the cloth, the ball's radius for its centre.

        Returns
        -------
        (..., 2) array
            (x, y) in the table frame, in m. NaN where the line of sight does not meet the plane.
        """
        rays = self.rays(points_px)
        with np.errstate(divide="ignore", invalid="ignore"):
            reach_m = (z_m - self.position_m[2]) / rays[..., 2]
        reach_m = np.where(reach_m > 0, reach_m, np.nan)
        return self.position_m[:2] + reach_m[..., None] * rays[..., :2]

    def sphere_outline(self, centre_m: Floats, *, radius_m: float, count: int = 64) -> Floats:
        """Outline of a sphere in the image: the images of its tangency circle.

        Parameters
        ----------
        centre_m : (3,) array
            Centre, table frame, in m.
        radius_m : float
            Radius of the sphere.
        count : int
            How many points, evenly spread round the tangency circle.

        Returns
        -------
        (count, 2) array
            (u, v) in px, in order round the outline.

        Notes
        -----
        The lines of sight that touch the sphere do so on a circle at distance ``d (1 - (R/d)^2)`` along the line to
        the centre, of radius ``R sqrt(1 - (R/d)^2)``. Its image is an ellipse whose centre is NOT the image
        of the sphere's centre.
        """
        axis = np.asarray(centre_m) - self.position_m
        distance_m = float(np.linalg.norm(axis))
        axis = axis / distance_m
        side = np.cross(axis, [0.0, 0.0, 1.0] if abs(axis[2]) < 0.9 else [1.0, 0.0, 0.0])
        side /= np.linalg.norm(side)
        up = np.cross(side, axis)
        sin2 = (radius_m / distance_m) ** 2
        angle = np.linspace(0, 2 * np.pi, count, endpoint=False)[:, None]
        ring_m = radius_m * np.sqrt(1 - sin2) * (np.cos(angle) * side + np.sin(angle) * up)
        return self.project(self.position_m + axis * distance_m * (1 - sin2) + ring_m)


def _cross_matrix(vectors: Floats) -> Floats:
    """Matrices (..., 3, 3) with ``M @ b == cross(vector, b)``."""
    matrix = np.zeros((*vectors.shape, 3))
    x, y, z = np.moveaxis(vectors, -1, 0)
    matrix[..., 0, 1], matrix[..., 0, 2] = -z, y
    matrix[..., 1, 0], matrix[..., 1, 2] = z, -x
    matrix[..., 2, 0], matrix[..., 2, 1] = -y, x
    return matrix


def _right_jacobian(rotation_rad: Floats) -> Floats:
    angle = float(np.linalg.norm(rotation_rad))
    cross = _cross_matrix(rotation_rad)
    if angle < 1e-6:  # the closed form divides nought by nought; the next term is of order angle squared
        return np.eye(3) - cross / 2
    first = (1 - np.cos(angle)) / angle**2
    second = (angle - np.sin(angle)) / angle**3
    right: Floats = np.eye(3) - first * cross + second * cross @ cross
    return right
