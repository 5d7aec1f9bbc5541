"""The sound of a recording between two of its times, on the time base of its frames."""

import math
from dataclasses import dataclass
from pathlib import Path

import av  # noqa: TID251 - decoding pictures lives in `tracker.clip`; sound is decoded here
import av.audio.frame  # noqa: TID251
import av.audio.stream  # noqa: TID251
import av.container  # noqa: TID251
import av.error  # noqa: TID251
import numpy as np
import numpy.typing as npt

from calibrate.arrays import Floats
from tracker.clip import ONE_FILE, sound_track

# What a phone records lies within; a damaged header may say anything.
LEAST_HZ, MOST_HZ = 8_000, 192_000
# More than that of one shot is not kept in memory: 25 s of a 240 Hz recording played at 30.
LONGEST_S = 60.0
# PyAV counts the planes of a frame up to an end that FFmpeg writes after seven of them at most: with more, be they
# there or only said to be by a damaged frame, it reads beyond them.
_MOST_PLANES = 7
# Louder than this is no sound but a damaged number; full scale is 1, and floating point goes beyond it.
_LOUDEST = 16.0
# A frame follows the one before it without a gap if it lies within this of its end: Matroska tells times in whole
# milliseconds, rounded.
_JOINED_S = 0.0015
# Before a span: what the decoder needs to come into step (two frames of AAC are 43 ms).
_LEAD_S = 0.1


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Sound:
    """Sound of one microphone.

    Attributes
    ----------
    first_s : float
        Presentation time of the first sample, as the file gives times to its frames.
    rate_hz : float
        Samples a second.
    samples : (N,) float64
        -1 to 1; nought where the file holds no sound.
    """

    first_s: float
    rate_hz: float
    samples: Floats


def read_sound(path: Path, *, from_s: float, until_s: float) -> Sound | None:
    """Decode the first sound track of a recording between two of its presentation times.

    The delay of the encoder, edit lists and streams that begin at different times are in those times.

    Parameters
    ----------
    path : Path
        The recording.
    from_s, until_s : float
        The span, in the file's own time; cut to what the file holds.

    Returns
    -------
    Sound or None
        Of the louder of two microphones, for their mean would smear what comes from aside; None where there is no
        sound, or none that can be decoded: a picture can be measured without.
    """
    try:
        with av.open(str(path), options=dict(ONE_FILE)) as container:
            track = sound_track(container)
            if track is None or not LEAST_HZ <= track.rate <= MOST_HZ:
                return None
            return _decoded(container, track, from_s, min(until_s, from_s + LONGEST_S))
    except (av.error.FFmpegError, OSError, OverflowError, ValueError):
        return None


def _decoded(
    container: av.container.InputContainer, track: av.audio.stream.AudioStream, from_s: float, until_s: float
) -> Sound | None:
    """Lay the frames of a track where their times say, and keep the louder channel."""
    base, rate = float(track.time_base or 0), track.rate
    if from_s > _LEAD_S:
        container.seek(math.floor((from_s - _LEAD_S) / base), stream=track)
    pieces: list[tuple[float, npt.NDArray[np.float64]]] = []
    for frame in container.decode(track):
        if frame.pts is None or frame.sample_rate != rate or not _readable(frame):
            continue
        time_s = frame.pts * base
        if time_s > until_s:
            break
        if time_s + frame.samples / rate > from_s:
            pieces.append((time_s, _channels(frame)))
    if not pieces:
        return None
    first_s = pieces[0][0]
    length = round((min(pieces[-1][0], first_s + LONGEST_S) - first_s) * rate) + pieces[-1][1].shape[1]
    laid = np.zeros((max(len(piece) for _, piece in pieces), length))
    end = 0
    for time_s, piece in pieces:
        at = round((time_s - first_s) * rate)
        if abs(at - end) < _JOINED_S * rate:
            at = end
        end = at + piece.shape[1]
        if 0 <= at < length:
            here = piece[:, : length - at]
            laid[: len(here), at : at + here.shape[1]] = here
    # without its mean: a microphone's offset is no loudness
    return Sound(first_s=first_s, rate_hz=float(rate), samples=laid[int(np.argmax(np.std(laid, axis=1)))])


def _readable(frame: av.audio.frame.AudioFrame) -> bool:
    """Whether the samples of a frame can be taken out of it."""
    return 0 < len(frame.layout.channels) <= _MOST_PLANES or not frame.format.is_planar


def _channels(frame: av.audio.frame.AudioFrame) -> npt.NDArray[np.float64]:
    """(channels, N) samples of a frame, -1 to 1, however it holds them."""
    values: npt.NDArray[np.generic] = frame.to_ndarray()
    if not frame.format.is_planar:
        values = values.reshape(-1, len(frame.layout.channels)).T
    samples = values.astype(np.float64)
    if values.dtype.kind == "f":
        return np.where(np.abs(samples) < _LOUDEST, samples, 0.0)
    bits = 8 * values.dtype.itemsize
    return (samples - (128 if values.dtype.kind == "u" else 0)) / 2.0 ** (bits - 1)
