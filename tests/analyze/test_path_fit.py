from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from simulated_shots import (
    BALL,
    GRAVITY_M_S2,
    PLACES,
    TABLE,
    Setting,
    contact_y_m,
    look_at,
    played_parameters,
    simulate,
)

from analyze.fit import slide_nodes
from analyze.fit.motion import state
from analyze.fit.path_fit import fit_path
from analyze.fit.priors import ErrorPriors, MotionPriors
from analyze.fit.problem import FIT_PARAMETERS, NUISANCE_PARAMETERS, motion_parameters, upright_axes
from analyze.fit.quantities import QUANTITIES, evaluate, quantities
from analyze.fit.reasons import NO_FIT, RAIL_NOT_REACHED, TOO_FEW_SIGHTINGS
from calibrate.errors import NotMeasured
from tracker.contact import centre_at_contact_y_m
from tracker.readout import ASSUMED_READOUT, Readout

SEED = 20240611


def shot_of(seed=SEED, **setting):
    shot = simulate(Setting(**setting), np.random.default_rng(seed))
    assert shot is not None
    return shot


def cut(path, keep):
    """Keep only these sightings of a path."""
    return replace(
        path,
        times_s=path.times_s[keep],
        centre_px=path.centre_px[keep],
        centre_cov_px2=path.centre_cov_px2[keep],
        turned_s=None,
    )


def fitted(shot, priors=None, errors=None):
    fit = fit_path(shot.path, shot.calibration, readout=shot.stated_readout, priors=priors, errors=errors)
    assert not isinstance(fit, NotMeasured), fit
    return fit


@pytest.mark.parametrize("place", ["behind foot rail", "behind shooter", "side"])
def test_near_noiseless_path_gives_back_the_integrated_shot(place):
    """0.002 px of noise and the true camera: results within 4 of their own, tiny, standard deviations."""
    shot = shot_of(place=place, sigma_px=0.002, rest_sigma_px=0.002, bias_px=(0.0, 0.0), readout_known=False)
    fit = fit_path(
        shot.path, shot.truth, readout=ASSUMED_READOUT, errors=ErrorPriors(ball_level_px=0.0, ball_upright_px=0.0)
    )
    found = quantities(fit, replace(shot.truth, cov=np.zeros((15, 15))))
    # the calibration's share is left out: this is the motion alone
    slope = np.sqrt(np.diag(found.cov - _share_of_nuisance(fit, shot.truth)))
    assert (np.abs(found.values - shot.values) < 4 * slope).all()
    # 4.6 to 6.9 um, two fifths of it from the table's pull, which is fitted too
    assert slope[QUANTITIES.index("reading_m")] < 1e-5


def test_way_of_the_readout_is_allowed_for():
    """A ball seen at the same places and at the same times is the same shot, whichever edge was read first."""
    shot = shot_of(frame_rate=30.0, speed_m_s=4.0)
    path, readout_s = shot.path, 0.02
    down = path.centre_px[:, 1] / path.size_px[1]
    upside_down = replace(
        path, times_s=path.times_s + (2 * down - 1) * readout_s, readout_way=np.array([0.0, -1.0])
    )
    fits = [fit_path(one, shot.calibration, readout=Readout.stated(readout_s)) for one in (path, upside_down)]
    assert not any(isinstance(fit, NotMeasured) for fit in fits)
    # the readout time is fitted too, within its 0.3 ms, and a place now says otherwise what it is
    np.testing.assert_allclose(fits[1].times_s, fits[0].times_s, rtol=0, atol=1e-5)
    found = [quantities(fit, shot.calibration) for fit in fits]
    sds = np.sqrt(np.diag(found[0].cov))
    assert (np.abs(found[1].values - found[0].values) < 0.05 * sds).all()


def _share_of_nuisance(fit, calibration):
    with_nuisance = quantities(fit, calibration).cov
    without = quantities(replace(fit, nuisance_cov=np.zeros_like(fit.nuisance_cov)), calibration).cov
    return with_nuisance - without


