"""A clip that plays everywhere: H.264, 4:2:0, its index in front, times as given, sound copied on demand."""

from collections.abc import Iterable
from fractions import Fraction
from pathlib import Path

import av  # noqa: TID251 - decoding lives in `tracker.clip`; encoding lives here
import av.error  # noqa: TID251
import numpy as np
import numpy.typing as npt

from calibrate.errors import ClipError

_TIME_BASE = Fraction(1, 90_000)  # of MPEG; fine enough for any frame rate
# Constant quality, visually close to the recording; the fast preset encodes at several times the decoder's speed.
_OPTIONS = {"crf": "20", "preset": "veryfast"}


def write_clip(
    path: Path,
    pictures: Iterable[tuple[float, npt.NDArray[np.uint8]]],
    *,
    rate: float,
    sound: tuple[Path, float, float] | None = None,
) -> None:
    """Write pictures as a clip.

    Parameters
    ----------
    path : Path
        An .mp4.
    pictures : iterable of (float, (H, W, 3) uint8)
        Time in s from the start of the clip, rising, and blue, green, red. An odd last row or column is cut off, as
        4:2:0 has none.
    rate : float
        Frames a second that the file says it has; times may be irregular all the same.
    sound : (Path, float, float), optional
        Recording whose sound is copied, and the span of it in s of that file's own times.

    Raises
    ------
    ClipError
        If the clip cannot be written, or there is no picture.
    """
    try:
        with av.open(str(path), "w", options={"movflags": "+faststart"}) as output:
            stream = output.add_stream("libx264", rate=Fraction(rate).limit_denominator(1001))
            stream.pix_fmt, stream.time_base = "yuv420p", _TIME_BASE
            stream.options = dict(_OPTIONS)
            copied = None if sound is None else _Sound(output, *sound)
            last = -1
            for time_s, picture in pictures:
                height, width = (n - n % 2 for n in picture.shape[:2])
                if last < 0:
                    stream.width, stream.height = width, height
                frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(picture[:height, :width]), format="bgr24")
                last = max(last + 1, round(time_s / _TIME_BASE))
                frame.pts, frame.time_base = last, _TIME_BASE
                output.mux(stream.encode(frame))
            if last < 0:
                raise ClipError(f"{path}: there is no picture to write")
            output.mux(stream.encode())
            if copied is not None:
                copied.copy()
    except (OSError, av.error.FFmpegError) as error:
        raise ClipError(f"{path}: cannot be written ({error.strerror or error})") from error


class _Sound:
    """The first sound track of a recording, copied packet by packet over a span."""

    def __init__(
        self, output: av.container.OutputContainer, recording: Path, from_s: float, until_s: float
    ) -> None:
        self._output, self._from_s, self._until_s = output, from_s, until_s
        self._input = av.open(str(recording))
        track = next(iter(self._input.streams.audio), None)
        self._track = track
        self._copy = None if track is None else output.add_stream_from_template(track)

    def copy(self) -> None:
        """Copy what lies in the span, shifted to the start of the clip."""
        with self._input as recording:
            if self._track is None or self._copy is None:
                return
            base = self._track.time_base or _TIME_BASE
            for packet in recording.demux(self._track):
                if (
                    packet.pts is None
                    or packet.dts is None
                    or not self._from_s <= packet.pts * base < self._until_s
                ):
                    continue
                shift = round(self._from_s / base)
                packet.pts, packet.dts = packet.pts - shift, packet.dts - shift
                packet.stream = self._copy
                self._output.mux(packet)
