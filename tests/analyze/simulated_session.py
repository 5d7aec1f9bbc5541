"""Sessions without pixels: shots that share camera, readout time and cloth, measured alone and together."""

from dataclasses import dataclass, replace

import numpy as np
from simulated_shots import SIZE_PX, Setting, cameras, played_parameters, simulate, stated_readout

from analyze.fit.joint import Joint, join
from analyze.fit.path_fit import fit_path
from analyze.fit.quantities import quantities
from calibrate.errors import NotMeasured

BETWEEN_SHOT_SDS = (0.03, 0.06, 0.12, 0.2)  # of the logarithm of friction, about that of the cloth


@dataclass(frozen=True, kw_only=True)
class MeasuredSession:
    """A simulated session as measured: (N, 7) arrays in the order of `QUANTITIES`."""

    truth: np.ndarray
    alone: np.ndarray
    alone_sd: np.ndarray
    together: np.ndarray
    together_sd: np.ndarray
    joint: Joint


def play_session(setting: Setting, rng, *, shots=16, bias_px=0.0):
    """Play and film shots of one set-up, and say which readout time is stated; friction scatters about the cloth's.

    `bias_px` is a location error that changes slowly down the picture and is the same in all shots.
    """
    set_up = cameras(setting, rng)
    readout_s = max(rng.normal(0.012, 0.006), 0.0)
    stated = stated_readout(readout_s, setting, rng)
    between_sds = rng.choice(BETWEEN_SHOT_SDS, 2)
    cloth = np.log([0.2, 0.010]) + rng.normal(0, np.sqrt(0.3**2 - between_sds**2))
    coefficients = rng.normal(0, bias_px, (3, 2))
    pull_m_s2 = setting.pull_sd_m_s2 * rng.spawn(1)[0].normal()
    played = []
    while len(played) < shots:
        parameters = played_parameters(setting, rng)
        parameters[7:9] = np.exp(cloth + rng.normal(0, between_sds))
        shot = simulate(
            setting, rng, parameters=parameters, set_up=set_up, readout_s=readout_s, pull_m_s2=pull_m_s2
        )
        if shot is None:
            continue
        seen = shot.path.centre_px
        down = 2 * seen[:, 1] / SIZE_PX[1] - 1
        bias = np.column_stack([np.ones_like(down), down, 2 * down**2 - 1]) @ coefficients
        played.append(replace(shot, path=replace(shot.path, centre_px=seen + bias)))
    return played, stated


def measure_together(played, stated) -> MeasuredSession | None:
    """Measure each shot alone, then with what the others say; None where there are too few to join."""
    calibration = played[0].calibration
    fits = [fit_path(shot.path, calibration, readout=stated) for shot in played]
    good = [i for i, fit in enumerate(fits) if not isinstance(fit, NotMeasured)]
    donors = [i for i in good if not fits[i].nodes]
    if len(donors) < 4:
        return None
    joint = join([(played[i].path, fits[i]) for i in donors], calibration, readout=stated)
    rows = []
    for i in good:
        shared = joint.without(donors.index(i) if i in donors else None)
        fit = fit_path(played[i].path, shared.calibration, readout=shared.readout, priors=shared.priors)
        if isinstance(fit, NotMeasured):
            continue
        alone, found = quantities(fits[i], calibration), quantities(fit, shared.calibration)
        rows.append(
            (
                played[i].values,
                alone.values,
                np.sqrt(np.diag(alone.cov)),
                found.values,
                np.sqrt(np.diag(found.cov)),
            )
        )
    truth, a, a_sd, t, t_sd = (np.array(column) for column in zip(*rows, strict=True))
    return MeasuredSession(truth=truth, alone=a, alone_sd=a_sd, together=t, together_sd=t_sd, joint=joint)
