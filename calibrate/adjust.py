"""The adjustment: camera and scale fitted to the places of marks by least squares with priors.

The state is `CALIBRATION_PARAMETERS` and two nuisance values that the result does not keep apart: how far the
reading line lies from where session.toml puts it, and how far the sights lie from their nominal set-back.
"""

from dataclasses import dataclass, replace
from functools import cached_property

import cv2
import numpy as np

from calibrate.arrays import Bools, Floats
from calibrate.calibration import CALIBRATION_PARAMETERS
from calibrate.camera import CAMERA_PARAMETERS, Camera
from calibrate.errors import MarksError
from calibrate.marks import MarkKind, mark_kind, mark_point_m, tick_number
from calibrate.scale import RailScale
from calibrate.table import Ball, Lane, Table, sight_places_m

STATE_PARAMETERS = (*CALIBRATION_PARAMETERS, "line_shift_m", "setback_shift_m")
N_STATE = len(STATE_PARAMETERS)
N_CAMERA = len(CAMERA_PARAMETERS)
RAIL_TOP, ZERO, SKEW, STRETCH, LINE_SHIFT, SETBACK_SHIFT = range(N_CAMERA, N_STATE)

# Priors. A phone's main camera has a focal length of 0.7 to 1 times the picture's long side (24 to 28 mm "in 35 mm
# terms", more where stabilisation crops), 0.35 for the widest and 3 for a telephoto: common practice, no source.
FOCAL_PER_LONG_SIDE = 0.9
LOG_FOCAL_SD = 0.6
# Sensor mounting and the crop of stabilisation displace the principal point by up to a few per cent of the width;
# for a camera at rest about 1 %: common practice, no source.
CENTRE_SD_PER_WIDTH = 0.01
# Phones correct distortion in the camera; the rest is small. (Zhang 2000 found -0.23 and 0.19 on a webcam of 1998,
# the size of an uncorrected lens.) Common practice, no source.
K1_SD = 0.1
K2_SD = 0.05
# A tester lays the zero at the aimed sight by eye. The ticks fix it; the prior only says where to look for it.
SCALE_ZERO_SD_M = 0.020
SCALE_SKEW_SD_RAD = 0.005  # 1.5 mm over a scale of 300 mm
SCALE_STRETCH_SD = 0.005  # paper and office printers: half a per cent, common practice, no source
LINE_SHIFT_SD_M = 0.001  # the reading line, laid by eye along the line of sights
SETBACK_SHIFT_SD_M = 0.001  # WPA 2001 allows +- 1/8 in; makers keep to a third of that: common practice, no source
# Pose: only so that a nearly singular system can be inverted and its huge uncertainty seen.
_ROTATION_SD_RAD = 10.0
_TRANSLATION_SD_M = 30.0

# Placement of the marks themselves, each coordinate: common practice, no source.
SIGHT_SD_M = 0.0005
RING_SD_M = 0.0005
TICK_ALONG_SD_M = 0.0001  # a printer's local regularity
TICK_ACROSS_SD_M = 0.0002  # where ticks begin, and waviness of the paper
HEIGHT_SD_M = 0.0003  # a rail top is not quite flat, nor does paper lie quite flat on it
STICKER_HEIGHT_SD_M = 0.0001  # a ring lies on the cloth, as thick as paper

_BEHIND_PX = 1e6  # residual of a mark behind the camera
_FOCAL_GUESSES = (0.5, 0.7, 0.9, 1.2, 1.7, 2.6)  # per long side: steps that the fit converges from


