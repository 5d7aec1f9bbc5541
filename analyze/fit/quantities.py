"""What a fitted motion says: reading, launch, squirt, swerve, speeds, with uncertainties and their sources."""

import math
from dataclasses import dataclass, replace

import numpy as np

from analyze.fit.budget import BudgetShare, central_differences, in_turn, propagate
from analyze.fit.motion import crossing_s, slide_time_s, state
from analyze.fit.path_fit import PathFit
from analyze.fit.problem import FIT_PARAMETERS, N_FIT, NUISANCE_PARAMETERS, PULL, motion_parameters
from analyze.fit.slide_nodes import SlideNode
from calibrate.arrays import Floats
from calibrate.calibration import CALIBRATION_PARAMETERS, Calibration
from calibrate.scale import RailScale

QUANTITIES = (
    "reading_m",
    "launch_rad",
    "launch_speed_m_s",
    "rail_speed_m_s",
    "squirt_offset_m",
    "swerve_offset_m",
    "slide_end_m",
)
"""What a shot is asked for, in this order wherever an array holds them.

reading_m: where the path, continued straight from its direction at cushion contact, crosses the scale line.
launch_rad: direction right after the strike, from the lane, positive to the right. squirt_offset_m: reading of the
straight line from the start in that direction. swerve_offset_m: reading minus squirt offset, without what the table
pulls (`analyze.fit.pull`). slide_end_m: y of the
end of the slide, from the spot; beyond the rail it is where the slide would have ended on a longer table.
"""
ARE_SPEEDS = tuple(name.endswith("speed_m_s") for name in QUANTITIES)
"""Which of `QUANTITIES` are speeds."""
BUDGETED = ("reading_m", "launch_rad", "swerve_offset_m")

_SCALE_PARAMETERS = ("scale_zero_m", "scale_skew_rad", "scale_stretch")
_SCALE_AT = [CALIBRATION_PARAMETERS.index(name) for name in _SCALE_PARAMETERS]


def _indices(names: tuple[str, ...], of: tuple[str, ...]) -> list[int]:
    return [of.index(name) for name in names]


# In the order in which `in_turn` hands out shared variance.
_NUISANCE_GROUPS = {
    "lens": _indices(("focal_px", "centre_u_px", "centre_v_px", "k1", "k2"), NUISANCE_PARAMETERS),
    "rail-top": _indices(("rail_top_m",), NUISANCE_PARAMETERS),
    "marks": _indices(
        ("rot_x_rad", "rot_y_rad", "rot_z_rad", "trans_x_m", "trans_y_m", "trans_z_m"), NUISANCE_PARAMETERS
    ),
    "scale": _indices(_SCALE_PARAMETERS, NUISANCE_PARAMETERS),
    "ball-bias": _indices(("ball_bias_u_px", "ball_bias_v_px"), NUISANCE_PARAMETERS),
}
_PRIOR_GROUPS = {
    "timing": _indices(("readout_s", "strike_s"), FIT_PARAMETERS),
    "friction": _indices(("log_mu_s", "log_mu_r"), FIT_PARAMETERS),
    "spin": _indices(("side_slip", "forward_slip"), FIT_PARAMETERS),
    "table": _indices(("pull_m_s2",), FIT_PARAMETERS),
}


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Quantities:
    """Values of `QUANTITIES` for one shot with their joint covariance.

    Attributes
    ----------
    values : (7,) float64
        In the order of `QUANTITIES`.
    cov : (7, 7) float64
        Their covariance, calibration included.
    shares : tuple of BudgetShare
        For each quantity of `BUDGETED`, the share of each source.
    lane_s : float
        Time from strike to cushion contact.
    lane_cov : (8,) float64
        Its covariance with each of `QUANTITIES`, and at the end its variance.
    """

    values: Floats
    cov: Floats
    shares: tuple[BudgetShare, ...]
    lane_s: float
    lane_cov: Floats

    def value(self, quantity: str) -> float:
        """Look up one quantity."""
        return float(self.values[QUANTITIES.index(quantity)])

    def sd(self, quantity: str) -> float:
        """Give the standard uncertainty of one quantity."""
        i = QUANTITIES.index(quantity)
        return math.sqrt(float(self.cov[i, i]))


