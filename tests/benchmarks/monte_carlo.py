"""Monte Carlo without pixels: errors, coverage of the stated intervals, and distance from the theoretical bound.

Run by hand::

    python tests/benchmarks/monte_carlo.py [SHOTS] [--workers N]

Each shot is played by an integrator and filmed by a camera that the measurement knows only through marks clicked
to 0.2 px and laid to half a millimetre, solved by `calibrate.solve`. The ball is seen with 0.2 px noise a frame and
an error common to the shot (what the fit expects: 0.06 px sideways, 0.15 px up or down), over camera places, frame
rates and speeds.

The bound is the Bayesian Cramer-Rao bound (van Trees 1968) of one shot, evaluated at the truth: sightings, priors
and marks together, with the camera free to learn from the path as well. The measurement does not let it (a shot
that goes wrong must not bend the camera of the session), so a ratio above 1 is expected; it is printed
against both bounds, `joint` and `given` (camera as the marks give it).
"""

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import product
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "analyze"))

from simulated_shots import (
    BALL,
    LANE,
    PLACES,
    Setting,
    SimulatedShot,
    contact_y_m,
    simulate,
)

from analyze.fit.motion import state
from analyze.fit.path_fit import fit_path
from analyze.fit.priors import MotionPriors
from analyze.fit.problem import N_FIT, motion_parameters
from analyze.fit.quantities import QUANTITIES, evaluate, quantities
from calibrate.errors import NotMeasured

JUDGED = ("reading_m", "launch_rad", "swerve_offset_m")
FRAME_RATES = (30.0, 60.0, 240.0)
SPEEDS_M_S = (1.7, 3.0, 5.5)


@dataclass(frozen=True, kw_only=True)
class Trial:
    """One simulated shot: error, stated standard uncertainty and bounds of each of `QUANTITIES`."""

    setting: Setting
    error: np.ndarray
    sd: np.ndarray
    joint_bound: np.ndarray
    given_bound: np.ndarray


def run_trial(setting: Setting, seed: int) -> Trial | None:
    """Play, film and measure one shot; None where it does not reach the rail or gives no numbers."""
    rng = np.random.default_rng([20240611, seed])
    shot = simulate(setting, rng)
    if shot is None:
        return None
    fit = fit_path(shot.path, shot.calibration, readout=shot.stated_readout)
    if isinstance(fit, NotMeasured):
        print(f"seed {seed}: {fit.reason.slug} {fit.detail} {setting}")
        return None
    found = quantities(fit, shot.calibration)
    joint, given = bounds(shot, setting)
    return Trial(
        setting=setting,
        error=found.values - shot.values,
        sd=np.sqrt(np.diag(found.cov)),
        joint_bound=joint,
        given_bound=given,
    )


def true_theta(shot: SimulatedShot) -> np.ndarray:
    """Return the truth in the fit's own parameters."""
    p = shot.parameters
    speed = np.hypot(p[3], p[4])
    ahead, right = p[3:5] / speed, np.array([p[4], -p[3]]) / speed
    slips = p[5:7] @ right / speed, p[5:7] @ ahead / speed
    logs = np.log(speed), *slips, *np.log(p[7:9])
    return np.array([p[0], p[1], p[2], np.arctan2(p[3], p[4]), *logs, shot.readout_s, shot.pull_m_s2])