@dataclass(frozen=True, eq=False, kw_only=True)
class Scene:
    """Everything about the set-up that is not to be solved, and where the adjustment starts.

    Attributes
    ----------
    names : tuple of str
        The marks.
    size_px : (2,) float64
        Width and height of the image.
    table, lane, ball, scale
        Nominal, as session.toml gives them.
    """

    names: tuple[str, ...]
    size_px: Floats
    table: Table
    lane: Lane
    ball: Ball
    scale: RailScale

    @cached_property
    def nominal_m(self) -> Floats:
        """(N, 3) nominal places of the marks."""
        return np.array([mark_point_m(name, self.table, self.lane, self.scale) for name in self.names])

    @cached_property
    def kinds(self) -> tuple[MarkKind, ...]:
        """Kind of each mark."""
        return tuple(mark_kind(name) for name in self.names)

    @cached_property
    def on_rail(self) -> Floats:
        """(N,) 1 for marks on the rail top, 0 for those on the cloth."""
        return np.array([0.0 if kind is MarkKind.RING else 1.0 for kind in self.kinds])

    @cached_property
    def ticks(self) -> tuple[Floats, tuple[int, ...]]:
        """Numbers (T,) of the ticks among the marks, and their places in `names`."""
        where = tuple(i for i, kind in enumerate(self.kinds) if kind is MarkKind.TICK)
        return np.array([tick_number(self.names[i]) for i in where]), where

    @cached_property
    def outward(self) -> Floats:
        """(N, 2) direction in which a larger set-back moves each mark; nought for those not sights."""
        further = sight_places_m(replace(self.table, sight_setback_m=self.table.sight_setback_m + 1))
        nominal = sight_places_m(self.table)
        gap = [np.subtract(further[n], nominal[n]) if n in nominal else np.zeros(2) for n in self.names]
        return np.array(gap)

    @cached_property
    def prior_mean(self) -> Floats:
        """(17,) centre of the priors; the focal length's is of its logarithm, see `log_focal_pull`."""
        camera = [self.focal_px, *self.centre_px, *[0.0] * (N_CAMERA - 3)]
        scale = self.scale
        return np.array([*camera, self.table.rail_top_m, scale.zero_m, scale.skew_rad, scale.stretch, 0, 0])

    @cached_property
    def prior_sd(self) -> Floats:
        """(17,) standard deviations of the priors, in the units of the state."""
        centre_sd = CENTRE_SD_PER_WIDTH * float(max(self.size_px))
        camera = [np.inf, centre_sd, centre_sd, K1_SD, K2_SD, *[_ROTATION_SD_RAD] * 3, *[_TRANSLATION_SD_M] * 3]
        scale = [SCALE_ZERO_SD_M, SCALE_SKEW_SD_RAD, SCALE_STRETCH_SD, LINE_SHIFT_SD_M, SETBACK_SHIFT_SD_M]
        return np.array([*camera, self.table.rail_top_sd_m, *scale])

    @property
    def focal_px(self) -> float:
        """Most likely focal length."""
        return FOCAL_PER_LONG_SIDE * float(max(self.size_px))

    @property
    def centre_px(self) -> Floats:
        """Centre of the picture; pixel centres are whole numbers."""
        return (self.size_px - 1) / 2

    def camera(self, state: Floats) -> Camera:
        """Return the camera of a state."""
        return Camera(
            focal_px=float(state[0]),
            centre_px=state[1:3],
            k1=float(state[3]),
            k2=float(state[4]),
            rotation_rad=state[5:8],
            translation_m=state[8:11],
            size_px=self.size_px,
        )

    def solved_scale(self, state: Floats) -> RailScale:
        """Return the scale as it lies according to a state."""
        return replace(
            self.scale,
            zero_m=float(state[ZERO]),
            skew_rad=float(state[SKEW]),
            stretch=float(state[STRETCH]),
            line_y_m=self.scale.line_y_m + float(state[LINE_SHIFT]),
        )

    def solved_table(self, state: Floats) -> Table:
        """Return the table with rail top and set-back of a state."""
        return replace(
            self.table,
            rail_top_m=float(state[RAIL_TOP]),
            sight_setback_m=self.table.sight_setback_m + float(state[SETBACK_SHIFT]),
        )

    def points_m(self, state: Floats) -> tuple[Floats, Floats]:
        """Places of the marks (N, 3), and their derivative (N, 3, 17) by the state."""
        points = self.nominal_m.copy()
        by_state = np.zeros((*points.shape, N_STATE))
        points[:, 2] = self.on_rail * state[RAIL_TOP]
        by_state[:, 2, RAIL_TOP] = self.on_rail
        points[:, :2] += self.outward * state[SETBACK_SHIFT]
        by_state[:, :2, SETBACK_SHIFT] = self.outward
        numbers, where = self.ticks
        if where:
            scale = self.solved_scale(state)
            rows = list(where)
            places = scale.ticks_xy_m(numbers)
            points[rows, :2] = places
            along = places - [scale.zero_m, scale.line_y_m]
            by_state[rows, 0, ZERO] = 1
            by_state[rows, 0, SKEW], by_state[rows, 1, SKEW] = -along[:, 1], along[:, 0]
            by_state[rows, :2, STRETCH] = along / (1 + scale.stretch)
            by_state[rows, 1, LINE_SHIFT] = 1
        return points, by_state

    @cached_property
    def placement_var_m2(self) -> Floats:
        """(N, 3) variances with which the marks lie at their places, along the axes of the table."""
        sd = {
            MarkKind.SIGHT: (SIGHT_SD_M, SIGHT_SD_M, HEIGHT_SD_M),
            MarkKind.RING: (RING_SD_M, RING_SD_M, STICKER_HEIGHT_SD_M),
            MarkKind.TICK: (TICK_ALONG_SD_M, TICK_ACROSS_SD_M, HEIGHT_SD_M),
        }
        return np.array([sd[kind] for kind in self.kinds]) ** 2


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Adjustment:
    """A state fitted to places of marks.

    Attributes
    ----------
    state : (17,) float64
        Values in the order of `STATE_PARAMETERS`.
    cov : (17, 17) float64
        Their posterior covariance, not yet scaled by the residuals.
    residual_px : (N, 2) float64
        Place minus projected mark.
    cov_px2 : (N, 2, 2) float64
        Covariance of each place: of the click or snap, and of the mark's placement.
    hat : (N, 2, 2) float64
        Derivative of each mark's adjusted place by where it was found, both whitened by the Cholesky factor of its
        `cov_px2`.
    leverage : (N,) float64
        Share of its own place that each mark decides; 0 for those not used.
    lift : (N,) float64
        By how much chi-square falls when a mark in use is left out (about chi-square with 2 degrees of freedom
        if the mark is right); for a mark not in use, its squared distance from where the others put it.
    missed_px : (N, 2) float64
        Place minus where the other marks put it.
    used : (N,) bool
        Which marks were used.
    chi2 : float
        Of marks in use and priors.
    """

    state: Floats
    cov: Floats
    residual_px: Floats
    cov_px2: Floats
    hat: Floats
    leverage: Floats
    lift: Floats
    missed_px: Floats
    used: Bools
    chi2: float

    def leverage_along(self, axes: Floats) -> Floats:
        """Share of its own place that each mark decides along each axis of its covariance.

        Parameters
        ----------
        axes : (N, 2, 2) array
            Eigenvectors of `cov_px2` as columns.

        Returns
        -------
        (N, 2) array
            0 to 1.
        """
        # From the whitened frame back to the picture, and to the axes, along which whitening is a division.
        back = np.linalg.cholesky(self.cov_px2)
        turned = np.swapaxes(axes, 1, 2) @ back
        size = np.linalg.norm(turned, axis=2)
        shares: Floats = np.einsum("nij,njk,nik->ni", turned, self.hat, turned) / size**2
        return shares

    @property
    def degrees(self) -> int:
        """Degrees of freedom: pose and focal length are free, every other value has its prior."""
        return max(1, 2 * int(np.count_nonzero(self.used)) - 7)

    @property
    def birge(self) -> float:
        """Chi-square per degree of freedom."""
        return self.chi2 / self.degrees