def test_jacobian_agrees_with_differences():
    shot = shot_of(readout_known=False, frame_rate=30.0)
    fit = fitted(shot)
    camera, path = shot.calibration.camera, shot.path
    whiten = np.linalg.inv(np.linalg.cholesky(path.centre_cov_px2))

    def image(theta):
        times_s = path.times_s + path.centre_px[:, 1] / path.size_px[1] * theta[9]
        places, _ = state(motion_parameters(theta), times_s, pull_m_s2=theta[10])
        points = np.column_stack([places, np.full(len(places), BALL.radius_m)])
        return (whiten @ camera.project(points)[..., None])[..., 0]

    for i, name in enumerate(FIT_PARAMETERS):
        step = np.zeros(11)
        step[i] = 1e-6
        slope = (image(fit.theta + step) - image(fit.theta - step)) / 2e-6
        size = np.abs(fit.jacobian[:, :, i]).max()
        np.testing.assert_allclose(fit.jacobian[:, :, i], slope, rtol=0, atol=2e-6 * size + 1e-4, err_msg=name)


def test_fit_follows_the_calibration_as_stated():
    """Move the calibration by one standard deviation along each axis of its covariance and fit again."""
    shot = shot_of(frame_rate=30.0)
    fit = fitted(shot)
    values, axes = np.linalg.eigh(shot.calibration.cov / np.outer(*[np.sqrt(np.diag(shot.calibration.cov))] * 2))
    unit = np.sqrt(np.diag(shot.calibration.cov))
    for value, axis in zip(values, axes.T, strict=True):
        move = unit * axis * np.sqrt(max(value, 0.0))
        moved = shot.calibration.with_parameters(shot.calibration.parameters + move)
        other = fit_path(shot.path, moved, readout=shot.stated_readout)
        expected = fit.nuisance_slope[:, :15] @ move
        # Small beside the noise of the fit. What a path tells least of all, log mu_r, bends most: 0.15 measured;
        # the others 0.11 at most.
        limit = np.where(np.array(FIT_PARAMETERS) == "log_mu_r", 0.3, 0.2)
        sd = np.sqrt(np.diag(fit.cov))
        np.testing.assert_array_less(np.abs(other.theta - fit.theta - expected), limit * sd + 1e-9)
    assert fit.nuisance_slope.shape == (11, len(NUISANCE_PARAMETERS))


def test_common_location_error_moves_the_reading_as_stated():
    shot = shot_of()
    fit = fitted(shot)
    shifted = replace(
        shot.path, centre_px=shot.path.centre_px + [0.3, -0.2], rest_px=shot.path.rest_px + [0.3, -0.2]
    )
    other = fit_path(shifted, shot.calibration, readout=shot.stated_readout)
    # A sighting that moves is a prediction that moves the other way. A shift of 6 standard deviations of the bias
    # bends log mu_r by 0.14 of its own uncertainty, the rest less.
    expected = -fit.nuisance_slope[:, 15:] @ [0.3, -0.2]
    np.testing.assert_array_less(np.abs(other.theta - fit.theta - expected), 0.28 * np.sqrt(np.diag(fit.cov)))


@pytest.mark.parametrize("quarter_turns", [0, 1, 2])
def test_the_allowance_for_the_balls_place_is_upright_as_the_table_is(quarter_turns):
    """A picture on its side: what is sideways on the table is up and down in it, 0.06 px, and the other 0.15 px."""
    camera = look_at((0.3, 3.7, 1.3), (0.3, 1.7, 0.0), 1500.0, roll_rad=quarter_turns * np.pi / 2)
    axes = upright_axes(camera, np.array([0.3, 1.7, BALL.radius_m]))
    cov = axes * np.square(ErrorPriors().ball_bias_px) @ axes.T
    sideways, upright = np.square([0.06, 0.15])
    wanted = [upright, sideways] if quarter_turns == 1 else [sideways, upright]
    np.testing.assert_allclose(cov, np.diag(wanted), rtol=0, atol=1e-12)


