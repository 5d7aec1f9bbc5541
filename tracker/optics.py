"""What blurs the ball in this clip, and the light on it, from its own frames: blur, exposure, halo, sharpening."""

from dataclasses import dataclass, replace

import numpy as np

from calibrate.arrays import Floats
from tracker.ball_image import N_LIGHT, OPTICS_PARAMETERS, BallView, Optics
from tracker.light import Light, any_light, change, learnt_change, rooms, under_lacquer
from tracker.locate import FrameEquations, frame_equations, located
from tracker.patch import Patch
from tracker.rim_fit import FEW_LENIENT_STEPS, THOROUGH, Effort, RimPixels, RimSearch
from tracker.shadow import N_SHADOW, SHADOW_MEAN, SHADOW_SD
from tracker.tone import Tone

# Mean and standard deviation of what is expected, in the order of `OPTICS_PARAMETERS`; exposure as a share of the
# time between frames.
BLUR_PX = (1.0, 0.5)
EXPOSURE_SHARE = (0.25, 0.3)
# The ball's diameter is good to 0.2 % (WPA, 2.250 +- 0.005 in). Halo, and what a polished rim mirrors beyond what
# `under_lacquer` expects (Fresnel, up to 2 % of the radius), change the radius that is seen.
RADIUS_SCALE = (0.99, 0.005)
SHARPENING = (0.25, 0.25)
# Shading that the model lacks is the same in all frames: pixels count for less than their noise says.
TRUST = 0.25
ROUNDS = 8
# Enough rounds when a step is this small a part of the standard uncertainty.
SETTLED = 0.4
# Of the last move and the change it made no more than so much is added to a step.
MOST_AHEAD = 2.0
# For telling exposures far apart from each other; for the first round; for the others, from the places of the round
# before. Places good to 0.05 px only left the exposure of a fast ball 0.2 ms too short.
ROUGH = Effort(settled_px=0.1, most_pixels=400, lenient_steps=FEW_LENIENT_STEPS, recentre_px=2.0)
FIRST = replace(THOROUGH, most_pixels=450, settled_px=0.05)
NEAR = replace(THOROUGH, lenient_steps=FEW_LENIENT_STEPS, settled_px=0.015)
EXPOSURE_SHARES = (0.07, 0.15, 0.3, 0.55, 0.9)
# So many frames, those with the longest streaks, tell which of these is nearest: where a ball moves by less than
# its blur all of them explain it.
TRIED = 3


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class OpticsFit:
    """Optics of a clip with their uncertainty.

    Attributes
    ----------
    optics : Optics
        The estimate.
    sd : (4,) float64
        Standard uncertainties of `OPTICS_PARAMETERS`.
    light : Light
        The light on the ball in any frame of the clip.
    places_px : tuple
        Where the ball was found in each frame, (2,) px; None where it was lost.
    """

    optics: Optics
    sd: Floats
    light: Light
    places_px: tuple[Floats | None, ...] = ()


def _values(optics: Optics) -> Floats:
    """(4,) values of `OPTICS_PARAMETERS`."""
    return np.array([optics.blur_px, optics.exposure_s, optics.radius_scale, optics.sharpening])


def _moved(optics: Optics, step: Floats, *, frame_period_s: float) -> Optics:
    """Optics after a step, kept within what a phone can do and within what a linear step may claim."""
    values = _values(optics)
    low = [-0.33 * values[0], -0.33 * values[1] - 1e-4, -0.01, -0.3]
    high = [0.5 * values[0], 0.5 * values[1], 0.01, 0.3]
    blur_px, exposure_s, radius_scale, sharpening = values + np.clip(step, low, high)
    return replace(
        optics,
        blur_px=float(np.clip(blur_px, 0.4, 4.0)),
        exposure_s=float(np.clip(exposure_s, 0.0, frame_period_s)),
        radius_scale=float(np.clip(radius_scale, 0.96, 1.03)),
        sharpening=float(np.clip(sharpening, 0.0, 1.2)),
    )


