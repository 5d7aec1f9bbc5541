"""How often texture is taken for a printed marker: random crops of made-up backgrounds, read and then registered.

    python tests/benchmarks/marker_identities.py 10000 [SEED]

Crops are small, as texture is alike everywhere: a marker of 10 to 40 px fits in. A code that is read from texture
counts for nothing until the picture confirms the whole print, so both are counted.
"""

import sys
from pathlib import Path

import numpy as np
from scipy.ndimage import gaussian_filter

sys.path.insert(0, str(Path(__file__).parents[1] / "calibrate"))

from calibrate_scenes import BALL, LANE, SCALE, TABLE

from calibrate.auto import find_marks
from calibrate.errors import MarksError
from calibrate.find_markers import find_markers

SIZE = (96, 128)


def texture(rng: np.random.Generator) -> np.ndarray:
    """Blocks, stripes, blobs and weave of random size and contrast, some of them hard-edged."""
    height, width = SIZE
    kind = rng.integers(4)
    cell = int(rng.integers(2, 30))
    if kind == 0:
        coarse = rng.uniform(size=(height // cell + 1, width // cell + 1))
        picture = np.kron(coarse, np.ones((cell, cell)))[:height, :width]
    elif kind == 1:
        picture = gaussian_filter(rng.normal(size=SIZE), cell / 4)
    elif kind == 2:
        v, u = np.mgrid[:height, :width]
        turn = rng.uniform(0, np.pi)
        picture = np.sin((u * np.cos(turn) + v * np.sin(turn)) / cell * 2) * np.sin(v / rng.integers(2, 30))
    else:
        picture = gaussian_filter(rng.normal(size=SIZE), (cell / 3, cell / 9))
    if rng.uniform() < 0.5:
        picture = (picture > np.quantile(picture, rng.uniform(0.3, 0.7))).astype(float)
    picture = (picture - picture.min()) / max(float(np.ptp(picture)), 1e-9)
    return np.clip(20 + 210 * picture + rng.normal(0, 3, SIZE), 0, 255)


def main(count: int, seed: int) -> None:
    """Count crops in which a code was read, and crops from which a calibration would have come."""
    rng = np.random.default_rng(seed)
    read = accepted = 0
    for _ in range(count):
        crop = texture(rng)
        if not find_markers(crop):
            continue
        read += 1
        try:
            find_marks(crop, table=TABLE, lane=LANE, ball=BALL, scale=SCALE)
            accepted += 1
        except MarksError:
            pass
    print(f"{count} crops of texture: a code was read in {read}, and taken for a printed marker in {accepted}.")


if __name__ == "__main__":
    count, seed = [*(int(argument) for argument in sys.argv[1:]), *(1000, 20240611)[len(sys.argv) - 1 :]]
    main(count, seed)
