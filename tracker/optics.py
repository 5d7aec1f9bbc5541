"""What blurs the ball in this clip: image blur, exposure, halo and tone, from its own frames."""

from dataclasses import dataclass, replace

import numpy as np

from calibrate.arrays import Floats
from tracker.ball_image import BallView, Optics
from tracker.locate import Patch, locate_ball, pull_optics

# Light mixes in a blurred rim; what the camera then does to it differs. 2.2 undoes the usual curve of phones
# (ITU-R BT.709 and sRGB are close to it), 1 leaves the grey levels as they are (edges sharpened or mixed after it).
TONES = (2.2, 1.0)
BLUR_PRIOR_PX = (1.0, 0.5)
# The ball's diameter is good to 0.2 % (WPA, 2.250 +- 0.005 in); sharpening and halo do more.
RADIUS_PRIOR = (1.0, 0.004)
# Shading that the model lacks is the same in all frames: pixels count for less than their noise says.
TRUST = 0.05
ROUNDS = 4
EXPOSURE_SHARES = (0.07, 0.15, 0.3, 0.55, 0.9)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class OpticsFit:
    """Optics of a clip with their uncertainty.

    Attributes
    ----------
    optics : Optics
        The estimate.
    sd : (3,) float64
        Standard uncertainties of `OPTICS_PARAMETERS`.
    """

    optics: Optics
    sd: Floats


def _values(optics: Optics) -> Floats:
    """(3,) values of `OPTICS_PARAMETERS`."""
    return np.array([optics.blur_px, optics.exposure_s, optics.radius_scale])


def _moved(optics: Optics, step: Floats, *, frame_period_s: float) -> Optics:
    """Optics after a step, kept within what a phone can do and within what a linear step may claim."""
    values = _values(optics)
    step = np.clip(
        step, [-0.33 * values[0], -0.33 * values[1] - 1e-4, -0.01], [0.5 * values[0], 0.5 * values[1], 0.01]
    )
    blur_px, exposure_s, radius_scale = values + step
    return replace(
        optics,
        blur_px=float(np.clip(blur_px, 0.4, 4.0)),
        exposure_s=float(np.clip(exposure_s, 0.0, frame_period_s)),
        radius_scale=float(np.clip(radius_scale, 0.98, 1.02)),
    )


def _likeliest_start(
    views: list[BallView], patches: list[Patch], *, noise: float, frame_period_s: float, row_s: float
) -> Optics:
    """Try exposures from a tenth of the frame's time to all of it: steps from afar end in the wrong place."""
    starts = [
        Optics(blur_px=BLUR_PRIOR_PX[0], exposure_s=share * frame_period_s, row_s=row_s, tone=TONES[0])
        for share in EXPOSURE_SHARES
    ]
    costs = []
    for optics in starts:
        seen = [locate_ball(v, p, optics, noise=noise) for v, p in zip(views[::2], patches[::2], strict=True)]
        costs.append(float(np.median([np.inf if s is None else s.misfit for s in seen])))
    return starts[int(np.argmin(costs))]


def fit_optics(
    views: list[BallView], patches: list[Patch], *, noise: float, frame_period_s: float, row_s: float
) -> OpticsFit:
    """Estimate blur, exposure, halo and tone from several frames of one clip.

    The rolling shutter is not among them: a ball stretched by it looks like a slightly larger ball with a darker
    lower rim, and an estimate from painted scenes was wrong by more than its prior (8 +- 5 ms).

    Parameters
    ----------
    views, patches : list
        Predicted ball and pixels of each frame.
    noise : float
        Standard deviation of a pixel between still frames, in grey levels.
    frame_period_s : float
        Time between frames.
    row_s : float
        Rolling shutter, from one row to the next.

    Returns
    -------
    OpticsFit
        For the tone that fits better.
    """
    mean = np.array([BLUR_PRIOR_PX[0], 0.25 * frame_period_s, RADIUS_PRIOR[0]])
    precision: Floats = 1 / np.array([BLUR_PRIOR_PX[1], 0.25 * frame_period_s, RADIUS_PRIOR[1]]) ** 2
    fits: list[tuple[float, OpticsFit]] = []
    start = _likeliest_start(views, patches, noise=noise, frame_period_s=frame_period_s, row_s=row_s)
    for tone in TONES:
        optics = replace(start, tone=tone)
        misfit, information = np.inf, np.diag(precision)
        # the second tone starts where the first ended
        for _ in range(ROUNDS if not fits else 2):
            pulls = [pull_optics(v, p, optics, noise=noise) for v, p in zip(views, patches, strict=True)]
            good = [pull for pull in pulls if pull is not None]
            if not good:
                break
            misfit = float(np.median([pull.misfit for pull in good]))
            information = np.diag(precision) + TRUST * sum(pull.information for pull in good)
            gradient = TRUST * sum(pull.gradient for pull in good) + precision * (mean - _values(optics))
            step = np.asarray(np.linalg.solve(information, gradient), dtype=np.float64)
            optics = _moved(optics, step, frame_period_s=frame_period_s)
        start = optics
        fits.append((misfit, OpticsFit(optics=optics, sd=np.sqrt(np.diag(np.linalg.inv(information))))))
    return min(fits, key=lambda fit: fit[0])[1]