def test_gross_outliers_are_left_out():
    setting, seed = Setting(frame_rate=60.0), 7
    clean = simulate(setting, np.random.default_rng(seed))
    rng = np.random.default_rng(SEED)
    at = rng.choice(clean.path.n_sightings, 4, replace=False)
    centre = clean.path.centre_px.copy()
    centre[at] += rng.uniform(8, 40, (4, 2)) * rng.choice([-1, 1], (4, 2))
    dirty = fit_path(replace(clean.path, centre_px=centre), clean.calibration, readout=clean.stated_readout)
    fit = fitted(clean)
    assert set(np.flatnonzero(dirty.used & (dirty.weights == 0))) == set(at)
    np.testing.assert_array_less(np.abs(dirty.theta - fit.theta), 2 * np.sqrt(np.diag(fit.cov)) + 1e-9)
    assert dirty.noise_scale < 1.3


def test_noise_scale_grows_with_the_residuals():
    """Sightings stated three times too sure: 240 frames/s give some 300 residuals, so the scale is good to 5 %."""
    shot = shot_of(frame_rate=240.0)
    small = replace(shot.path, centre_cov_px2=shot.path.centre_cov_px2 / 9)
    fit = fit_path(small, shot.calibration, readout=shot.stated_readout)
    assert fit.noise_scale == pytest.approx(3.0, rel=0.2)


def test_few_residuals_do_not_collapse_the_noise():
    """Six sightings that happen to fit perfectly: the tracker's word keeps the noise up."""
    shot = shot_of(frame_rate=30.0, sigma_px=0.2)
    quiet = shot_of(frame_rate=30.0, sigma_px=0.002)
    path = replace(quiet.path, centre_cov_px2=shot.path.centre_cov_px2)
    keep = np.linspace(0, path.n_sightings - 1, 6).astype(int)
    fit = fit_path(cut(path, keep), quiet.calibration, readout=quiet.stated_readout)
    assert fit.noise_scale * fit.error_scales.frame > 0.7


def test_errors_that_persist_count_as_more_noise():
    shot = shot_of(frame_rate=240.0, sigma_px=0.2)
    rng = np.random.default_rng(SEED)
    slow = np.zeros((shot.path.n_sightings, 2))
    for k in range(1, len(slow)):
        slow[k] = 0.8 * slow[k - 1] + rng.normal(0, 0.2, 2)
    persistent = replace(shot.path, centre_px=shot.path.centre_px + slow)
    fit = fit_path(persistent, shot.calibration, readout=shot.stated_readout)
    assert fit.persistence[0] > 5 * fit.persistence[1]
    assert fit.noise_scale > 2


def test_unknown_readout_is_found_where_the_ball_crosses_many_rows():
    shot = shot_of(place="behind foot rail", readout_known=False, frame_rate=240.0)
    fit = fitted(shot)
    i = FIT_PARAMETERS.index("readout_s")
    sd_s = np.sqrt(fit.cov[i, i])
    assert sd_s < ASSUMED_READOUT.sd_s
    assert abs(fit.theta[i] - shot.readout_s) < 4 * np.hypot(sd_s, 0.001)


def test_cushion_is_met_before_the_nose_line():
    """A nose above the equator meets the ball less than its radius before the rail: 27.5 mm at 36.3 mm height."""
    shot = shot_of()
    gap_m = TABLE.length_m - centre_at_contact_y_m(shot.calibration)
    assert gap_m == pytest.approx(np.sqrt(BALL.radius_m**2 - (0.0363 - BALL.radius_m) ** 2), rel=1e-12)
    low = replace(shot.calibration, table=replace(TABLE, nose_height_m=0.06))
    with pytest.raises(ValueError, match="nose must meet the ball"):
        centre_at_contact_y_m(low)


