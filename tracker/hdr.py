"""High dynamic range back to the usual grey levels: recordings whose tone curve is that of HLG or PQ.

Phones that record "HDR" write 10 bits with one of two curves that no screen of the usual range shows as they are,
and that the rest of the tracker does not know. Here such levels become those of a recording without it.
"""

from functools import cache

import numpy as np
import numpy.typing as npt

# Transfer characteristics by ITU-T H.273: SMPTE ST 2084 (PQ) and ARIB STD-B67 (HLG).
PQ, HLG = 16, 18
# Reference white, of a sheet of paper: 203 cd/m2 in PQ, a signal of 75 % in HLG (ITU-R BT.2408-7, table 1). What is
# brighter than twice that is cut off: a glint, not a ball.
_WHITE_CD_M2, _WHITE_HLG, _HEADROOM = 203.0, 0.75, 2.0


@cache
def usual_levels(transfer: int, *, full_range: bool) -> npt.NDArray[np.uint8] | None:
    """Give the grey level of usual video for each level of 10 bits.

    Parameters
    ----------
    transfer : int
        As the file states it (ITU-T H.273).
    full_range : bool
        Whether black and white are 0 and 1023; else 64 and 940. The result has the same range, in 8 bits.

    Returns
    -------
    (1024,) uint8, or None
        None where the recording has the usual range already.
    """
    if transfer not in (PQ, HLG):
        return None
    black, white = (0, 1023) if full_range else (64, 940)
    signal = np.clip((np.arange(1024) - black) / (white - black), 0, 1)
    light = _pq_cd_m2(signal) / _WHITE_CD_M2 if transfer == PQ else _hlg(signal) / _hlg(np.array(_WHITE_HLG))
    light = np.clip(light / _HEADROOM, 0, 1)
    # The curve of sRGB, IEC 61966-2-1, as `tracker.tone` takes it off again.
    code = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    low, high = (0, 255) if full_range else (16, 235)
    levels = np.round(low + (high - low) * code).astype(np.uint8)
    levels.flags.writeable = False
    return levels


def _pq_cd_m2(signal: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Luminance shown for a PQ signal: ITU-R BT.2100-2, table 4."""
    m1, m2 = 2610 / 16384, 2523 / 4096 * 128
    c1, c2, c3 = 3424 / 4096, 2413 / 4096 * 32, 2392 / 4096 * 32
    root = signal ** (1 / m2)
    return np.asarray(10_000 * (np.maximum(root - c1, 0) / (c2 - c3 * root)) ** (1 / m1), dtype=np.float64)


def _hlg(signal: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Light of the scene for an HLG signal, 1 at its peak: ITU-R BT.2100-2, table 5."""
    a = 0.17883277
    b, c = 1 - 4 * a, 0.5 - a * np.log(4 * a)
    low, high = signal**2 / 3, (np.exp((signal - c) / a) + b) / 12
    return np.asarray(np.where(signal <= 0.5, low, high), dtype=np.float64)
