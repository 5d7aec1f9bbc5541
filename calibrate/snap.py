"""From a click to the mark itself: sub-pixel places in an averaged picture, each with its covariance.

A hand clicks to about 0.7 px. Sights and ring markers are fitted by their symmetry (`symmetric`), ticks of the
scale across their length (`tick_line`); along a tick the click stays. Where the picture does not support a
snap it is declined with the reason, and the click is used as it is.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibrate.arrays import Floats
from calibrate.camera import Camera
from calibrate.errors import NotMeasured
from calibrate.marks import Click, MarkKind, mark_kind, tick_number
from calibrate.reasons import MARK_AT_BORDER, MARK_COVERED, MARK_FAINT, MARK_FAR
from calibrate.scale import RailScale
from calibrate.symmetric import SymmetricFit, fit_symmetric
from calibrate.table import Table
from calibrate.tick_comb import LEAST_AHEAD, fit_comb
from calibrate.tick_line import TickFit, TickWindow, cut_tick, fit_ticks

# What no residual shows: compression that shifts a whole mark alike, and marks that are not made quite symmetric.
FLOOR_PX = 0.1
HAND_SIGMA_PX = 0.7  # a click by hand at natural zoom, each coordinate: common practice, no source

# Half-lengths that hold a mark: a round sight of 7/16 to 1/2 in, a diamond sight of up to 1 1/4 in (WPA 2001), and
# ring stickers of 10 to 35 mm across (common practice, no source).
_SIGHT_HALF_M = (0.007, 0.014)
_RING_HALF_M = (0.006, 0.009, 0.013, 0.019)
# Without a camera the size is not known; these hold marks of 5 to 40 px.
_UNKNOWN_HALF_PX = (3.0, 6.0, 11.0, 20.0)
_BLUR_PX = 2.8  # lens and compression widen a mark; measured: smaller windows lose the blurred rim of small marks

_REACH_PX = 3.5  # a hand's click is hardly ever farther off
_LEAST_CONTRAST = 2.5  # of the mark to the residual of its fit
_LEAST_DEPTH = 4.0  # of a tick to the residual of its fit; below, compression makes lines of its own
_FAINT = 6.0  # grey levels, rms, below which a mark that fits badly is called faint and not covered
_WORST_SD_PX = 0.35  # half a click's: worse is not worth the risk
# Foreshortened to less than this, ticks of 10 mm are shorter than the 4 px that tell a line from a digit beside it.
# Taken for lines they stated half of their errors on drawn rulers (`tests/benchmarks/fine_scales.py`).
_LEAST_PX_PER_M = 400.0
_WORST_TOGETHER_PX = 0.35  # of a scale as a whole, without its clicks: five of them give 0.3


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Snap:
    """A click moved onto its mark.

    Attributes
    ----------
    place_px : (2,) float64
        (u, v) of the mark.
    cov_px2 : (2, 2) float64
        Its covariance.
    shift_px : (2,) float64
        Place minus click.
    """

    place_px: Floats
    cov_px2: Floats
    shift_px: Floats


def snap_mark(
    luma: Floats, click: Click, *, camera: Camera, point_m: Floats, unit_m: float, sigma_px: float = HAND_SIGMA_PX
) -> Snap | NotMeasured:
    """Snap a click to its mark, by the method for its kind.

    Parameters
    ----------
    luma : (H, W) array
        Brightness, averaged over still frames.
    click : Click
        The click.
    camera : Camera
        At least a rough one: it tells size and slant of the mark.
    point_m : (3,) array
        Where the mark lies, table frame.
    unit_m : float
        Distance between the scale's numbers.
    sigma_px : float
        Standard uncertainty of the click if it states none.
    """
    click = Click(click.name, click.u_px, click.v_px, click.sigma_px or sigma_px)
    px_per_m = camera.project_jacobian(point_m)[:, :2]
    kind = mark_kind(click.name)
    if kind is MarkKind.TICK:
        return snap_tick(luma, click, px_per_m=px_per_m, unit_m=unit_m)
    return (snap_sight if kind is MarkKind.SIGHT else snap_ring)(luma, click, px_per_m=px_per_m)


def snap_sight(luma: Floats, click: Click, *, px_per_m: Floats | None = None) -> Snap | NotMeasured:
    """Snap a click to a sight: a disc or diamond, light or dark.

    Parameters
    ----------
    luma : (H, W) array
        Brightness.
    click : Click
        The click.
    px_per_m : (2, 2) array or None
        Image displacement by table displacement (x, y) at the sight; None where no camera is known yet.
    """
    return _snap_symmetric(luma, click, px_per_m, _SIGHT_HALF_M)


def snap_ring(luma: Floats, click: Click, *, px_per_m: Floats | None = None) -> Snap | NotMeasured:
    """Snap a click to a ring marker on the cloth, light or dark, with or without a dot; see `snap_sight`."""
    return _snap_symmetric(luma, click, px_per_m, _RING_HALF_M)


def snap_tick(luma: Floats, click: Click, *, px_per_m: Floats, unit_m: float) -> Snap | NotMeasured:
    """Snap a click across a tick of the scale; along the tick it stays, with the click's uncertainty.

    Parameters
    ----------
    luma : (H, W) array
        Brightness.
    click : Click
        The click, where the tick meets the reading line.
    px_per_m : (2, 2) array
        Image displacement by table displacement (x, y) at the tick; the reading line runs along x.
    unit_m : float
        Distance between the scale's numbers.
    """
    sigma_px = click.sigma_px or HAND_SIGMA_PX
    start_px = np.array([click.u_px, click.v_px])
    if _too_fine(px_per_m):
        return NotMeasured(MARK_FAINT, f"{click.name}: too fine to be told from what is printed beside it")
    directions, half_width_px, reach_px = _tick_frame(px_per_m, unit_m)
    fits = []
    for side in (1, -1):
        window = cut_tick(luma, start_px, directions, half_width_px=half_width_px, reach_px=reach_px, side=side)
        fits.append(fit_ticks([window], reach_px=reach_px, sigma_px=sigma_px) if window else None)
    fit = _clearer(fits)
    if fit is None:
        return NotMeasured(MARK_AT_BORDER, f"{click.name} at ({click.u_px:.0f}, {click.v_px:.0f}) px")
    shift_px = float(fit.shift_px[0])
    if abs(shift_px) > reach_px + 0.5:
        return NotMeasured(MARK_FAR, f"{click.name}: {abs(shift_px):.1f} px from the click")
    if fit.depth[0] < _LEAST_DEPTH * fit.misfit[0] or fit.joint_sd_px > _WORST_SD_PX:
        return NotMeasured(
            MARK_FAINT, f"{click.name}: {fit.depth[0]:.0f} grey levels, known to {fit.joint_sd_px:.2f} px"
        )
    return _across(start_px, directions, shift_px, float(fit.shift_sd_px[0]), sigma_px)


def snap_scale(
    luma: Floats, clicks: Sequence[Click], *, camera: Camera, table: Table, scale: RailScale
) -> tuple[Snap, ...] | NotMeasured:
    """Snap the clicks on the scale together: all ticks between them, clicked or not, share one shift and stretch.

    Parameters
    ----------
    luma : (H, W) array
        Brightness.
    clicks : sequence of Click
        On ticks of the scale, at least two.
    camera : Camera
        From all other marks, snapped.
    table : Table
        Gives the height of the scale.
    scale : RailScale
        As the clicks put it.

    Returns
    -------
    tuple of Snap or NotMeasured
        One for each click. Each place is that of the scale as a whole; the covariances, taken as independent, add
        up to what the whole scale tells.
    """
    clicked = np.array([tick_number(click.name) for click in clicks])
    if _too_fine(camera.project_jacobian(np.array([scale.zero_m, scale.line_y_m, table.rail_top_m]))[:, :2]):
        return _snap_comb(luma, clicks, clicked, camera=camera, table=table, scale=scale)
    numbers = np.unique([*clicked, *np.arange(np.ceil(clicked.min()), clicked.max() + 0.5)])
    points_m = np.column_stack([scale.ticks_xy_m(numbers), np.full(len(numbers), table.rail_top_m)])
    places_px = camera.project(points_m)
    frames = [_tick_frame(jacobian[:, :2], scale.unit_m) for jacobian in camera.project_jacobian(points_m)]
    per_m = np.linalg.norm(camera.project_jacobian(points_m)[:, :, 0], axis=1)
    mean_per_m = float(per_m.mean())
    along_px = (numbers - numbers.mean()) * scale.unit_m * mean_per_m
    reach_px = frames[0][2]
    sides: list[dict[int, TickWindow]] = []
    for side in (1, -1):
        windows = {}
        for i, (place_px, (directions, half_width_px, _)) in enumerate(zip(places_px, frames, strict=True)):
            window = cut_tick(luma, place_px, directions, half_width_px=half_width_px, reach_px=reach_px, side=side)
            if window:
                windows[i] = replace(window, size=float(per_m[i]) / mean_per_m, offset_px=float(along_px[i]))
        sides.append(windows)
    # The clicks have put the scale where it is sought; they are used up in this, the snaps take their place.
    sigma_px = float(np.mean([click.sigma_px or HAND_SIGMA_PX for click in clicks])) / np.sqrt(len(clicks))
    fits = [
        fit_ticks(tuple(windows.values()), reach_px=reach_px, sigma_px=sigma_px) if windows else None
        for windows in sides
    ]
    fit = _clearer(fits)
    if fit is None:
        return NotMeasured(MARK_AT_BORDER, "the scale")
    windows = sides[fits.index(fit)]
    if np.mean(fit.depth / fit.misfit) < _LEAST_DEPTH / 2 or np.abs(fit.shift_px).max() > 3.5 * sigma_px:
        return NotMeasured(MARK_FAINT, "the scale as a whole does not stand out either")
    rows = {i: row for row, i in enumerate(windows)}
    # What ticks say that were not clicked is shared out among those that were.
    shared = np.sqrt(len(clicks) / len(windows))
    snaps = []
    for click, number in zip(clicks, clicked, strict=True):
        i = int(np.flatnonzero(numbers == number)[0])
        if i not in rows:
            return NotMeasured(MARK_AT_BORDER, click.name)
        # Along the tick the click stays: only its part across is replaced.
        start_px = np.array([click.u_px, click.v_px])
        directions = frames[i][0]
        across_px = float((np.linalg.inv(directions) @ (places_px[i] - start_px))[0] + fit.shift_px[rows[i]])
        sd_px = float(fit.shift_sd_px[rows[i]]) * shared
        snaps.append(_across(start_px, directions, across_px, sd_px, click.sigma_px or HAND_SIGMA_PX))
    return tuple(snaps)


def _too_fine(px_per_m: Floats) -> bool:
    """Whether ticks are too short in the picture to be told from the numbers beside them."""
    return float(np.linalg.norm(px_per_m[:, 1])) < _LEAST_PX_PER_M


def _snap_comb(
    luma: Floats, clicks: Sequence[Click], clicked: Floats, *, camera: Camera, table: Table, scale: RailScale
) -> tuple[Snap, ...] | NotMeasured:
    """Snap the clicks on a scale whose ticks are too fine: all that repeats with its unit shares one shift."""
    points_m = np.column_stack([scale.ticks_xy_m(clicked), np.full(len(clicked), table.rail_top_m)])
    places_px = camera.project(points_m)
    jacobians = camera.project_jacobian(points_m)[:, :, :2]
    units_px = np.linalg.norm(jacobians[:, :, 0], axis=1) * scale.unit_m
    unit_px = float(units_px.mean())
    sigma_px = float(np.mean([click.sigma_px or HAND_SIGMA_PX for click in clicks])) / np.sqrt(len(clicks))
    fit = fit_comb(
        luma,
        camera=camera,
        scale=scale,
        height_m=table.rail_top_m,
        ends=(float(clicked.min()) - 0.5, float(clicked.max()) + 0.5),
        sigma=sigma_px / unit_px,
    )
    if fit is None:
        return NotMeasured(MARK_AT_BORDER, "the scale")
    if (
        fit.alone_sd * unit_px > _WORST_TOGETHER_PX
        or fit.ahead < LEAST_AHEAD
        or abs(fit.shift) * unit_px > 3.5 * sigma_px
    ):
        return NotMeasured(MARK_FAINT, f"the scale as a whole is told to {fit.alone_sd * unit_px:.2f} px only")
    snaps = []
    for click, place_px, jacobian, per_unit_px in zip(clicks, places_px, jacobians, units_px, strict=True):
        start_px = np.array([click.u_px, click.v_px])
        directions = jacobian / np.linalg.norm(jacobian, axis=0)
        across_px = float((np.linalg.inv(directions) @ (place_px - start_px))[0] + fit.shift * per_unit_px)
        # Taken as independent they say together what the whole scale does.
        sd_px = fit.sd * float(per_unit_px) * float(np.sqrt(len(clicks)))
        snaps.append(_across(start_px, directions, across_px, sd_px, click.sigma_px or HAND_SIGMA_PX))
    return tuple(snaps)


def _clearer(fits: Sequence[TickFit | None]) -> TickFit | None:
    """Of the fits on either side of the reading line the one whose lines stand out more: numbers are no lines."""
    found = [fit for fit in fits if fit is not None]
    return min(found, key=lambda fit: fit.joint_sd_px, default=None)


def _tick_frame(px_per_m: Floats, unit_m: float) -> tuple[Floats, float, float]:
    """Directions (2, 2) along reading line and tick, half width and reach in px."""
    lengths = np.linalg.norm(px_per_m, axis=0)
    unit_px = float(lengths[0]) * unit_m
    # Less than half the way to the next number, so that another tick of this size is never taken for it.
    return px_per_m / lengths, float(np.clip(0.35 * unit_px, 3.0, 6.0)), min(_REACH_PX, max(1.0, 0.45 * unit_px))


def _across(start_px: Floats, directions: Floats, shift_px: float, sd_px: float, sigma_px: float) -> Snap:
    along_px = sigma_px * float(np.linalg.norm(np.linalg.inv(directions)[1]))
    sds_px = np.array([np.hypot(sd_px, FLOOR_PX), along_px])
    moved_px = directions[:, 0] * shift_px
    return Snap(place_px=start_px + moved_px, cov_px2=(directions * sds_px**2) @ directions.T, shift_px=moved_px)


def _snap_symmetric(
    luma: Floats, click: Click, px_per_m: Floats | None, half_lengths_m: tuple[float, ...]
) -> Snap | NotMeasured:
    sigma_px = click.sigma_px or HAND_SIGMA_PX
    start_px = np.array([click.u_px, click.v_px])
    if px_per_m is None:
        windows = [np.eye(2) * np.hypot(half, _BLUR_PX) for half in _UNKNOWN_HALF_PX]
    else:
        windows = [_blurred(px_per_m * half) for half in half_lengths_m]
    outcomes = [_judge(luma, click, start_px, window, sigma_px) for window in windows]
    snaps = [outcome for outcome in outcomes if isinstance(outcome, Snap)]
    if snaps:
        return min(snaps, key=lambda snap: float(np.trace(snap.cov_px2)))
    return outcomes[0]


def _blurred(half_axes_px: Floats) -> Floats:
    """Axes of the ellipse that a blur makes of one with these half-axes."""
    squares, axes = np.linalg.eigh(half_axes_px @ half_axes_px.T + _BLUR_PX**2 * np.eye(2))
    blurred: Floats = axes * np.sqrt(squares)
    return blurred


def _judge(luma: Floats, click: Click, start_px: Floats, window: Floats, sigma_px: float) -> Snap | NotMeasured:
    half_px = np.sqrt(np.sum(window**2, axis=1)) + 5
    height, width = luma.shape
    if np.any(start_px < half_px) or np.any(start_px > np.array([width, height]) - 1 - half_px):
        return NotMeasured(MARK_AT_BORDER, f"{click.name} at ({click.u_px:.0f}, {click.v_px:.0f}) px")
    fit = fit_symmetric(luma, start_px, window, reach_px=_REACH_PX)
    if fit is None:
        return NotMeasured(MARK_FAR, f"{click.name}: nothing symmetric within {_REACH_PX:.1f} px")
    shift_px = fit.centre_px - start_px
    cov_px2 = fit.cov_px2 + np.eye(2) * FLOOR_PX**2
    if trouble := _trouble(fit, cov_px2):
        reason = MARK_FAINT if fit.contrast < _FAINT else MARK_COVERED
        return NotMeasured(reason, f"{click.name}: {trouble}")
    length_px = float(np.linalg.norm(shift_px))
    if length_px > max(3.0, 4.5 * sigma_px):
        return NotMeasured(MARK_FAR, f"{click.name}: {length_px:.1f} px from the click")
    return Snap(place_px=fit.centre_px, cov_px2=cov_px2, shift_px=shift_px)


def _trouble(fit: SymmetricFit, cov_px2: Floats) -> str:
    if fit.contrast < _LEAST_CONTRAST * fit.misfit:
        return f"contrast {fit.contrast:.0f} grey levels, {fit.misfit:.0f} left over by a symmetric mark"
    worst_px = float(np.sqrt(np.linalg.eigvalsh(cov_px2)[-1]))
    return f"known to {worst_px:.2f} px only" if worst_px > _WORST_SD_PX else ""
