"""Frames into a video file, with the irregular presentation times of a phone, and its sound beside them."""

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av  # noqa: TID251 - the reason of the ban is decoding; this is the one place that encodes
import numpy as np

from sample_clips.optics import Image
from sample_clips.physics import Floats

TICKS_PER_S = 90_000
_AUDIO_FRAME = 1024


@dataclass(frozen=True, slots=True, kw_only=True)
class Coding:
    """How the file is compressed.

    Attributes
    ----------
    crf : int
        Constant quality of libx264; higher is coarser.
    preset : str
        Its speed.
    keyframe_s : float
        Time between key frames.
    slowed : float
        Factor by which the file plays slower than it was recorded.
    """

    crf: int = 21
    preset: str = "medium"
    keyframe_s: float = 1.0
    slowed: float = 1.0


def write_clip(
    path: Path,
    frames: Iterable[tuple[int, Image]],
    *,
    size_px: tuple[int, int],
    fps: float,
    coding: Coding,
    sound: tuple[Floats, int] | None = None,
) -> None:
    """Encode frames to H.264 in an mp4 file.

    Parameters
    ----------
    frames : iterable of (int, (3/2 H, W) uint8)
        Time of recording in ticks of 1/90000 s, and the planes Y, U, V of 4:2:0 one below the other.
    sound : ((N,) array, int), optional
        Samples from the first frame on, -1 to 1, and how many a second, as the file is to play; written as AAC.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    with av.open(str(path), "w") as file:
        played = Fraction(fps / coding.slowed).limit_denominator(1001)
        stream = file.add_stream("libx264", rate=played)
        stream.width, stream.height = size_px
        stream.pix_fmt = "yuv420p"
        stream.time_base = stream.codec_context.time_base = Fraction(1, TICKS_PER_S)
        stream.codec_context.gop_size = max(1, round(coding.keyframe_s * fps))
        # one thread: the file does not depend on the machine
        stream.options = {"crf": str(coding.crf), "preset": coding.preset, "threads": "1"}
        stream.codec_context.color_range = 1
        stream.codec_context.colorspace = stream.codec_context.color_primaries = stream.codec_context.color_trc = 1
        track = None
        if sound is not None:
            track = file.add_stream("aac", rate=sound[1])
            track.layout, track.bit_rate = "mono", 96_000
        for ticks, planes in frames:
            frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(planes), format="yuv420p")
            frame.pts = round(ticks * coding.slowed)
            frame.time_base = Fraction(1, TICKS_PER_S)
            file.mux(stream.encode(frame))
        file.mux(stream.encode(None))
        if track is not None and sound is not None:
            samples, rate = sound
            for first in range(0, len(samples), _AUDIO_FRAME):
                piece = np.ascontiguousarray(samples[None, first : first + _AUDIO_FRAME], dtype=np.float32)
                heard = av.AudioFrame.from_ndarray(piece, format="fltp", layout="mono")
                heard.rate, heard.pts, heard.time_base = rate, first, Fraction(1, rate)
                file.mux(track.encode(heard))
            file.mux(track.encode(None))
