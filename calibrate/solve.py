"""From clicked marks to the calibration: snap, adjust, name what is wrong, refuse what cannot work."""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from calibrate.adjust import Adjustment, Scene, adjust
from calibrate.arrays import Bools, Floats
from calibrate.calibration import CALIBRATION_PARAMETERS, Calibration, MarkResidual
from calibrate.errors import MarksError, NotMeasured
from calibrate.mark_scatter import scatter_weighted
from calibrate.marks import Click, MarkKind, mark_kind
from calibrate.precision import lane_sd
from calibrate.scale import RailScale
from calibrate.snap import HAND_SIGMA_PX, Snap, snap_mark, snap_scale
from calibrate.stated import find_contradictions
from calibrate.suspects import Sorted, sort_marks, worst_mark
from calibrate.table import Ball, Lane, Table, sight_places_m
from calibrate.units import deg_from_rad, mm_from_m

MIN_MARKS = 4  # eight coordinates, for the seven values of pose and focal length that priors do not hold
# A calibration worse than this reads worse than the eye does on the ruler (to 1/16 in, 1.6 mm).
WORST_READING_SD_M = 0.003
WORST_DIRECTION_SD_RAD = 0.005  # 0.3 degrees, a tenth of a large squirt: no cue can be told from another by less

N_CALIBRATION = len(CALIBRATION_PARAMETERS)


def calibrate(
    clicks: Sequence[Click],
    *,
    luma: Floats | None,
    size_px: tuple[float, float],
    table: Table,
    lane: Lane,
    ball: Ball,
    scale: RailScale,
    sigma_px: float = HAND_SIGMA_PX,
) -> Calibration:
    """Solve camera and rail scale from clicked marks.

    Parameters
    ----------
    clicks : sequence of Click
        The marks, in any order.
    luma : (H, W) array or None
        Brightness of the picture that was clicked, averaged over still frames; None to use the clicks as they are.
    size_px : tuple of float
        Width and height of the picture.
    table, lane, ball, scale
        The set-up as session.toml gives it; `scale.zero_m` is where the zero tick ought to lie.
    sigma_px : float
        Standard uncertainty of a click that states none, each coordinate.

    Returns
    -------
    Calibration
        With the posterior covariance, never smaller than the residuals allow (scaled by the Birge ratio:
        R. T. Birge, Phys. Rev. 40, 207 (1932)).

    Raises
    ------
    MarksError
        If the marks are too few, lie outside the picture or badly, or do not fit the table.
    """
    calibration, refusal = solve_marks(
        clicks, luma=luma, size_px=size_px, table=table, lane=lane, ball=ball, scale=scale, sigma_px=sigma_px
    )
    if refusal:
        raise MarksError(refusal)
    return calibration


def solve_marks(
    clicks: Sequence[Click],
    *,
    luma: Floats | None,
    size_px: tuple[float, float],
    table: Table,
    lane: Lane,
    ball: Ball,
    scale: RailScale,
    sigma_px: float = HAND_SIGMA_PX,
) -> tuple[Calibration, str]:
    """Solve camera and rail scale however uncertain they come out; for the arguments see `calibrate`.

    Returns
    -------
    Calibration
        The camera that the marks give.
    str
        Why it is too uncertain to measure with; empty where it is not.

    Raises
    ------
    MarksError
        If the marks give no camera at all, or contradict each other.
    """
    clicks = tuple(clicks)
    _check(clicks, size_px)
    scene = Scene(
        names=tuple(click.name for click in clicks),
        size_px=np.array(size_px, dtype=float),
        table=table,
        lane=lane,
        ball=ball,
        scale=scale,
    )
    _check_layout(scene)
    place_px = np.array([[click.u_px, click.v_px] for click in clicks])
    sigmas = np.array([click.sigma_px or sigma_px for click in clicks])
    cov_px2 = np.eye(2) * (sigmas**2)[:, None, None]
    found = sort_marks(scene, place_px, cov_px2)
    snapped = np.zeros(len(clicks), dtype=bool)
    if luma is not None:
        found, snapped = _snap_and_solve(scene, clicks, luma, found, cov_px2)
    contradictions = find_contradictions(scene, found.adjustment)
    blunt = sigmas > SHARP_SIGMA_PX
    weighted, _ = scatter_weighted(scene, found.place_px, found.adjustment, snapped=snapped, blunt=blunt)
    found = replace(found, adjustment=weighted)
    calibration = _calibration(scene, found, place_px, snapped)
    sds = lane_sd(calibration)
    refusal = "" if _badness(sds) <= 1 else _what_to_add(scene, found.adjustment, sds)
    return replace(calibration, doubts=contradictions), refusal


