"""What a table out of level, or the nap of its cloth, does to a path: a small constant pull to the side.

On a slope a ball that rolls gains speed downhill by ``(5/7) g slope``: the rest goes into its spin (any text on
rigid bodies, the sphere on an incline). While it still slides, the whole of ``g slope`` acts on it and the friction
turns against the sideways slip that grows meanwhile. To first order in the slope the slide lasts
``T = (2/7) u0/(mu_s g)``, the slip falls evenly, and its sideways part obeys
``du_x/dt = g slope - u_x/(T - t)``; so, with ``w = 1 - t/T``,

    velocity   = (7/5) a T [(5/7)(1 - w) - (2/7) w ln w]
    displacement = (7/5) a T^2 [(5/14)(1 - w)^2 + (1/7) w^2 ln w + (1/14)(1 - w^2)],   a = (5/7) g slope,

and at the end of the slide velocity and displacement are ``a T`` and ``0.6 a T^2``, where a ball that had rolled
from the start would be at ``0.5 a T^2``. The nap of a cloth pulls much the same way and is not told apart.
"""

import numpy as np

from calibrate.arrays import Floats


def pulled(times_s: Floats, slide_s: Floats | float) -> tuple[Floats, Floats, Floats]:
    """Give what a unit of pull does to the path.

    Parameters
    ----------
    times_s : (..., N) array
        After the strike, not negative.
    slide_s : float or (..., 1) array
        How long the ball slides.

    Returns
    -------
    displacement, velocity, by_slide : (..., N) arrays
        Per m/s^2 of pull: way in m, speed in m/s, and the derivative of the way by `slide_s`, in m/s.
    """
    slide_s = np.maximum(slide_s, 1e-12)
    share = np.clip(times_s / slide_s, 0.0, 1.0)
    w = 1 - share
    w_ln_w = w * np.log(np.maximum(w, 1e-300))
    way = 0.5 * share**2 + 0.2 * w * w_ln_w + 0.1 * (1 - w * w)
    speed = share - 0.4 * w_ln_w
    rolled_s = np.maximum(times_s - slide_s, 0.0)
    displacement = slide_s**2 * way + slide_s * rolled_s + 0.5 * rolled_s**2
    by_slide = np.where(rolled_s > 0, 0.2 * slide_s, 2 * slide_s * way - np.minimum(times_s, slide_s) * speed)
    return displacement, slide_s * speed + rolled_s, by_slide
