"""Which number of session.toml the marks contradict: each is tried as if it were unknown.

Marks say more than a camera needs. A number that is wrong by a few times what it may scatter leaves a pattern of
its own in what the marks leave over, or drags values with priors (rail top, stretch of the scale) far from them.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from calibrate.adjust import N_CAMERA, N_STATE, ZERO, Adjustment, Scene, prior_pull
from calibrate.errors import NotMeasured
from calibrate.reasons import MARKS_UNTIDY, SCALE_ZERO, SETTING_UNLIKE
from calibrate.units import mm_from_m

# Chi-square gained by one more unknown, in units of what is left over then: 4 standard deviations. Eight numbers
# are tried, so a right set-up is doubted once in 2,000 calibrations by chance.
LEAST_GAIN = 16.0
_STATED_DEGREES = 8.0
# Two numbers explain the marks about equally well if one gains this share of what the other gains.
_AS_GOOD = 0.8
_MOST_NAMED = 3
# Chi-square per degree of freedom that clicks do not reach by chance, snapped or not.
_UNTIDY_BIRGE = 6.0
# A scale is laid to a few mm by eye; the smallest ticks of rulers stand 1/4 in apart or more.
ZERO_OFF_M = 0.006


@dataclass(frozen=True, slots=True)
class _Number:
    """A number of session.toml, in SI units: how the set-up follows from it, and what is said of it.

    Attributes
    ----------
    stated : float
        Its value.
    tolerance : float
        A difference that makers and tape measures leave, not worth a doubt.
    with_more : callable
        The set-up with so much added to the number.
    say : callable
        What a change of it by so much would be, as text.
    """

    stated: float
    tolerance: float
    with_more: Callable[[float], Scene]
    say: Callable[[float], str]


def find_contradictions(scene: Scene, fit: Adjustment) -> tuple[NotMeasured, ...]:
    """Look for numbers of session.toml that the marks contradict.

    Parameters
    ----------
    scene : Scene
        The set-up as stated.
    fit : Adjustment
        Fitted to the marks.

    Returns
    -------
    tuple of NotMeasured
        What makes every shot measured with this calibration doubtful; empty where all is well.

    Notes
    -----
    Score (Lagrange multiplier) test of one additional unknown at a time, C. R. Rao, Proc. Cambridge Phil. Soc. 44,
    50 (1948); in surveying, W. Baarda, A testing procedure for use in geodetic networks (1968).
    """
    doubts = []
    tried = [(number, *_score(scene, fit, number)) for number in _numbers(scene)]
    telling = [one for one in tried if one[1] > LEAST_GAIN and abs(one[2]) > one[0].tolerance]
    if telling:
        best = max(gain for _, gain, _ in telling)
        named = sorted((one for one in telling if one[1] >= _AS_GOOD * best), key=lambda one: -one[1])
        said = [number.say(more) for number, _, more in named[:_MOST_NAMED]]
        doubts.append(NotMeasured(SETTING_UNLIKE, f"the marks fit better with {' or '.join(said)}"))
    elif fit.birge > _UNTIDY_BIRGE:
        times = np.sqrt(fit.birge)
        doubts.append(
            NotMeasured(MARKS_UNTIDY, f"{times:.1f} times as far apart as clicks on these marks usually are")
        )
    off_m = float(fit.state[ZERO]) - scene.scale.zero_m
    if abs(off_m) > ZERO_OFF_M:
        side = "right" if off_m > 0 else "left"
        meant_mm = mm_from_m(float(fit.state[ZERO]) - scene.lane.x_aim_m)
        doubts.append(
            NotMeasured(
                SCALE_ZERO,
                f"{mm_from_m(abs(off_m)):.1f} mm to the {side}; if it does, set scale.zero_mm = {meant_mm:.0f}",
            )
        )
    return tuple(doubts)


def _score(scene: Scene, fit: Adjustment, number: _Number) -> tuple[float, float]:
    """How much chi-square would fall with a number free, in units of what is left then, and the number's change."""
    step = 1e-3 * max(abs(number.stated), 0.05)
    other = number.with_more(step)
    camera = scene.camera(fit.state)
    white = np.linalg.inv(np.linalg.cholesky(fit.cov_px2))
    used = fit.used
    points_m, by_state = scene.points_m(fit.state)
    moved_px = (camera.project(other.points_m(fit.state)[0]) - camera.project(points_m)) / step
    jacobian = camera.project_jacobian(points_m) @ by_state
    jacobian[:, :, :N_CAMERA] += camera.project_parameter_jacobian(points_m)
    pull, slope = prior_pull(scene, fit.state)
    # What the marks and the priors leave over, by the state, and by the number.
    left = np.concatenate([np.einsum("nij,nj->ni", white, fit.residual_px)[used].ravel(), -pull])
    rows = np.concatenate([(white @ jacobian)[used].reshape(-1, N_STATE), np.diag(slope)])
    shifted = -(other.prior_mean - scene.prior_mean) / step * slope
    column = np.concatenate([np.einsum("nij,nj->ni", white, moved_px)[used].ravel(), shifted])
    basis, _ = np.linalg.qr(rows / np.linalg.norm(rows, axis=0))
    column = column - basis @ (basis.T @ column)
    size = float(column @ column)
    if not size > 0:
        return 0.0, 0.0
    pulled = float(column @ left)
    gain = pulled**2 / size
    # What is stated of clicks counts as much as a handful of marks; where many fit better than that, they decide.
    noise = (_STATED_DEGREES + fit.chi2 - gain) / (_STATED_DEGREES + max(1, fit.degrees - 1))
    return gain / noise, pulled / size


