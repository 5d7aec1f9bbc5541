"""How far neighbouring pixels err alike: compression and blur make each tell less than an independent one would."""

import numpy as np

from calibrate.arrays import Floats

_MOST_ALIKE = 0.6  # correlation of neighbours; more is a pattern that the model lacks, and no noise


def alike_factor(residual: Floats) -> float:
    """By how much neighbours that err alike raise the variance of a fit to a picture.

    Parameters
    ----------
    residual : (h, w) array
        What a fit left over, NaN where no pixel was used.

    Returns
    -------
    float
        At least 1: the product over both axes of (1 + r)/(1 - r), r being the correlation of next neighbours.

    Notes
    -----
    Variance of a mean of a first-order autoregressive series: G. E. P. Box and G. M. Jenkins, Time Series Analysis
    (1970), from memory.
    """
    factor = 1.0
    for ahead, behind in ((residual[1:], residual[:-1]), (residual[:, 1:], residual[:, :-1])):
        both = np.isfinite(ahead) & np.isfinite(behind)
        if not both.any():
            continue
        power = float(np.sqrt(np.mean(ahead[both] ** 2) * np.mean(behind[both] ** 2))) + 1e-12
        lag = float(np.clip(np.mean(ahead[both] * behind[both]) / power, 0, _MOST_ALIKE))
        factor *= (1 + lag) / (1 - lag)
    return factor
