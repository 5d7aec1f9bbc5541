"""How the ball darkens the cloth round it: what is expected, as terms of where on the cloth a pixel looks.

Just outside the ball's lower rim the cloth is seen almost at the point of contact, where it is nearly black, and an
eighth of the rim farther round it is seen a radius away, where it is not. Waves round the rim in the picture do not
follow that: with them the exposure of rendered clips at 240 frames/s was taken a third too short.
"""

import numpy as np

from calibrate.arrays import Floats, Reals

# How wide the widest of the shadow's three parts is, in ball radii squared.
_WIDE = 6.0
N_SHADOW = 16
# At the contact next to no light is left, whatever the lamps; how wide the shadow is depends on them.
SHADOW_MEAN = np.array([0.0, -0.5, *[0.0] * 4, -0.3, *[0.0] * 9])
# Flicker, and lamps of any height and place, change each part by so much.
SHADOW_SD = 0.3


def shadow_terms(unit: Reals, facing: Floats) -> Reals:
    """Compute the terms of the share of light that the ball adds to (takes from, if negative) the cloth.

    The first part is that of light from all round: a sphere of radius R that lies on a plane hides the share
    (1 + r^2 / R^2)^(-3/2) of an even sky from a point of the plane at the distance r from the contact (its solid
    angle weighted with the cosine; exact, as the sphere reaches just down to the plane). The second is its square,
    the third is wider; each may lean to a side and be oval, as lamps make it.

    Parameters
    ----------
    unit : (..., 2) array
        Place in the image: from the centre of the outline, which is the unit circle; right and down.
    facing : (..., 3, 3) array
        Rows: the image's right, its down, and towards the camera, as unit vectors of the table frame; for each
        place, or for all.

    Returns
    -------
    (16, ...) array
        Dimensionless, in the table's axes: the same factors hold wherever the ball is under even lamps.
    """
    right, down, towards = np.moveaxis(facing.astype(unit.dtype), (-2, -1), (0, 1))
    height = unit[..., 0] * right[2] + unit[..., 1] * down[2]
    # along the line of sight down to the cloth, a radius below the centre
    away = -(1 + height) / towards[2]
    x = unit[..., 0] * right[0] + unit[..., 1] * down[0] + away * towards[0]
    y = unit[..., 0] * right[1] + unit[..., 1] * down[1] + away * towards[1]
    r2 = x * x + y * y
    root = 1 / np.sqrt(1 + r2)
    x, y = x * root, y * root
    near = root * root * root
    wide = 1 / np.sqrt(1 + r2 / _WIDE)
    wide = wide * wide * wide
    terms = np.empty((N_SHADOW, *x.shape), dtype=x.dtype)
    terms[0] = 1.0
    sides = (None, x, y, x * x - y * y, 2 * x * y)
    for n, part in enumerate((near, near * near, wide)):
        for m, side in enumerate(sides):
            term = terms[1 + n * len(sides) + m]
            term[...] = part if side is None else part * side
    return terms