def _likeliest_start(
    views: list[BallView], patches: list[Patch], start: Optics, *, noise: float, frame_period_s: float
) -> Optics:
    """Try exposures from a tenth of the frame's time to all of it: steps from afar end in the wrong place.

    What frames tell adds up: by their median, one that told nothing decided, and a ball exposed for 3.3 ms was
    taken for one exposed for 6.
    """
    starts = [replace(start, exposure_s=share * frame_period_s) for share in EXPOSURE_SHARES]
    by_speed = sorted(zip(views, patches, strict=True), key=lambda one: -float(np.hypot(*one[0].velocity_px_s)))
    fastest, pixels = zip(*by_speed[:TRIED], strict=True)
    # over the pixels of the longest: a short exposure must say why the rest of a streak is not cloth
    band, costs, told = starts[-1], np.zeros((len(starts), len(fastest))), np.ones(len(fastest), dtype=bool)
    tried = np.zeros(1)
    for n, one in enumerate(starts):
        seen = located(
            [
                RimSearch(view=v, patch=p, optics=one, noise=noise, light=any_light(), effort=ROUGH, band=band)
                for v, p in zip(fastest, pixels, strict=True)
            ]
        )
        costs[n] = [np.nan if found is None else found.misfit for found in seen]
        told &= np.isfinite(costs[n])
        tried = costs[: n + 1, told].sum(axis=1)
        if n >= 2 and tried[-3] < tried[-2] < tried[-1]:
            break  # ever longer ones are ever less likely
        # the next exposure puts the ball nearly there
        fastest = tuple(
            v if found is None else replace(v, centre_px=found.centre_px)
            for v, found in zip(fastest, seen, strict=True)
        )
    return starts[int(np.argmin(tried))]


def _other_pixels(views: list[BallView], optics: Optics, before: Optics) -> bool:
    """Whether other pixels show the rim than did with the optics of an earlier round."""
    fastest_px_s = max(float(np.hypot(*view.velocity_px_s)) for view in views)
    longer_px = abs(optics.exposure_s - before.exposure_s) / 2 * fastest_px_s
    wider_px = 3 * abs(optics.blur_px - before.blur_px)
    return max(longer_px, wider_px) > THOROUGH.recentre_px


def _farther(step: Floats, before: Floats, moved: Floats, precision: Floats) -> Floats:
    """Step to where the next one would be none, by how the one before changed when it was made (4,).

    Weights that follow the residuals make each step about two thirds of the one before, for many rounds, or send
    them to and fro; in the direction of the last move its change says how far there is to go (Anderson 1965, of
    depth one; from memory).
    """
    change = step - before
    share = float(step @ precision @ change) / max(float(change @ precision @ change), 1e-18)
    if share > 0 and step @ precision @ before > 0:
        return step  # they grow: nothing tells how far they lead
    farther: Floats = step - max(share, -MOST_AHEAD) * (moved + change)
    return farther