def evaluate(
    parameters: Floats,
    scale: RailScale,
    *,
    contact_y_m: float,
    spot_y_m: float,
    pull_m_s2: Floats | float = 0.0,
) -> Floats:
    """Compute the quantities of motions.

    Parameters
    ----------
    parameters : (..., 9) array
        In the order of `motion.MOTION_PARAMETERS`.
    scale : RailScale
        The scale as it lies.
    contact_y_m : float
        y of the ball's centre at cushion contact, table frame.
    spot_y_m : float
        y of the cue-ball spot, table frame.
    pull_m_s2 : float or (...) array
        Of the table, to the right.

    Returns
    -------
    (..., 7) array
        In the order of `QUANTITIES`; NaN where a motion does not reach the cushion, or is none.
    """
    contact_s = crossing_s(parameters, contact_y_m)
    times_s = np.stack([contact_s, parameters[..., 2] + slide_time_s(parameters)], axis=-1)
    places, velocities = state(parameters, times_s, pull_m_s2=pull_m_s2)
    level_places, level_velocities = state(parameters, times_s)
    launch, velocity, level_velocity = parameters[..., 3:5], velocities[..., 0, :], level_velocities[..., 0, :]
    # A fit that knows nothing of a speed tries also that of no motion at all, which has no direction.
    moving = np.isfinite(contact_s)[..., None]
    for direction in (launch, velocity, level_velocity):
        moving = moving & direction.any(axis=-1, keepdims=True)

    def reading_m(places_m: Floats, directions: Floats) -> Floats:
        return scale.readings_m(places_m, np.where(moving, directions, [0.0, 1.0]))

    squirt_m = reading_m(parameters[..., :2], launch)
    values = [
        reading_m(places[..., 0, :], velocity),
        np.arctan2(launch[..., 0], launch[..., 1]),
        np.hypot(launch[..., 0], launch[..., 1]),
        np.hypot(velocity[..., 0], velocity[..., 1]),
        squirt_m,
        reading_m(level_places[..., 0, :], level_velocity) - squirt_m,
        places[..., 1, 1] - spot_y_m,
    ]
    return np.where(moving, np.stack(values, axis=-1), np.nan)


def quantities(fit: PathFit, calibration: Calibration) -> Quantities:
    """Compute the quantities of a fitted motion with their uncertainties.

    Parameters
    ----------
    fit : PathFit
        The fitted motion.
    calibration : Calibration
        The one it was fitted with.

    Returns
    -------
    Quantities
        Values, covariance and budget.

    Notes
    -----
    To first order (GUM, eq. 13). The calibration acts twice: it moves the fitted motion (`fit.nuisance_slope`), and
    it moves the scale under it; the two are added before they are squared. Within the fit, the estimate is
    linear in the sightings and in the prior means: ``cov = C (J' W J) C + sum of C P_k C``, which divides it
    exactly among the sightings and each prior. Where the posterior comes in pieces (`fit.nodes`), the values are
    its means, and the spread of the pieces is a source of its own; for the rail speed it reaches every
    piece that is nearly as likely as the likeliest, however narrow the range of slips that it stands for.
    """
    nodes = fit.nodes or (
        SlideNode(
            weight=1.0,
            rise=0.0,
            theta=fit.theta,
            cov=fit.cov,
            nuisance_slope=fit.nuisance_slope,
            pull=np.zeros(len(NUISANCE_PARAMETERS)),
        ),
    )
    pieces = [
        _Piece.of(node, fit, calibration)
        for node in nodes
        if node.weight > _NEGLIGIBLE or node.rise < 2 * _LIKELY_RISE
    ]
    pieces = [piece for piece in pieces if np.isfinite(piece.values).all() and np.isfinite(piece.by_theta).all()]
    if not pieces:
        nothing = np.full(len(QUANTITIES) + 1, np.nan)
        return _quantities(nothing, np.outer(nothing, nothing), ())
    weights = np.array([piece.node.weight for piece in pieces])
    weights /= weights.sum()

    values = weights @ np.array([piece.values for piece in pieces])
    mean_pull = weights @ np.array([piece.node.pull for piece in pieces])
    within = np.zeros((len(values),) * 2)
    between = np.zeros_like(within)
    by_nuisance = np.zeros((len(values), len(NUISANCE_PARAMETERS)))
    for weight, piece in zip(weights, pieces, strict=True):
        away = piece.values - values
        within += weight * propagate(piece.by_theta, piece.node.cov)
        between += weight * np.outer(away, away)
        by_nuisance += weight * (piece.by_nuisance + np.outer(away, piece.node.pull - mean_pull))
    between = _reaching(between, pieces, values)
    # What drags all places alike down the lane scales both speeds; directions and readings it leaves alone.
    dragged = _BY_DRAG * fit.error_priors.speed_share_sd * values
    cov = within + between + propagate(by_nuisance, fit.nuisance_cov) + np.outer(dragged, dragged)
    shares = _shares(fit, weights, pieces, between=np.diag(between), by_nuisance=by_nuisance)
    return _quantities(values, (cov + cov.T) / 2, shares)