def bounds(shot: SimulatedShot, setting: Setting) -> tuple[np.ndarray, np.ndarray]:
    """Square roots of the Bayesian Cramer-Rao bounds of all quantities: camera learning from the path, and not."""
    path, truth, priors = shot.path, shot.truth, MotionPriors()
    n_fit, n_all = N_FIT, N_FIT + 15 + 2
    at = np.concatenate([true_theta(shot), truth.parameters, [0.0, 0.0]])
    rows = path.centre_px[:, 1] / path.size_px[1]

    def images(values: np.ndarray) -> np.ndarray:
        p = motion_parameters(values[:n_fit])
        places, _ = state(p, path.times_s + rows * values[9], pull_m_s2=values[10])
        points = np.column_stack([np.vstack([p[:2], places]), np.full(len(places) + 1, BALL.radius_m)])
        return truth.with_parameters(values[n_fit:-2]).camera.project(points) + values[-2:]

    def results(values: np.ndarray) -> np.ndarray:
        scale = truth.with_parameters(values[n_fit:-2]).scale
        p = motion_parameters(values[:n_fit])
        return evaluate(p, scale, contact_y_m=contact_y_m(), spot_y_m=LANE.spot_y_m, pull_m_s2=values[10])

    steps = np.full(n_all, 1e-6)
    steps[n_fit : n_fit + 3] = 1e-3
    steps[-2:] = 1e-3
    images_by, results_by = [], []
    for i in range(n_all):
        move = np.zeros(n_all)
        move[i] = steps[i]
        images_by.append((images(at + move) - images(at - move)) / (2 * steps[i]))
        results_by.append((results(at + move) - results(at - move)) / (2 * steps[i]))
    cov = np.concatenate([path.rest_cov_px2[None], path.centre_cov_px2])
    whiten = np.linalg.inv(np.linalg.cholesky(cov))
    slope = np.einsum("nij,njk->nik", whiten, np.stack(images_by, axis=-1)).reshape(-1, n_all)
    gradient = np.stack(results_by, axis=-1)
    readout_sd_s = shot.stated_readout.within_a_frame(path.frame_period_s).sd_s
    prior_sd = [
        priors.side_slip_sd,
        priors.forward_slip_sd,
        priors.log_mu_s_sd,
        priors.log_mu_r_sd,
        readout_sd_s,
        priors.pull_sd_m_s2,
    ]
    prior = np.zeros((n_all, n_all))
    prior[range(5, n_fit), range(5, n_fit)] = 1 / np.square(prior_sd)
    # In units of the calibration's own standard deviations, or the inverses lose their digits.
    own = np.sqrt(np.diag(shot.calibration.cov))
    prior[n_fit:-2, n_fit:-2] = np.linalg.inv(shot.calibration.cov / np.outer(own, own)) / np.outer(own, own)
    prior[-2:, -2:] = np.diag(1 / np.square(setting.bias_px))
    information = slope.T @ slope + prior
    size = np.sqrt(np.diag(information))
    joint = np.linalg.inv(information / np.outer(size, size)) / np.outer(size, size)

    fit_part = information[:n_fit, :n_fit]
    cov_fit = np.linalg.inv(fit_part)
    nuisance = np.zeros((n_all - n_fit,) * 2)
    nuisance[:-2, :-2] = shot.calibration.cov
    nuisance[-2:, -2:] = np.diag(np.square(setting.bias_px))
    moves = gradient[:, n_fit:] - gradient[:, :n_fit] @ cov_fit @ information[:n_fit, n_fit:]
    given = gradient[:, :n_fit] @ cov_fit @ gradient[:, :n_fit].T + moves @ nuisance @ moves.T
    return np.sqrt(np.diag(gradient @ joint @ gradient.T)), np.sqrt(np.diag(given))


def settings_of(shots: int, *, solved: bool = True) -> list[Setting]:
    """Spread shots evenly over places, frame rates, speeds, and readout known or not."""
    grid = list(product(PLACES, FRAME_RATES, SPEEDS_M_S, (True, False)))
    return [
        Setting(place=place, frame_rate=rate, speed_m_s=speed, readout_known=known, solved=solved)
        for place, rate, speed, known in (grid[i % len(grid)] for i in range(shots))
    ]


def summarise(name: str, trials: list[Trial]) -> str:
    """One line a quantity: median error, coverage, mean stated uncertainty, ratios to the bounds."""
    if not trials:
        return f"{name:18} none"
    error = np.array([t.error for t in trials])
    sd = np.array([t.sd for t in trials])
    joint = np.array([t.joint_bound for t in trials])
    given = np.array([t.given_bound for t in trials])
    lines = []
    for quantity in JUDGED:
        i = QUANTITIES.index(quantity)
        scale, unit = (180 / np.pi, "deg") if quantity.endswith("rad") else (1000.0, "mm")
        z = np.abs(error[:, i] / sd[:, i])
        lines.append(
            f"{name:18} {quantity:16} n {len(trials):4}"
            f"  median |error| {scale * np.median(np.abs(error[:, i])):.4f} {unit:3}"
            f"  95 % below {scale * np.quantile(np.abs(error[:, i]), 0.95):.4f}"
            f"  covered {100 * np.mean(z < 1):.1f} % {100 * np.mean(z < 1.959964):.1f} %"
            f"  error/bound: joint {np.sqrt(np.mean((error[:, i] / joint[:, i]) ** 2)):.3f}"
            f" given {np.sqrt(np.mean((error[:, i] / given[:, i]) ** 2)):.3f}"
        )
    return "\n".join(lines)


def run(shots: int, workers: int) -> None:
    """Play and measure shots, and print."""
    settings = settings_of(shots)
    with ProcessPoolExecutor(workers) as pool:
        found = list(pool.map(run_trial, settings, range(len(settings)), chunksize=8))
    trials = [t for t in found if t is not None]
    print(f"{len(settings)} shots played, {len(trials)} reached the rail in view and were measured")
    print(summarise("all", trials))
    for place in PLACES:
        print(summarise(place, [t for t in trials if t.setting.place == place]))
    for rate in FRAME_RATES:
        print(summarise(f"{rate:.0f} frames/s", [t for t in trials if t.setting.frame_rate == rate]))
    for speed in SPEEDS_M_S:
        print(summarise(f"{speed} m/s", [t for t in trials if t.setting.speed_m_s == speed]))
    for known in (True, False):
        chosen = [t for t in trials if t.setting.readout_known == known]
        print(summarise("readout " + ("known" if known else "unknown"), chosen))


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("shots", nargs="?", type=int, default=1080)
    parser.add_argument("--workers", type=int, default=2)
    arguments = parser.parse_args()
    run(arguments.shots, arguments.workers)


if __name__ == "__main__":
    main()
