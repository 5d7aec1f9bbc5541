"""One shot, pass after pass: caught with a wide blur, its optics learnt, located in every frame and at rest."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.polynomial import Polynomial

from calibrate.arrays import Floats
from tracker.ball_image import BallView, Optics
from tracker.chain import RoughTrack
from tracker.light import Light, change, learnt_change
from tracker.locate import Sighting
from tracker.optics import EXPOSURE_SHARES, OpticsFit, fit_optics
from tracker.rim_fit import THOROUGH, Effort
from tracker.shot_pictures import ShotPictures

Sightings = dict[int, Sighting]
Motion = dict[int, tuple[Floats, Floats]]

# A blur so wide that the fit catches a ball some px away.
CATCH_BLUR_PX = 2.5
CATCH = Effort(settled_px=0.1, most_pixels=300, recentre_px=2.0)
# With the light learnt, and from a place foretold by neighbours, hardly any other likeness is taken for the ball.
LEARNT = replace(THOROUGH, lenient_steps=2, settled_px=0.03)
# Of a run of more frames than this two that follow each other are caught every so often; what lies between is
# foretold and located afterwards.
CATCH_ALL, CATCH_EVERY_S = 24, 0.08
OPTICS_FRAMES = 8
# Sightings left out: most of the rim hidden, or far less contrast than the others have (a hand, a cue before it).
MIN_VISIBLE = 0.4
MIN_CONTRAST_SHARE = 0.4
MAX_MISFIT_RATIO = 6.0
MIN_SIGHTINGS = 4
NEAR_PX, NEAR_SMEARS = 4.0, 0.15
# Farther than this from where it was predicted, the ball's speed was predicted wrongly too, and with it its streak.
AGAIN_PX = 1.5
SMOOTH_ORDER = 4
# A ball at rest that any light explains better by this, in units of `Sighting.misfit`, is not under the light that
# the clip taught: 0.9 between two uneven lamps under which it was seen 1.5 px too high, at most 0.13 in clips where
# the learnt light brought it to 0.1 px.
OTHER_LIGHT = 0.4
# Averaging does not remove what is the same in all frames: shading, the tip close by, compression of a still ball.
REST_FLOOR_PX = 0.15


def catch(pictures: ShotPictures, rough: RoughTrack) -> Sightings:
    """Locate the ball near its rough places, with a wide blur first: the rough places are some px off."""
    wide = Optics(
        blur_px=CATCH_BLUR_PX,
        exposure_s=0.25 * pictures.frame_period_s,
        late_s_px=pictures.late_s_px,
        tone=pictures.tone,
    )
    times_s = pictures.times_s[rough.index]
    worth = _pairs(times_s)
    views: dict[int, BallView] = {}
    for k, place_m in zip(rough.index[worth].tolist(), rough.xy_m[worth], strict=True):
        _, velocity = local_motion(times_s, rough.xy_m, float(pictures.times_s[k]))
        views[k] = pictures.view(place_m, velocity)
    found = pictures.locate(views, wide, effort=CATCH)
    # A catch may correct a rough place, not replace it. In the image: seen flat, a few px are a long way.
    return {
        k: one for k, one in found.items() if np.hypot(*(one.centre_px - views[k].centre_px)) < views[k].radius_px
    }


def _pairs(times_s: Floats) -> list[int]:
    """Which frames are caught: two that follow each other every `CATCH_EVERY_S`, and the last two."""
    if len(times_s) <= CATCH_ALL:
        return list(range(len(times_s)))
    worth, since_s, second = [], -np.inf, False
    for n, time_s in enumerate(times_s):
        first = time_s - since_s > CATCH_EVERY_S
        if first:
            since_s = time_s
        if first or second or n >= len(times_s) - 2:
            worth.append(n)
        second = first
    return worth


def predict_motion(pictures: ShotPictures, caught: Sightings) -> Motion:
    """Place and velocity in every frame of the run: from a little before what was caught to a little after it."""
    keys = sorted(caught)
    times_s, xy_m = pictures.times_s[keys], pictures.table_xy_m([caught[k] for k in keys])
    last_s = float(times_s[-1]) + 4 * pictures.frame_period_s
    run = [k for k in range(max(0, keys[0] - 2), len(pictures.times_s)) if pictures.times_s[k] <= last_s]
    motion = {k: local_motion(times_s, xy_m, float(pictures.times_s[k])) for k in run}
    return {k: one for k, one in motion.items() if one[0][1] < pictures.end_y_m + 0.01}


def predict_nearer(pictures: ShotPictures, motion: Motion, learnt: Mapping[int, Floats]) -> Motion:
    """Predict the motion anew between frames in which the place, (2,) px, is known better, if it is smooth there.

    A wide blur catches the ball a px or two beside its place. A ball slides on a parabola and then rolls straight:
    a polynomial of `SMOOTH_ORDER` through places well spread over the run comes to a few tenths of that. It runs
    through the first and the last whether they are right or not: those must lie near where they were predicted.
    """
    far_px = {k: np.hypot(*(learnt[k] - pictures.moving_px(motion[k][0], np.zeros(2))[0])) for k in learnt}
    near = [k for k in sorted(learnt) if far_px[k] < NEAR_PX]
    keys = [k for k in sorted(learnt) if near and near[0] <= k <= near[-1]]
    if len(keys) < SMOOTH_ORDER + 3:
        return motion
    times_s, xy_m = pictures.times_s[keys], pictures.on_table_m(np.array([learnt[k] for k in keys]))
    x, y = (Polynomial.fit(times_s, values, SMOOTH_ORDER) for values in xy_m.T)
    smooth_px = [pictures.moving_px(np.array([x(t), y(t)]), np.zeros(2))[0] for t in times_s]
    left_px = np.array(smooth_px) - [learnt[k] for k in keys]
    if np.hypot(*left_px.T).max() > AGAIN_PX:
        return motion
    between = {k: pictures.times_s[k] for k in motion if keys[0] <= k <= keys[-1]}
    slope_x, slope_y = x.deriv(), y.deriv()
    return motion | {k: (np.array([x(t), y(t)]), np.array([slope_x(t), slope_y(t)])) for k, t in between.items()}


def learn_optics(pictures: ShotPictures, caught: Sightings, motion: Motion) -> tuple[OpticsFit, dict[int, Floats]]:
    """Estimate what blurs the ball, and its light, from frames spread over the run and from the ball at rest.

    Also returns where the ball was found in those frames, (2,) px in the still scene.
    """
    keys = [k for k in sorted(caught) if k in motion]
    pick = [keys[i] for i in np.unique(np.linspace(1, len(keys) - 1, OPTICS_FRAMES).astype(int))]
    longest_s = max(EXPOSURE_SHARES) * pictures.frame_period_s
    start = Optics(blur_px=1.5, exposure_s=longest_s, late_s_px=pictures.late_s_px, tone=pictures.tone)
    looks = {k: one for k in pick if (one := pictures.look(k, pictures.view(*motion[k]), start)) is not None}
    both = list(looks.values())
    # the ball at rest shows its light without a streak
    at_rest = pictures.view(pictures.cut.place.xy_m, np.zeros(2))
    patch = pictures.look_at_rest(at_rest, start)
    if patch is not None:
        both.append((at_rest, patch))
    fit = fit_optics(
        [view for view, _ in both],
        [patch for _, patch in both],
        noise=pictures.scene.noise,
        frame_period_s=pictures.frame_period_s,
        late_s_px=pictures.late_s_px,
        tone=pictures.tone,
    )
    places = zip(looks, fit.places_px, strict=False)  # the ball at rest comes after them
    return fit, {k: pictures.in_scene_px(k, place_px) for k, place_px in places if place_px is not None}


def allow_other_light(pictures: ShotPictures, fit: OpticsFit) -> OpticsFit:
    """Let the light differ more from frame to frame where the ball at rest is not under the light that was learnt.

    Most frames show the ball far from its spot: between lamps that differ it is lit otherwise there, and held to
    the light of the others its place is pulled.
    """
    view = pictures.view(pictures.cut.place.xy_m, np.zeros(2))
    still = replace(fit.optics, exposure_s=0.0)
    learnt, free = (pictures.locate_at_rest(view, still, light) for light in (fit.light, None))
    if learnt is None or free is None or free.misfit > learnt.misfit - OTHER_LIGHT:
        return fit
    wider = Light(mean=fit.light.mean, cov=fit.light.cov - learnt_change() + change())
    return replace(fit, light=wider)


def locate_all(pictures: ShotPictures, motion: Motion, fit: OpticsFit) -> Sightings:
    """Locate the ball in each frame; again where the first place shows that the motion was predicted badly."""
    predicted = {k: pictures.view(*motion[k]) for k in motion}
    found = pictures.locate(predicted, fit.optics, fit.light, LEARNT)
    if len(found) < MIN_SIGHTINGS:
        return _without_spoiled(found)
    times_s, xy_m = pictures.times_s[list(found)], pictures.table_xy_m(list(found.values()))
    nearby = {k: local_motion(times_s, xy_m, float(pictures.times_s[k])) for k in found}
    away_px = {k: float(np.hypot(*(one.centre_px - predicted[k].centre_px))) for k, one in found.items()}
    again = {k: pictures.view(*nearby[k]) for k in found if away_px[k] > AGAIN_PX}
    final = {k: one for k, one in found.items() if k not in again}
    final |= pictures.locate(again, fit.optics, fit.light, LEARNT)
    return _without_spoiled(
        {k: one for k in nearby if (one := final.get(k)) and _near(pictures, one, nearby[k], fit)}
    )


def locate_rest(pictures: ShotPictures, optics: Optics, light: Light) -> tuple[Floats, Floats]:
    """Locate the ball at rest, (2,) and (2, 2), in the averaged frames before the strike.

    From where it was first found, and from where a wide blur catches it: a ring printed on a small ball, or a
    tip beside it, leads one or the other astray, and the better likeness tells which.
    """
    view = pictures.view(pictures.cut.place.xy_m, np.zeros(2))
    still = replace(optics, exposure_s=0.0)
    caught = pictures.locate_at_rest(view, Optics(blur_px=CATCH_BLUR_PX, tone=optics.tone), None, CATCH)
    starts = [view] if caught is None else [view, pictures.view(pictures.table_xy_m([caught])[0], np.zeros(2))]
    found = [one for one in (pictures.locate_at_rest(start, still, light) for start in starts) if one is not None]
    free = pictures.locate_at_rest(view, still, None)
    if found and free is not None and free.misfit < min(one.misfit for one in found) - OTHER_LIGHT:
        # how far the two lights put it apart is not known better than that
        apart_px = free.centre_px - min(found, key=lambda one: one.misfit).centre_px
        found = [replace(free, cov_px2=free.cov_px2 + np.outer(apart_px, apart_px) / 4)]
    if not found:
        # covered by a cue or hand throughout: the place as first found, good to some mm
        sd_px = 0.2 * view.radius_px
        return view.centre_px, np.eye(2) * sd_px**2
    best = min(found, key=lambda one: one.misfit)
    return best.centre_px, best.cov_px2 + np.eye(2) * REST_FLOOR_PX**2


def local_motion(times_s: Floats, xy_m: Floats, at_s: float, *, reach: int = 6) -> tuple[Floats, Floats]:
    """Place and velocity at a time, from a parabola (line, where few) through the nearest places."""
    near = np.argsort(np.abs(times_s - at_s))[:reach]
    order = 2 if len(near) >= 5 else 1
    t = times_s[near] - at_s
    design = np.vander(t, order + 1, increasing=True)
    found = np.linalg.lstsq(design, xy_m[near], rcond=None)[0]
    return found[0], found[1]


def _near(pictures: ShotPictures, found: Sighting, predicted: tuple[Floats, Floats], fit: OpticsFit) -> bool:
    """Whether a fit stayed with its ball: neighbouring frames predict it to some px, less well if smeared."""
    centre_px, velocity_px_s = pictures.moving_px(*predicted)
    smear_px = float(np.hypot(*velocity_px_s)) * fit.optics.exposure_s
    return float(np.hypot(*(found.centre_px - centre_px))) < NEAR_PX + NEAR_SMEARS * smear_px


def _without_spoiled(seen: Sightings) -> Sightings:
    """Leave out sightings that something spoiled: a hidden rim, a hand or cue over the ball."""
    if not seen:
        return seen
    contrast = float(np.median([s.contrast for s in seen.values()]))
    misfit = float(np.median([s.misfit for s in seen.values()]))
    return {
        k: s
        for k, s in seen.items()
        if s.visible > MIN_VISIBLE
        and s.contrast > MIN_CONTRAST_SHARE * contrast
        and s.misfit < MAX_MISFIT_RATIO * misfit
    }