def _quantities(values: Floats, cov: Floats, shares: tuple[BudgetShare, ...]) -> Quantities:
    """Part the time on the lane, which is last, from what a shot is asked for."""
    return Quantities(
        values=values[:-1], cov=cov[:-1, :-1], shares=shares, lane_s=float(values[-1]), lane_cov=cov[-1]
    )


def with_lane_time(found: Quantities, lane_s: float, sd_s: float) -> Quantities:
    """Return the quantities with the speeds as they are where the time on the lane is measured by other means.

    Parameters
    ----------
    found : Quantities
        As the sightings alone give them.
    lane_s, sd_s : float
        Time from strike to cushion contact, and its standard uncertainty, independent of the sightings.

    Returns
    -------
    Quantities
        Directions and readings as they were: a time tells nothing of them that a picture does not tell better. So
        is a speed that is hardly known: it hangs on a slide of a few centimetres, and not in proportion.

    Notes
    -----
    Best linear estimate of the speeds from both (Gauss and Markov), and the covariance of what such a gain gives,
    ``P - K h' P - (K h' P)' + K s K'``.
    """
    surprise2 = float(found.lane_cov[-1]) + sd_s**2
    known = np.sqrt(np.diag(found.cov)) < _KNOWN_SHARE * np.abs(found.values)
    gain = np.where((_BY_DRAG[:-1] > 0) & known, found.lane_cov[:-1] / surprise2, 0.0)
    told = np.outer(gain, found.lane_cov[:-1])
    cov = found.cov - told - told.T + surprise2 * np.outer(gain, gain)
    return replace(found, values=found.values + gain * (lane_s - found.lane_s), cov=cov)


_NEGLIGIBLE = 1e-4  # weight of a node, of 1
# Of minus twice the logarithm of a density: a slip no less likely than this belongs to a 95 % interval (chi-square
# with one degree of freedom).
_LIKELY_RISE = 1.959964**2
# Launch speeds of 150 simulated shots that were known worse than this were made no better by the time on the lane.
_KNOWN_SHARE = 0.03
# Of each quantity, and of the time on the lane, which comes last: by which power speeds scale it.
_BY_DRAG = np.array([*ARE_SPEEDS, -1.0])