def test_sightings_after_contact_are_not_used():
    shot = shot_of(frame_rate=60.0)
    period_s = shot.path.frame_period_s
    last = shot.path.times_s[-1]
    back = replace(
        shot.path,
        times_s=np.append(shot.path.times_s, last + np.array([1, 2]) * period_s),
        centre_px=np.vstack([shot.path.centre_px, shot.path.centre_px[[-2, -3]]]),
        centre_cov_px2=np.concatenate([shot.path.centre_cov_px2, shot.path.centre_cov_px2[[-2, -3]]]),
        turned_s=last + period_s,
    )
    fit = fit_path(back, shot.calibration, readout=shot.stated_readout)
    assert not fit.used[-2:].any()
    np.testing.assert_allclose(fit.theta, fitted(shot).theta, rtol=0, atol=1e-9)


def test_too_few_sightings_are_a_reason():
    shot = shot_of()
    found = fit_path(cut(shot.path, slice(0, 3)), shot.calibration, readout=Readout.stated(0.0))
    assert isinstance(found, NotMeasured)
    assert found.reason is TOO_FEW_SIGHTINGS
    assert "3 sightings" in found.detail


def test_ball_that_stops_before_the_rail_is_a_reason():
    rng = np.random.default_rng(SEED)
    shot = shot_of()
    parameters = played_parameters(Setting(speed_m_s=0.7), rng)
    parameters[3:] = (0.0, 0.55, 0.0, 0.55, 0.2, 0.03)
    times_s = np.arange(1.1, 2.0, 1 / 60)
    places, _ = state(parameters, times_s)
    points = np.column_stack([places, np.full(len(places), BALL.radius_m)])
    rest = shot.calibration.camera.project(np.array([*parameters[:2], BALL.radius_m]))
    path = replace(
        shot.path,
        rest_px=rest,
        times_s=times_s,
        centre_px=shot.calibration.camera.project(points),
        centre_cov_px2=np.tile(0.04 * np.eye(2), (len(times_s), 1, 1)),
        last_rest_s=parameters[2] - 0.01,
        first_moved_s=parameters[2] + 0.01,
        turned_s=None,
    )
    found = fit_path(path, shot.calibration, readout=Readout.stated(0.0))
    assert isinstance(found, NotMeasured)
    assert found.reason is RAIL_NOT_REACHED


def test_places_that_are_no_path_are_a_reason():
    rng = np.random.default_rng(SEED)
    shot = shot_of()
    jumble = replace(shot.path, centre_px=rng.uniform(200, 800, shot.path.centre_px.shape))
    found = fit_path(jumble, shot.calibration, readout=Readout.stated(0.0))
    assert isinstance(found, NotMeasured)
    assert found.reason in (NO_FIT, RAIL_NOT_REACHED)


def test_inputs_are_not_altered():
    shot = shot_of()
    before = shot.path.centre_px.copy(), shot.calibration.parameters.copy()
    fitted(shot)
    np.testing.assert_array_equal(shot.path.centre_px, before[0])
    np.testing.assert_array_equal(shot.calibration.parameters, before[1])


