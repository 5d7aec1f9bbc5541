"""What a fitted motion says: reading, launch, squirt, swerve, speeds, with uncertainties and their sources."""

import math
from dataclasses import dataclass

import numpy as np

from analyze.budget import BudgetShare, central_differences, in_turn
from analyze.motion import crossing_s, slide_time_s, state
from analyze.path_fit import FIT_PARAMETERS, NUISANCE_PARAMETERS, PathFit, motion_parameters
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
straight line from the start in that direction. swerve_offset_m: reading minus squirt offset. slide_end_m: y of the
end of the slide, from the spot; beyond the rail it is where the slide would have ended on a longer table.
"""
BUDGETED = ("reading_m", "launch_rad", "swerve_offset_m")

_N_FIT = len(FIT_PARAMETERS)
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
    """

    values: Floats
    cov: Floats
    shares: tuple[BudgetShare, ...]

    def value(self, quantity: str) -> float:
        """Look up one quantity."""
        return float(self.values[QUANTITIES.index(quantity)])

    def sd(self, quantity: str) -> float:
        """Give the standard uncertainty of one quantity."""
        i = QUANTITIES.index(quantity)
        return math.sqrt(float(self.cov[i, i]))


def evaluate(parameters: Floats, scale: RailScale, *, contact_y_m: float, spot_y_m: float) -> Floats:
    """Compute the quantities of one motion.

    Parameters
    ----------
    parameters : (9,) array
        In the order of `motion.MOTION_PARAMETERS`.
    scale : RailScale
        The scale as it lies.
    contact_y_m : float
        y of the ball's centre at cushion contact, table frame.
    spot_y_m : float
        y of the cue-ball spot, table frame.

    Returns
    -------
    (7,) array
        In the order of `QUANTITIES`; NaN where the motion does not reach the cushion.
    """
    contact_s = float(crossing_s(parameters, contact_y_m))
    slide_s = float(slide_time_s(parameters))
    places, velocities = state(parameters, np.array([contact_s, parameters[2] + slide_s]))
    launch = parameters[3:5]
    if not math.isfinite(contact_s):
        return np.full(len(QUANTITIES), np.nan)
    reading_m = scale.reading_m(places[0], velocities[0])
    squirt_m = scale.reading_m(parameters[:2], launch)
    return np.array(
        [
            reading_m,
            math.atan2(launch[0], launch[1]),
            math.hypot(launch[0], launch[1]),
            math.hypot(velocities[0, 0], velocities[0, 1]),
            squirt_m,
            reading_m - squirt_m,
            places[1, 1] - spot_y_m,
        ]
    )


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
    exactly among the sightings and each prior.
    """
    spot_y_m = calibration.lane.spot_y_m

    def of_inputs(inputs: Floats) -> Floats:
        scale = calibration.scale
        moved = RailScale(
            line_y_m=scale.line_y_m,
            zero_m=scale.zero_m + inputs[_N_FIT],
            skew_rad=scale.skew_rad + inputs[_N_FIT + 1],
            stretch=scale.stretch + inputs[_N_FIT + 2],
            unit_m=scale.unit_m,
        )
        parameters = motion_parameters(fit.theta + inputs[:_N_FIT])
        return evaluate(parameters, moved, contact_y_m=fit.contact_y_m, spot_y_m=spot_y_m)

    steps = np.concatenate([0.02 * np.sqrt(np.diag(fit.cov)), [1e-5, 1e-5, 1e-5]])
    at = np.zeros(_N_FIT + 3)
    slope = central_differences(of_inputs, at, steps)
    by_theta = slope[:, :_N_FIT]
    by_nuisance = by_theta @ fit.nuisance_slope
    by_nuisance[:, _SCALE_AT] += slope[:, _N_FIT:]
    cov = by_theta @ fit.cov @ by_theta.T + by_nuisance @ fit.nuisance_cov @ by_nuisance.T
    return Quantities(values=of_inputs(at), cov=(cov + cov.T) / 2, shares=_shares(fit, by_theta, by_nuisance))


def _shares(fit: PathFit, by_theta: Floats, by_nuisance: Floats) -> tuple[BudgetShare, ...]:
    """Divide the variance of each budgeted quantity among its sources."""
    shares = []
    for quantity in BUDGETED:
        i = QUANTITIES.index(quantity)
        variances = dict(
            zip(
                _NUISANCE_GROUPS,
                in_turn(by_nuisance[i], fit.nuisance_cov, tuple(_NUISANCE_GROUPS.values())),
                strict=True,
            )
        )
        gain = by_theta[i] @ fit.cov
        by_prior = gain**2 * fit.prior_precision
        variances |= {source: float(by_prior[g].sum()) for source, g in _PRIOR_GROUPS.items()}
        variances["ball"] = float(gain @ by_theta[i] - by_prior.sum())
        shares += [
            BudgetShare(source=source, quantity=quantity, sd=math.sqrt(max(float(v), 0.0)))
            for source, v in variances.items()
        ]
    return tuple(shares)
