"""Checked, read-only arrays for the records that travel between the stages."""

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
# Of either precision: what is large and need not be exact.
Reals = npt.NDArray[np.floating[Any]]
Ints = npt.NDArray[np.int64]
Bytes = npt.NDArray[np.uint8]
Bools = npt.NDArray[np.bool_]


def readonly(name: str, values: npt.ArrayLike, shape: Sequence[int | None]) -> Floats:
    """Copy `values` to a float64 array of the given shape that cannot be written to.

    Parameters
    ----------
    name : str
        Named in the error.
    values : array_like
        Numbers, finite.
    shape : sequence of int or None
        Wanted length of each axis; None is any length.

    Returns
    -------
    ndarray
        A copy with the `writeable` flag cleared.

    Raises
    ------
    ValueError
        If the shape differs or a value is not finite.
    """
    array = np.array(values, dtype=np.float64)
    fits = array.ndim == len(shape) and all(
        want is None or want == got for want, got in zip(shape, array.shape, strict=True)
    )
    if not fits:
        wanted = tuple("any" if n is None else n for n in shape)
        raise ValueError(f"{name} must have shape {wanted}, but got {array.shape}")
    if not np.isfinite(array).all():
        raise ValueError(f"{name} must be finite, but got {np.count_nonzero(~np.isfinite(array))} bad values")
    array.flags.writeable = False
    return array