def posterior_samples(shot, fit, rng, *, steps, chains=60):
    """Walk through the log posterior at random, written without the fit's own functions but for the motion.

    Differential evolution Markov chain (ter Braak, Stat. Comput. 16, 239 (2006)): a step is the difference of two
    other chains. A walk with the fit's own covariance would stay near the fit where the posterior is long and bent.
    The chains start with forward slips all over the prior. Returns (chains, kept steps, 11).
    """
    path, camera, priors = shot.path, shot.calibration.camera, MotionPriors()
    good = fit.weights > 0
    seen = np.vstack([path.rest_px, path.centre_px[good]])
    cov = np.concatenate([path.rest_cov_px2[None], path.centre_cov_px2[good]])
    precision = np.linalg.inv(cov) / fit.noise_scale**2
    rows = path.centre_px[good, 1] / path.size_px[1]
    readout = shot.stated_readout.within_a_frame(path.frame_period_s)
    mean = np.array(
        [
            0.0,
            priors.forward_slip,
            np.log(priors.mu_s),
            np.log(priors.mu_r),
            readout.value_s,
            priors.pull_m_s2,
        ]
    )
    sd = np.array(
        [
            priors.side_slip_sd,
            priors.forward_slip_sd,
            priors.log_mu_s_sd,
            priors.log_mu_r_sd,
            readout.sd_s,
            priors.pull_sd_m_s2,
        ]
    )

    def log_posterior(theta):
        p = motion_parameters(theta)
        places, _ = state(p, path.times_s[good] + rows * theta[:, 9:10], pull_m_s2=theta[:, 10])
        places = np.concatenate([p[:, None, :2], places], axis=1)
        points = np.concatenate([places, np.full((*places.shape[:2], 1), BALL.radius_m)], axis=2)
        gap = camera.project(points) - seen
        misfit = ((gap[:, :, None, :] @ precision)[:, :, 0, :] * gap).sum(axis=(1, 2))
        return -0.5 * misfit - 0.5 * np.sum(((theta[:, 5:] - mean) / sd) ** 2, axis=1)

    theta = fit.theta + rng.normal(size=(chains, 11)) @ np.linalg.cholesky(fit.cov).T
    slips = np.abs(rng.normal(priors.forward_slip, priors.forward_slip_sd, chains)) / fit.theta[6]
    spread = slips if fit.nodes else np.ones(chains)
    theta[:, 5:7] *= spread[:, None]
    level = log_posterior(theta)
    kept = []
    for step in range(steps):
        others = np.array([rng.choice(chains - 1, 2, replace=False) for _ in range(chains)])
        others += others >= np.arange(chains)[:, None]
        reach = 1.0 if step % 8 == 0 else 2.38 / np.sqrt(20) * rng.uniform(0.3, 1.2)
        trial = theta + reach * (theta[others[:, 0]] - theta[others[:, 1]]) + 1e-9 * rng.normal(size=theta.shape)
        trial_level = log_posterior(trial)
        accept = np.log(rng.uniform(size=chains)) < trial_level - level
        theta = np.where(accept[:, None], trial, theta)
        level = np.where(accept, trial_level, level)
        if step == steps // 3:
            # A chain that is still nowhere near the others found no way out of where it started; as in DREAM (Vrugt
            # et al., Int. J. Nonlinear Sci. Numer. Simul. 10, 273 (2009); from memory) it goes to the best of them.
            lower, upper = np.quantile(level, [0.25, 0.75])
            theta[level < lower - 2 * (upper - lower)] = theta[np.argmax(level)]
            level = log_posterior(theta)
        if step >= steps // 3 and step % 10 == 0:
            kept.append(theta.copy())
    return np.stack(kept, axis=1)


def test_end_of_a_slide_shortly_before_the_rail_is_laid_out_finely_enough(monkeypatch):
    """The slide ends 0.13 m before the rail, faintly seen: as laid out, and laid out four times as finely."""
    setting = Setting(frame_rate=240.0, speed_m_s=4.87, sigma_px=0.35)
    played = np.array([0.3175, 0.762, 1.0, -0.06, 4.87, -0.1, 2.78, 0.222, 0.0112])
    shot = simulate(setting, np.random.default_rng(SEED), parameters=played)
    as_laid_out = quantities(fitted(shot), shot.calibration)
    monkeypatch.setattr(slide_nodes, "_LARGEST_CHANGE", 0.5)
    monkeypatch.setattr(slide_nodes, "_ROUNDS", 8)
    monkeypatch.setattr(slide_nodes, "_LONGEST_SLIP_STEP", 0.05)
    monkeypatch.setattr(slide_nodes, "_MOST_STEPS", 100)
    fit = fitted(shot)
    assert len(fit.nodes) > 60
    finely = quantities(fit, shot.calibration)
    for quantity in ("launch_rad", "launch_speed_m_s", "rail_speed_m_s", "swerve_offset_m"):
        assert as_laid_out.sd(quantity) == pytest.approx(finely.sd(quantity), rel=0.04)
        assert as_laid_out.value(quantity) == pytest.approx(finely.value(quantity), abs=0.05 * finely.sd(quantity))