@dataclass(frozen=True, slots=True, eq=False)
class _Piece:
    """One Gaussian of the posterior: quantities there, the time on the lane last, and their derivatives."""

    node: SlideNode
    values: Floats
    by_theta: Floats
    by_nuisance: Floats

    @classmethod
    def of(cls, node: SlideNode, fit: PathFit, calibration: Calibration) -> "_Piece":
        scale, spot_y_m = calibration.scale, calibration.lane.spot_y_m

        def at(theta: Floats, moved: RailScale) -> Floats:
            parameters = motion_parameters(theta)
            values = evaluate(
                parameters,
                moved,
                contact_y_m=fit.contact_y_m,
                spot_y_m=spot_y_m,
                pull_m_s2=theta[..., PULL],
            )
            lane_s = crossing_s(parameters, fit.contact_y_m) - parameters[..., 2]
            return np.concatenate([values, lane_s[..., None]], axis=-1)

        def of_scale(inputs: Floats) -> Floats:
            moved = RailScale(
                line_y_m=scale.line_y_m,
                zero_m=scale.zero_m + inputs[0],
                skew_rad=scale.skew_rad + inputs[1],
                stretch=scale.stretch + inputs[2],
                unit_m=scale.unit_m,
            )
            return at(node.theta, moved)

        # A fixed slip has no uncertainty, but needs a step all the same. All steps are computed at once.
        steps = np.maximum(0.02 * np.sqrt(np.diag(node.cov)), 1e-7)
        up, down = at(node.theta + np.stack([np.diag(steps), -np.diag(steps)]), scale)
        by_theta = ((up - down) / (2 * steps[:, None])).T
        by_nuisance = by_theta @ node.nuisance_slope
        by_nuisance[:, _SCALE_AT] += central_differences(of_scale, np.zeros(3), np.full(3, 1e-5))
        return cls(node, at(node.theta, scale), by_theta, by_nuisance)


def _reaching(between: Floats, pieces: list[_Piece], values: Floats) -> Floats:
    """Widen the spread of the rail speed until its 95 % interval holds each slip that the sightings leave likely.

    A slide that ends within a few centimetres of the rail is a small part of all that may have happened, so it
    hardly counts in a variance; yet it is seen no worse than a slide up to the rail, and leaves another rail speed.
    """
    at = QUANTITIES.index("rail_speed_m_s")
    rises = np.array([piece.node.rise for piece in pieces])
    away = np.array([piece.values[at] for piece in pieces]) - values[at]
    likely = rises <= _LIKELY_RISE
    if len(pieces) == 1 or not likely.any():
        return between
    reach = float(np.max(np.abs(away[likely])))
    for inside, outside in ((i, j) for k in range(len(pieces) - 1) for i, j in ((k, k + 1), (k + 1, k))):
        if likely[inside] and not likely[outside]:
            way = (_LIKELY_RISE - rises[inside]) / (rises[outside] - rises[inside])
            reach = max(reach, abs(float(away[inside] + way * (away[outside] - away[inside]))))
    wider = np.ones(len(values))
    if between[at, at] > 0:
        wider[at] = max(1.0, reach / math.sqrt(_LIKELY_RISE * between[at, at]))
    widened: Floats = between * np.outer(wider, wider)
    return widened


def _shares(
    fit: PathFit, weights: Floats, pieces: list[_Piece], *, between: Floats, by_nuisance: Floats
) -> tuple[BudgetShare, ...]:
    """Divide the variance of each budgeted quantity among its sources."""
    shares = []
    for quantity in BUDGETED:
        i = QUANTITIES.index(quantity)
        parts = in_turn(by_nuisance[i], fit.nuisance_cov, tuple(_NUISANCE_GROUPS.values()))
        variances = dict(zip(_NUISANCE_GROUPS, parts, strict=True))
        by_prior, all_within = np.zeros(N_FIT), 0.0
        for weight, piece in zip(weights, pieces, strict=True):
            gain = piece.by_theta[i] @ piece.node.cov
            by_prior += weight * gain**2 * fit.prior_precision
            all_within += weight * float(gain @ piece.by_theta[i])
        variances |= {source: by_prior[group].sum() for source, group in _PRIOR_GROUPS.items()}
        variances["ball"] = all_within - by_prior.sum()
        variances["slide-end"] = between[i]
        shares += [
            BudgetShare(source=source, quantity=quantity, sd=math.sqrt(max(float(v), 0.0)))
            for source, v in variances.items()
        ]
    return tuple(shares)