def fit_optics(
    views: list[BallView],
    patches: list[Patch],
    *,
    noise: float,
    frame_period_s: float,
    late_s_px: tuple[float, float],
    tone: Tone,
) -> OpticsFit:
    """Estimate blur, exposure, halo, sharpening and light from several frames of one clip.

    The rolling shutter is not among them: a ball stretched by it looks like a slightly larger ball with a darker
    lower rim, and an estimate from painted scenes was wrong by more than 5 ms.

    Parameters
    ----------
    views, patches : list
        Predicted ball and pixels of each frame.
    noise : float
        Standard deviation of a pixel between still frames, in grey levels.
    frame_period_s : float
        Time between frames.
    late_s_px : tuple of float
        Rolling shutter, as in `Optics`.
    tone : Tone
        Of the file.

    Returns
    -------
    OpticsFit
        The estimate.
    """
    mean, sd = np.array([BLUR_PX, EXPOSURE_SHARE, RADIUS_SCALE, SHARPENING]).T
    mean[1], sd[1] = mean[1] * frame_period_s, sd[1] * frame_period_s
    precision = np.diag(1 / sd**2)
    start = Optics(
        blur_px=mean[0],
        late_s_px=late_s_px,
        radius_scale=mean[2],
        sharpening=mean[3],
        tone=tone,
    )
    optics = _likeliest_start(views, patches, start, noise=noise, frame_period_s=frame_period_s)
    n_optics, middle = len(mean), len(views) // 2
    behind = float(np.median(tone.light(patches[middle].background.astype(np.float64))))
    before = clip_light = under_lacquer(rooms(), views[middle], behind=behind)
    prior = np.zeros((n_optics + N_LIGHT, n_optics + N_LIGHT))
    prior[:n_optics, :n_optics], prior[n_optics:, n_optics:] = precision, np.linalg.inv(before.cov)
    cov = np.linalg.inv(prior)
    effort = FIRST
    last: tuple[Floats, Floats] | None = None
    fits: list[RimPixels | None] = [None] * len(views)
    chosen_with = None
    for _ in range(ROUNDS):
        light = Light(mean=clip_light.mean, cov=clip_light.cov + change())
        if chosen_with is None or _other_pixels(views, optics, chosen_with):
            fits, chosen_with = [None] * len(views), optics
        found = frame_equations(
            [
                RimSearch(view=v, patch=p, optics=optics, noise=noise, light=light, effort=effort, after=fit)
                for v, p, fit in zip(views, patches, fits, strict=True)
            ]
        )
        # the first round took fewer pixels
        first_round = effort is FIRST
        chosen_with = None if first_round else chosen_with
        effort = NEAR
        fits = [None if one is None else one.at for one in found]
        views = [view if one is None else one.at.view for view, one in zip(views, found, strict=True)]
        shares = [_without_frame(equations) for equations in found if equations is not None]
        if not shares:
            break
        right = np.concatenate([precision @ (mean - _values(optics)), prior[n_optics:, n_optics:] @ before.mean])
        cov = np.linalg.inv(prior + sum(normal for normal, _ in shares))
        step = cov @ (right + sum(one for _, one in shares))
        own = step[:n_optics]
        ahead = own if last is None else _farther(own, last[0], _values(optics) - last[1], precision)
        last = None if first_round else (own, _values(optics))
        optics = _moved(optics, ahead, frame_period_s=frame_period_s)
        clip_light = Light(mean=step[n_optics:], cov=np.array(cov[n_optics:, n_optics:], dtype=np.float64))
        if np.all(np.abs(step[:n_optics]) < SETTLED * np.sqrt(np.diag(cov)[:n_optics])):
            break
    light = Light(mean=clip_light.mean, cov=clip_light.cov + learnt_change())
    places_px = tuple(None if one is None else one.view.centre_px for one in fits)
    return OpticsFit(optics=optics, sd=np.sqrt(np.diag(cov)[:n_optics]), light=light, places_px=places_px)


def _without_frame(equations: FrameEquations) -> tuple[Floats, Floats]:
    """Solve one frame's own unknowns away: what is left of its equations for optics and the clip's light.

    The frame's light is that of the clip, turned to the image's axes, and `change`.
    """
    n_own, n_optics = N_LIGHT + N_SHADOW + 2, len(OPTICS_PARAMETERS)
    light, own, optics = np.s_[:N_LIGHT], np.s_[:n_own], np.s_[n_own:]
    turn = equations.turn
    tie = np.linalg.inv(turn @ change() @ turn.T)
    normal, right = TRUST * equations.normal, TRUST * equations.right
    frame = normal[own, own].copy()
    frame[light, light] += tie
    shadow = np.arange(N_LIGHT, N_LIGHT + N_SHADOW)
    frame[shadow, shadow] += 1 / SHADOW_SD**2
    right[shadow] += SHADOW_MEAN / SHADOW_SD**2
    cross = np.zeros((n_own, n_optics + N_LIGHT))
    cross[:, :n_optics] = normal[own, optics]
    cross[light, n_optics:] = -tie @ turn
    common = np.zeros((n_optics + N_LIGHT, n_optics + N_LIGHT))
    common[:n_optics, :n_optics] = normal[optics, optics]
    common[n_optics:, n_optics:] = turn.T @ tie @ turn
    solved = np.linalg.solve(frame, np.column_stack([cross, right[own]]))
    pull = np.concatenate([right[optics], np.zeros(N_LIGHT)]) - cross.T @ solved[:, -1]
    return common - cross.T @ solved[:, :-1], pull