def adjust(scene: Scene, place_px: Floats, cov_px2: Floats, *, used: Bools, start: Floats | None) -> Adjustment:
    """Fit camera and scale to places of marks.

    Parameters
    ----------
    scene : Scene
        The set-up.
    place_px : (N, 2) array
        Where the marks were found.
    cov_px2 : (N, 2, 2) array
        How well.
    used : (N,) array of bool
        Which of them to use.
    start : (17,) array or None
        Where to start; None to start from closed forms over a range of focal lengths.
    """
    if start is None:
        start = robust_start(scene, place_px, used)
    state = start
    for _ in range(2):  # the placement's share of the weights follows the camera
        total = _total_cov(scene, cov_px2, state)
        state = _descend(scene, place_px, _whitener(total), state, used=used)
    return _summary(scene, place_px, _total_cov(scene, cov_px2, state), state, used)


def adjust_weighted(scene: Scene, place_px: Floats, total_px2: Floats, *, used: Bools, start: Floats) -> Adjustment:
    """Fit camera and scale with whole covariances of the places, (N, 2, 2), the marks' placement included."""
    state = _descend(scene, place_px, _whitener(total_px2), start, used=used)
    return _summary(scene, place_px, total_px2, state, used)


def robust_start(scene: Scene, place_px: Floats, used: Bools) -> Floats:
    """Return the best of several closed-form poses, each polished with weights that a wrong mark cannot pull.

    Raises
    ------
    MarksError
        If no camera above the table sees the marks like that.
    """
    keep = used
    best, best_cost = None, np.inf
    white = np.broadcast_to(np.eye(2) / 2.0, (len(scene.names), 2, 2))  # 2 px: a hand's click and a rough lens
    for factor in _FOCAL_GUESSES:
        start = scene.prior_mean.copy()
        start[0] = factor * float(max(scene.size_px))
        K = np.array([[start[0], 0, start[1]], [0, start[0], start[2]], [0, 0, 1]])
        try:
            count, turns, shifts, _ = cv2.solvePnPGeneric(
                scene.nominal_m[keep], place_px[keep], K, None, flags=cv2.SOLVEPNP_SQPNP
            )
        except cv2.error:
            continue
        for index in range(count):
            start[5:8], start[8:11] = turns[index].ravel(), shifts[index].ravel()
            if not (np.isfinite(start).all() and scene.camera(start).position_m[2] > 0.1):
                continue
            state = _descend(scene, place_px, white, start, used=used, robust=True)
            cost = _cost(scene, place_px, white, state, used, robust=True)
            if cost < best_cost and scene.camera(state).position_m[2] > 0.1:
                best, best_cost = state, cost
    if best is None:
        raise MarksError(
            "no camera above the table sees the marks where they were clicked; check that each click has its right "
            "name (sights count from the shooter's left and from the head) and that the table's size is right"
        )
    return best


