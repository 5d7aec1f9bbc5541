"""Which coded markers are in a picture, and roughly where: identities first, precision comes later."""

from collections.abc import Iterable

import cv2
import numpy as np

from calibrate.arrays import Floats
from calibrate.printed import DICTIONARY, MODULES

# Enlarged this much, right and down: small markers need it, and one far off on a rail is foreshortened to half its
# height or less. Each finds some that the others do not (drawn scenes, H.264 at CRF 26).
_ENLARGED = ((1, 1), (2, 2), (2, 4))
_WINDOWS_PX = ((3, 23, 10), (5, 45, 10))  # of the local threshold: smallest, largest, step
# Bits of 25 that may be misread. Two markers of the dictionary differ in 8 or more; with one misread, 15 of 100,000
# random patterns pass for some marker in some turn (200 x 26 / 2^25), and the picture as a whole is asked next.
_MISREAD_BITS = 1
_SAME_PX = 4.0  # two finds of a marker farther apart than this are two markers


def find_markers(luma: Floats) -> dict[int, Floats]:
    """Find coded markers.

    Parameters
    ----------
    luma : (H, W) array
        Brightness from 0 to 255.

    Returns
    -------
    dict of int to (4, 2) array
        By marker number: (u, v) of its corners, top left first and on clockwise as printed, to about a pixel. A
        number that is found in two places is not in it: nobody knows which is right.
    """
    grey = np.clip(np.rint(luma), 0, 255).astype(np.uint8)
    found: dict[int, list[Floats]] = {}
    for across, down in _ENLARGED:
        if max(grey.shape[1] * across, grey.shape[0] * down) > 12000:
            continue
        big = cv2.resize(grey, None, fx=across, fy=down, interpolation=cv2.INTER_CUBIC)
        for windows in _WINDOWS_PX:
            corners, numbers, _ = _detector(windows).detectMarkers(big)
            for number, places in zip(() if numbers is None else numbers.ravel(), corners, strict=True):
                # The centre of the first pixel is at (0, 0) in both pictures.
                small = (places.reshape(4, 2).astype(np.float64) + 0.5) / [across, down] - 0.5
                found.setdefault(int(number), []).append(small)
    return {number: np.median(finds, axis=0) for number, finds in found.items() if _agree(finds)}


def middle_px(corners_px: Floats) -> Floats:
    """Where the diagonals of a marker's corners (4, 2) cross: the image of its middle."""
    a, b, c, d = corners_px
    share = np.linalg.solve(np.column_stack([c - a, b - d]), b - a)[0]
    middle: Floats = a + share * (c - a)
    return middle


def _agree(finds: Iterable[Floats]) -> bool:
    middles = np.array([middle_px(corners) for corners in finds])
    return bool(np.all(np.linalg.norm(middles - np.median(middles, axis=0), axis=1) < _SAME_PX))


def _detector(windows_px: tuple[int, int, int]) -> cv2.aruco.ArucoDetector:
    dictionary = cv2.aruco.getPredefinedDictionary(DICTIONARY)
    wanted = cv2.aruco.DetectorParameters()
    wanted.adaptiveThreshWinSizeMin, wanted.adaptiveThreshWinSizeMax, wanted.adaptiveThreshWinSizeStep = windows_px
    wanted.minMarkerPerimeterRate = 0.01  # of the longer side: a marker of 5 px, before it was enlarged
    wanted.perspectiveRemovePixelPerCell = 8
    wanted.perspectiveRemoveIgnoredMarginPerCell = 0.2
    wanted.errorCorrectionRate = _MISREAD_BITS / dictionary.maxCorrectionBits
    wanted.maxErroneousBitsInBorderRate = 2 / (4 * (MODULES - 1))
    return cv2.aruco.ArucoDetector(dictionary, wanted)