LEAST_TICKS_TOGETHER = 3  # whose common shift can be told from their own errors
# Snapping gives 0.1 to 0.35 px. A place stated to be better than this was found by its picture, not by a hand.
SHARP_SIGMA_PX = 0.3


def _snap_and_solve(
    scene: Scene, clicks: tuple[Click, ...], luma: Floats, rough: Sorted, cov_px2: Floats
) -> tuple[Sorted, Bools]:
    """Snap the clicks with the rough camera and solve again; a snap that does not fit goes back to its click.

    Returns
    -------
    Sorted
        With a note for each mark that was not snapped.
    (N,) array of bool
        Which were snapped.
    """
    camera = scene.camera(rough.adjustment.state)
    points_m, _ = scene.points_m(rough.adjustment.state)
    places, covs, notes = rough.place_px.copy(), cov_px2.copy(), dict(rough.notes)
    snapped = np.zeros(len(clicks), dtype=bool)
    blunt = [
        rough.adjustment.used[i] and (clicks[i].sigma_px or HAND_SIGMA_PX) > SHARP_SIGMA_PX
        for i in range(len(clicks))
    ]
    ticks = [i for i, kind in enumerate(scene.kinds) if kind is MarkKind.TICK and blunt[i]]
    # A printed scale is regular: where enough of it was clicked, all its ticks are found together. One by one, a
    # faint tick was taken for its neighbour's number in rendered pictures of 14 px an inch.
    together = ticks if len(ticks) >= LEAST_TICKS_TOGETHER else []

    def snap_singly(i: int) -> None:
        click = _moved(clicks[i], places[i], covs[i])
        snap = snap_mark(luma, click, camera=camera, point_m=points_m[i], unit_m=scene.scale.unit_m)
        if isinstance(snap, Snap):
            places[i], covs[i], snapped[i] = snap.place_px, snap.cov_px2, True
        else:
            notes[i] = f"not snapped: {snap.reason.slug}, {snap.detail}"

    for i in range(len(clicks)):
        if blunt[i] and i not in together:
            snap_singly(i)
    fit = adjust(scene, places, covs, used=rough.adjustment.used, start=rough.adjustment.state)
    if together:
        whole = snap_scale(
            luma,
            [_moved(clicks[i], places[i], covs[i]) for i in together],
            camera=scene.camera(fit.state),
            table=scene.solved_table(fit.state),
            scale=scene.solved_scale(fit.state),
        )
        found = () if isinstance(whole, NotMeasured) else whole
        for i, snap in zip(together, found, strict=bool(found)):
            places[i], covs[i], snapped[i] = snap.place_px, snap.cov_px2, True
        for i in () if found else together:
            snap_singly(i)
    fit = adjust(scene, places, covs, used=rough.adjustment.used, start=fit.state)
    while (worst := worst_mark(fit)) is not None and snapped[worst]:
        far_px = float(np.linalg.norm(places[worst] - rough.place_px[worst]))
        notes[worst] = f"the snap, {far_px:.1f} px away, does not fit the other marks; the click was used"
        places[worst], covs[worst], snapped[worst] = rough.place_px[worst], cov_px2[worst], False
        fit = adjust(scene, places, covs, used=rough.adjustment.used, start=fit.state)
    again = _leave_out_more(scene, places, covs, fit)
    return Sorted(adjustment=again.adjustment, place_px=places, notes=notes | again.notes), snapped


def _moved(click: Click, place_px: Floats, cov_px2: Floats) -> Click:
    """Return a click as it is used: swapped marks lie where the other was clicked."""
    return Click(click.name, float(place_px[0]), float(place_px[1]), float(np.sqrt(cov_px2[0, 0])))


def _leave_out_more(scene: Scene, places: Floats, covs: Floats, fit: Adjustment) -> Sorted:
    """Leave out a click that the snapped marks, sharper than the hand, show to be wrong."""
    notes: dict[int, str] = {}
    while (worst := worst_mark(fit)) is not None and np.count_nonzero(fit.used) > MIN_MARKS + 2 and len(notes) < 2:
        used = fit.used.copy()
        used[worst] = False
        fit = adjust(scene, places, covs, used=used, start=fit.state)
        missed_px = float(np.linalg.norm(fit.missed_px[worst]))
        notes[worst] = f"left out: {missed_px:.1f} px from where the other marks put it"
    return Sorted(adjustment=fit, place_px=places, notes=notes)