def _descend(
    scene: Scene, place_px: Floats, white: Floats, start: Floats, *, used: Bools, robust: bool = False
) -> Floats:
    """Levenberg-Marquardt from `start`, with Cauchy weights if `robust`."""
    state, damping = start.copy(), 1e-3
    cost = _cost(scene, place_px, white, state, used, robust=robust)
    if not np.isfinite(cost):
        return state  # marks behind the camera: no slope leads from here
    # A start need not be polished; many are tried where clicks are wrong.
    small = 1e-4 if robust else 1e-9
    for _ in range(25 if robust else 60):
        normal, gradient = _normal_equations(scene, place_px, white, state, used, robust=robust)
        diagonal = np.diag(normal).copy()
        while damping < 1e8:
            step = np.linalg.solve(normal + damping * np.diag(diagonal), gradient)
            trial = state + step
            trial_cost = _cost(scene, place_px, white, trial, used, robust=robust) if trial[0] > 0 else np.inf
            if trial_cost <= cost:
                break
            damping *= 10
        else:
            return state
        settled = cost - trial_cost < small * (1 + cost)
        state, cost, damping = trial, trial_cost, max(damping / 10, 1e-9)
        if settled:
            break
    return state


def _cost(scene: Scene, place_px: Floats, white: Floats, state: Floats, used: Bools, *, robust: bool) -> float:
    points, _ = scene.points_m(state)
    residual = place_px - scene.camera(state).project(points)
    d2 = np.sum(np.einsum("nij,nj->ni", white, residual) ** 2, axis=1)[used]
    if not np.isfinite(d2).all():
        return np.inf
    prior, _ = prior_pull(scene, state)
    return float((np.log1p(d2 / 4) * 4 if robust else d2).sum() + np.sum(prior**2))


