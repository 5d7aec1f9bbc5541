"""How large the errors of the marks are, as their own scatter shows: weights found from residuals.

What a maker, a tape measure and a hand achieve is stated for all tables; thirty marks tell much of what they are
on this one. So each class of marks has a factor on its variances, found from its residuals over the degrees of
freedom that they keep (estimation of variance components: Helmert 1907; Foerstner 1979; from memory), against a
prior belief in what is stated. Marks laid to 1 mm instead of 0.5 mm then widen the calibration as they must, and
are not outvoted by clicks that fit well; marks laid exactly narrow it.
"""

from enum import IntEnum

import numpy as np

from calibrate.adjust import Adjustment, Scene, adjust_weighted
from calibrate.arrays import Bools, Floats
from calibrate.marks import MarkKind

BELIEF_DOF = 4.0  # degrees of freedom of the belief in what is stated: good to a factor of 1.6 either way (chosen)
LEAST_FACTOR = 0.1  # of a variance: residuals of no set of marks promise more than a third of what is stated
LEFT_OUT = 3.0**2  # what a mark left out counts for at most: three standard deviations, and it may be a mistake
_ROUNDS = 5  # factors change by less than 1 % after four, on the sample session


class MarkClass(IntEnum):
    """What places of marks err by alike."""

    PLACED = 0  # sights and rings found by their picture: where they were put, and how sharp they are
    CLICKED = 1  # a hand's click
    PRINTED = 2  # ticks across, found together: what shifts them all alike shows in no residual


def scatter_weighted(
    scene: Scene, place_px: Floats, fit: Adjustment, *, snapped: Bools, blunt: Bools
) -> tuple[Adjustment, Floats]:
    """Adjust with weights that the scatter of the marks supports.

    Parameters
    ----------
    scene : Scene
        The set-up.
    place_px : (N, 2) array
        Where the marks were found.
    fit : Adjustment
        With the covariances as stated.
    snapped, blunt : (N,) arrays of bool
        Which marks were moved to their picture, and which were clicked by a hand.

    Returns
    -------
    Adjustment
        With the covariances as found.
    (3,) array
        Factors on the variances, in the order of `MarkClass`.
    """
    variances, axes = np.linalg.eigh(fit.cov_px2)  # (N, 2), the smaller first, and (N, 2, 2)
    tick = np.array([kind is MarkKind.TICK for kind in scene.kinds])
    classes = np.full(variances.shape, MarkClass.PLACED)
    classes[tick] = MarkClass.PRINTED
    classes[blunt & ~snapped] = MarkClass.CLICKED
    classes[blunt & snapped & tick, 1] = MarkClass.CLICKED  # along a tick the click stays
    factors = np.ones(len(MarkClass))
    for _ in range(_ROUNDS):
        total = np.einsum("nij,nj,nkj->nik", axes, variances * factors[classes], axes)
        fit = adjust_weighted(scene, place_px, total, used=fit.used, start=fit.state)
        shown = np.einsum("nji,nj->ni", axes, fit.residual_px) ** 2 / variances
        kept = 1 - fit.leverage_along(axes)
        for one in MarkClass:
            of_class = (classes == one) & fit.used[:, None]
            # Left out as wrong, a mark still tells that its class may be worse than stated.
            outside = (classes == one).all(axis=1) & ~fit.used & (one is MarkClass.PLACED)
            freedom = BELIEF_DOF + float(kept[of_class].sum()) + 2 * np.count_nonzero(outside)
            squares = float(shown[of_class].sum() + np.minimum(fit.lift * factors[one], LEFT_OUT)[outside].sum())
            factors[one] = max((BELIEF_DOF + squares) / freedom, LEAST_FACTOR)
        factors[MarkClass.PRINTED] = max(factors[MarkClass.PRINTED], 1.0)
    return fit, factors