def _check(clicks: tuple[Click, ...], size_px: tuple[float, float]) -> None:
    width_px, height_px = size_px
    for click in clicks:
        if not (-0.5 <= click.u_px <= width_px - 0.5 and -0.5 <= click.v_px <= height_px - 0.5):
            raise MarksError(
                f"{click.name} at ({click.u_px:.0f}, {click.v_px:.0f}) px lies outside the picture of "
                f"{width_px:.0f} x {height_px:.0f} px; were the marks clicked on another clip?"
            )
        mark_kind(click.name)
    if len(clicks) < MIN_MARKS:
        raise MarksError(
            f"{len(clicks)} marks are too few, at least {MIN_MARKS} are needed and ten are good; add sights of the "
            "foot rail, ticks of the scale and markers on the lane"
        )
    if not any(mark_kind(click.name) is MarkKind.TICK for click in clicks):
        raise MarksError(
            "no tick of the scale is among the marks, so nothing says where its zero lies; "
            "click scale+0 and two more"
        )


def _check_layout(scene: Scene) -> None:
    places = scene.nominal_m[:, :2]
    spread = np.linalg.svd(places - places.mean(axis=0), compute_uv=False)
    if spread[1] < 0.02 * spread[0] or spread[1] < 0.02:
        raise MarksError(
            f"all {len(scene.names)} marks lie on one line, which fixes no camera; add marks away from it, "
            "on the lane (lane:300 and the like) or on the long rails"
        )


def _calibration(scene: Scene, found: Sorted, click_px: Floats, snapped: Bools) -> Calibration:
    fit = found.adjustment
    residuals = tuple(
        MarkResidual(
            name=name,
            click_px=(float(click_px[i, 0]), float(click_px[i, 1])),
            used_px=(float(found.place_px[i, 0]), float(found.place_px[i, 1])),
            residual_px=(float(fit.residual_px[i, 0]), float(fit.residual_px[i, 1])),
            sigma_px=math.sqrt(float(np.linalg.eigvalsh(fit.cov_px2[i])[-1])),
            snapped=bool(snapped[i]),
            influence=float(fit.leverage[i]),
            used=bool(fit.used[i]),
            note=found.notes.get(i, ""),
        )
        for i, name in enumerate(scene.names)
    )
    return Calibration(
        camera=scene.camera(fit.state),
        table=scene.solved_table(fit.state),
        lane=scene.lane,
        ball=scene.ball,
        scale=scene.solved_scale(fit.state),
        cov=fit.cov[:N_CALIBRATION, :N_CALIBRATION] * max(1.0, fit.birge),
        residuals=residuals,
        residual_px=float(np.sqrt(np.mean(fit.residual_px[fit.used] ** 2))),
    )


def _badness(sds: tuple[float, float]) -> float:
    """How many times too large the worse of reading's and direction's uncertainty is."""
    return max(sds[0] / WORST_READING_SD_M, sds[1] / WORST_DIRECTION_SD_RAD)


def _what_to_add(scene: Scene, fit: Adjustment, sds: tuple[float, float]) -> str:
    """Say that the marks do not fix reading and direction, and which two more would do most."""
    added: list[str] = []
    for _ in range(2):
        best = min(_candidates(scene, fit, added), key=lambda pair: pair[0], default=None)
        if best:
            added.append(best[1])
    advice = f"add {' and '.join(added)}" if added else "add marks nearer to the lane and the scale"
    return (
        f"these {len(scene.names)} marks leave a reading uncertain by {mm_from_m(sds[0]):.1f} mm and a direction "
        f"by {deg_from_rad(sds[1]):.2f} degrees (one standard uncertainty), too much to measure with; {advice}"
    )


def _candidates(scene: Scene, fit: Adjustment, added: list[str]) -> list[tuple[float, str]]:
    """How bad it would be with one more mark, for every mark in the picture that was not clicked."""
    lane_m = 1000 * (scene.table.length_m - scene.lane.spot_y_m)
    names = [*sight_places_m(scene.table), *(f"scale{n:+d}" for n in (-4, 0, 4))]
    names += [f"lane:{ahead}" for ahead in range(300, int(lane_m) - 100, 300)]
    outcomes = []
    camera = scene.camera(fit.state)
    for name in names:
        if name in scene.names or name in added:
            continue
        more = Scene(
            names=(*scene.names, *added, name),
            size_px=scene.size_px,
            table=scene.table,
            lane=scene.lane,
            ball=scene.ball,
            scale=scene.scale,
        )
        points, _ = more.points_m(fit.state)
        place_px = camera.project(points)
        if not (np.isfinite(place_px).all() and np.all(np.abs(place_px[-1] * 2 / scene.size_px - 1) < 1)):
            continue
        cov_px2 = np.tile(np.eye(2) * HAND_SIGMA_PX**2, (len(place_px), 1, 1))
        used = np.array([*fit.used, *[True] * (len(place_px) - len(fit.used))])
        trial = adjust(more, place_px, cov_px2, used=used, start=fit.state)
        found = Sorted(adjustment=trial, place_px=place_px, notes={})
        badness = _badness(lane_sd(_calibration(more, found, place_px, np.zeros(len(place_px), bool))))
        if math.isfinite(badness):
            outcomes.append((badness, name))
    return outcomes
