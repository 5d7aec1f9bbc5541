"""A recording whose first frames are looked at twice and decoded once: for a still picture, then in their order."""

from collections import deque
from collections.abc import Iterator
from dataclasses import replace
from itertools import islice

from calibrate.arrays import Floats
from tracker.clip import STILL_FRAMES, ClipInfo, Frame, first_mean, read_frames, still_luma

# Larger pictures than those of 4K are decoded twice rather than kept.
MOST_BYTES = 250_000_000


class FirstFrames:
    """The first frames of a recording, and after them the others.

    Parameters
    ----------
    info : ClipInfo
        Of the recording.
    capture_fps : float, optional
        As for `tracker.clip.read_frames`.

    Attributes
    ----------
    info : ClipInfo
        As given.
    luma : (H, W) float64
        Mean luma of the first frames, 0 to 255, as `tracker.clip.still_luma` gives it.

    Raises
    ------
    ClipError
        If the file cannot be read, or is damaged within its first frames.
    """

    def __init__(self, info: ClipInfo, *, capture_fps: float | None = None) -> None:
        self.info = info
        self._others = read_frames(info.path, capture_fps=capture_fps)
        self._kept: deque[Frame] = deque()
        self.luma: Floats
        if STILL_FRAMES * info.size_px[0] * info.size_px[1] > MOST_BYTES:
            self.luma = still_luma(info.path)
            return
        first = islice(self._others, STILL_FRAMES)
        self._kept.extend(replace(frame, luma=frame.luma.copy()) for frame in first)
        self.luma = first_mean(info.path, (frame.luma for frame in self._kept), STILL_FRAMES)

    def frames(self) -> Iterator[Frame]:
        """Yield every frame of the recording, once, as `tracker.clip.read_frames` does."""
        while self._kept:
            yield self._kept.popleft()
        yield from self._others