def test_a_slide_that_ends_out_of_sight_leaves_the_rail_speed_open():
    """Nine shots whose slide ends 3 to 12 cm before the rail, after the last sightings or among them.

    Rolling balls slow down a twentieth as much as sliding ones, so the rail speed hangs on where the slide ended.
    With the variance over all slips alone, errors were up to 6.5 standard uncertainties, 3.5 root mean square.
    """
    at, ratios = QUANTITIES.index("rail_speed_m_s"), []
    for place, gap_m in product(PLACES, (0.03, 0.06, 0.12)):
        rng = np.random.default_rng([SEED, 91])
        setting = Setting(place=place, speed_m_s=3.4)
        played = played_parameters(setting, rng)
        played[5:7] = played[3:5]
        slide_s = (contact_y_m() - gap_m - played[1]) / (played[4] - played[6] / 7)
        played[7] = 2 * np.hypot(*played[5:7]) / (7 * slide_s * GRAVITY_M_S2)
        shot = simulate(setting, rng, parameters=played)
        found = quantities(fitted(shot), shot.calibration)
        ratios.append((found.values - shot.values)[at] / np.sqrt(found.cov[at, at]))
    assert np.sqrt(np.mean(np.square(ratios))) < 1.2
    assert np.max(np.abs(ratios)) < 2.8  # 99.5 % of nine


@pytest.mark.slow
@pytest.mark.parametrize(
    ("seed", "setting", "share"),
    [
        (1, {"frame_rate": 60.0}, 1.0),
        (3, {"frame_rate": 30.0, "speed_m_s": 5.5}, 1.0),  # slides at the rail still, or has just stopped sliding
        (4, {"frame_rate": 30.0}, 0.4),  # lost from view in mid-lane
    ],
)
def test_posterior_agrees_with_a_random_walk(seed, setting, share):
    """Means and standard uncertainties of reading, launch and swerve, the calibration taken as exact.

    The walk's own means wander by some 0.1 and its standard deviations by some 7 % between its halves.
    """
    shot = shot_of(seed, **setting)
    if share < 1:
        shot = replace(shot, path=cut(shot.path, slice(0, int(share * shot.path.n_sightings))))
    # with the noise as it is: its least scale is no part of the approximation
    fit = fitted(shot, errors=ErrorPriors(least_noise=0.0))
    assert bool(fit.nodes) == (seed != 1)
    samples = posterior_samples(shot, fit, np.random.default_rng(SEED), steps=3000)[:, ::4].reshape(-1, 11)
    walked = np.array(
        [
            evaluate(
                motion_parameters(theta),
                shot.calibration.scale,
                contact_y_m=fit.contact_y_m,
                spot_y_m=0.762,
                pull_m_s2=theta[10],
            )
            for theta in samples
        ]
    )
    found = quantities(replace(fit, nuisance_cov=np.zeros_like(fit.nuisance_cov)), shot.calibration)
    for name in ("reading_m", "launch_rad", "swerve_offset_m"):
        i = QUANTITIES.index(name)
        sd = np.sqrt(found.cov[i, i])
        assert abs(walked[:, i].mean() - found.values[i]) < 0.3 * sd, name
        assert np.std(walked[:, i]) == pytest.approx(sd, rel=0.15), name


@pytest.mark.filterwarnings("ignore:invalid value encountered")
def test_a_ball_that_does_not_move_has_no_quantities():
    """As where a damaged recording leaves a speed so open that a step of its uncertainty is that of no motion."""
    shot = simulate(Setting(), np.random.default_rng(SEED))
    still = shot.parameters.copy()
    still[3:7] = 0.0
    scale, contact = shot.calibration.scale, centre_at_contact_y_m(shot.calibration)
    assert np.isnan(evaluate(still, scale, contact_y_m=contact, spot_y_m=0.762, pull_m_s2=0.0)).all()