def prior_pull(scene: Scene, state: Floats) -> tuple[Floats, Floats]:
    """Return distances (17,) of a state from its priors, in sd, and their derivative each by its own value."""
    pull = (state - scene.prior_mean) / scene.prior_sd
    slope = 1 / scene.prior_sd
    pull[5:11] = 0  # the pose is free
    pull[0] = np.log(state[0] / scene.focal_px) / LOG_FOCAL_SD
    slope[0] = 1 / (state[0] * LOG_FOCAL_SD)
    return pull, slope


def _whitened(scene: Scene, white: Floats, state: Floats, used: Bools) -> Floats:
    """Whitened derivative (N, 2, 17) of the projected marks by the state; nought for marks not used."""
    points, by_state = scene.points_m(state)
    camera = scene.camera(state)
    jacobian = camera.project_jacobian(points) @ by_state
    jacobian[:, :, :N_CAMERA] += camera.project_parameter_jacobian(points)
    whitened: Floats = (white @ jacobian) * used[:, None, None]
    return whitened


def _normal_equations(
    scene: Scene, place_px: Floats, white: Floats, state: Floats, used: Bools, *, robust: bool
) -> tuple[Floats, Floats]:
    points, _ = scene.points_m(state)
    residual = np.einsum("nij,nj->ni", white, place_px - scene.camera(state).project(points)) * used[:, None]
    jacobian = _whitened(scene, white, state, used)
    weight = 1 / (1 + np.sum(residual**2, axis=1) / 4) if robust else np.ones(len(residual))
    pull, slope = prior_pull(scene, state)
    normal = np.einsum("n,nij,nik->jk", weight, jacobian, jacobian) + np.diag(slope**2)
    gradient = np.einsum("n,nij,ni->j", weight, jacobian, residual) - pull * slope
    return normal, gradient


def _total_cov(scene: Scene, cov_px2: Floats, state: Floats) -> Floats:
    points, _ = scene.points_m(state)
    by_point = scene.camera(state).project_jacobian(points)
    total: Floats = cov_px2 + np.einsum("nij,nj,nkj->nik", by_point, scene.placement_var_m2, by_point)
    return total


def _whitener(cov_px2: Floats) -> Floats:
    """Matrices (N, 2, 2) that turn errors of covariance `cov_px2` into independent ones of unit size."""
    return np.linalg.inv(np.linalg.cholesky(cov_px2))


def _summary(scene: Scene, place_px: Floats, total: Floats, state: Floats, used: Bools) -> Adjustment:
    points, _ = scene.points_m(state)
    residual = place_px - scene.camera(state).project(points)
    residual = np.nan_to_num(residual, nan=_BEHIND_PX)
    white = _whitener(total)
    normal, _ = _normal_equations(scene, place_px, white, state, used, robust=False)
    unit = 1 / np.sqrt(np.diag(normal))  # equal units first: px, m and rad differ by many powers of ten
    cov = np.linalg.inv(normal * np.outer(unit, unit)) * np.outer(unit, unit)
    # Those not in use are judged too, so their derivative is wanted whether used or not.
    jacobian = _whitened(scene, white, state, np.ones(len(used), dtype=bool))
    hat = jacobian @ cov @ np.swapaxes(jacobian, 1, 2)
    shown = np.einsum("nij,nj->ni", white, residual)
    # In use: chi-square falls by r'(1 - H)^-1 r when a mark goes (Cook & Weisberg 1982, section 2.2). Not in use:
    # the others predict it with covariance 1 + H.
    keep = used
    spread = np.eye(2) + np.where(keep, -1.0, 1.0)[:, None, None] * hat
    # A mark that alone decides its place leaves no residual to judge it by.
    spread = spread + 1e-9 * np.eye(2)
    solved = np.linalg.solve(spread, shown[:, :, None])[:, :, 0]
    missed = np.where(keep[:, None], np.linalg.solve(white, solved[:, :, None])[:, :, 0], residual)
    pull, _ = prior_pull(scene, state)
    return Adjustment(
        state=state,
        cov=cov,
        residual_px=residual,
        cov_px2=total,
        hat=hat,
        leverage=np.where(keep, np.trace(hat, axis1=1, axis2=2) / 2, 0.0),
        lift=np.sum(shown * solved, axis=1),
        missed_px=missed,
        used=keep,
        chi2=float(np.sum(shown[keep] ** 2) + np.sum(pull**2)),
    )