def _numbers(scene: Scene) -> tuple[_Number, ...]:
    """Return the numbers that marks can contradict."""
    table, scale = scene.table, scene.scale
    numbers = [
        _Number(1.0, 0.015, lambda share: _sized(scene, share, share), _say_table),
        _in_mm("table.width_mm", table.width_m, 0.012, lambda m: _sized(scene, m / table.width_m, 0)),
        _in_mm("table.length_mm", table.length_m, 0.015, lambda m: _sized(scene, 0, m / table.length_m)),
        _in_mm(
            "table.rail_top_mm",
            table.rail_top_m,
            4 * table.rail_top_sd_m,
            lambda m: replace(scene, table=replace(table, rail_top_m=table.rail_top_m + m)),
        ),
        _in_mm(
            "table.sight_setback_mm",
            table.sight_setback_m,
            0.005,
            lambda m: replace(scene, table=replace(table, sight_setback_m=table.sight_setback_m + m)),
        ),
        _in_mm(
            "scale.setback_mm",
            scale.line_y_m - table.length_m,
            0.005,
            lambda m: replace(scene, scale=replace(scale, line_y_m=scale.line_y_m + m)),
        ),
        _Number(
            1.0,
            0.02,
            lambda share: replace(scene, scale=replace(scale, stretch=scale.stretch + share)),
            _say_scale,
        ),
    ]
    if any(name.startswith("lane:") for name in scene.names):
        numbers.append(_in_mm("lane.spot_mm", scene.lane.spot_y_m, 0.008, partial(_with_spot, scene)))
    return tuple(numbers)


def _in_mm(key: str, stated_m: float, tolerance_m: float, with_more: Callable[[float], Scene]) -> _Number:
    def say(more_m: float) -> str:
        return f"{key} = {mm_from_m(stated_m + more_m):.0f} (not {mm_from_m(stated_m):.0f})"

    return _Number(stated_m, tolerance_m, with_more, say)


def _say_table(share: float) -> str:
    return f"a table {abs(100 * share):.0f} % {'larger' if share > 0 else 'smaller'} than table.size says"


def _say_scale(share: float) -> str:
    longer = "longer" if share > 0 else "shorter"
    return f"units of the scale {abs(100 * share):.1f} % {longer} than scale.unit says (printed at true size?)"


def _sized(scene: Scene, more_x: float, more_y: float) -> Scene:
    """Give a table wider and longer by these shares, the line of aim through the same sight."""
    table, lane, scale = scene.table, scene.lane, scene.scale
    longer_m = more_y * table.length_m
    aim_m = lane.x_aim_m * (1 + more_x)
    return replace(
        scene,
        table=replace(table, width_m=table.width_m * (1 + more_x), length_m=table.length_m + longer_m),
        lane=replace(lane, x_aim_m=aim_m),
        scale=replace(scale, zero_m=scale.zero_m + aim_m - lane.x_aim_m, line_y_m=scale.line_y_m + longer_m),
    )


def _with_spot(scene: Scene, more_m: float) -> Scene:
    return replace(scene, lane=replace(scene.lane, spot_y_m=scene.lane.spot_y_m + more_m))
