"""The calibrated picture as it is kept in the database, to see later whether the camera still stands there."""

import cv2
import numpy as np
import numpy.typing as npt

from calibrate.arrays import Floats


def bytes_from_picture(luma: Floats) -> bytes:
    """Pack a still picture, (H, W) from 0 to 255, as PNG.

    Rounding to whole levels adds 0.3 of a level of noise; averaged frames have about as much, single ones ten
    times that.
    """
    done, packed = cv2.imencode(".png", np.clip(np.rint(luma), 0, 255).astype(np.uint8))
    if not done:
        raise ValueError(f"luma must be a picture, but got an array of shape {luma.shape}")
    return packed.tobytes()


def picture_from_bytes(packed: bytes) -> Floats:
    """Unpack what `bytes_from_picture` packed, (H, W)."""
    raw: npt.NDArray[np.uint8] = np.frombuffer(packed, dtype=np.uint8)
    luma = cv2.imdecode(raw, cv2.IMREAD_GRAYSCALE)
    if luma is None:
        raise ValueError("packed must be a PNG picture")
    return np.asarray(luma, dtype=np.float64)
