"""Recordings: frames in display orientation with their true times; the only place that decodes video."""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import islice, takewhile
from pathlib import Path

import av  # noqa: TID251 - the one place
import av.audio.stream  # noqa: TID251 - the one place
import av.container  # noqa: TID251 - the one place
import av.error  # noqa: TID251 - the one place
import av.video.stream  # noqa: TID251 - the one place
import cv2
import numpy as np
import numpy.typing as npt

from calibrate.arrays import Floats
from calibrate.errors import ClipError
from tracker.container import missing_bytes
from tracker.hdr import usual_levels
from tracker.readout import way_after_turns

Luma = npt.NDArray[np.uint8]
Colour = npt.NDArray[np.uint8]

CLIP_SUFFIXES = frozenset({".mp4", ".mov", ".m4v", ".mkv", ".avi", ".webm", ".3gp", ".mts"})
IMAGE_SUFFIXES = frozenset({".png", ".jpg", ".jpeg", ".bmp", ".tif", ".tiff"})

# What a file is goes by its contents. A list of other files (a playlist, a script that joins clips) under the name
# of a recording would have the decoder open those: only formats that hold the pictures themselves, only this file.
ONE_FILE = {
    "format_whitelist": "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,avi,mpegts,mpeg,asf,flv,ogg",
    "protocol_whitelist": "file",
}

# Pixel formats whose first plane is 8-bit luma, used as it lies in the decoder's memory.
PLANAR_LUMA_8 = frozenset(
    {"yuv420p", "yuvj420p", "yuv422p", "yuvj422p", "yuv444p", "yuvj444p", "nv12", "nv21", "gray"}
)
# The same with 10 bits in 16, as phones write high dynamic range.
PLANAR_LUMA_10 = frozenset({"yuv420p10le", "yuv422p10le", "yuv444p10le"})
# Averaged for a still picture: what moves in them is faint, compression noise averages out.
STILL_FRAMES = 24
# Refused before anything of that size is decoded: 8K is 33 million.
MOST_PIXELS = 64_000_000
_MOST_FPS = 10_000.0
_SUMMED = 256  # pictures of one byte a pixel whose sum two bytes hold
# AVCOL_RANGE_JPEG of FFmpeg.
_FULL_RANGE = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipInfo:
    """What a file says about itself.

    Attributes
    ----------
    path : Path
        The recording.
    size_px : tuple of int
        Width and height after the rotation that the file asks for.
    n_frames : int
        Frames in the file.
    first_s, last_s : float
        Presentation times of the first and the last frame, in the file's own time.
    frame_rate : float
        Frames a second at which the file plays, gaps from dropped frames bridged.
    codec : str
        Name of the codec.
    readout_way : tuple of int
        Which way a rolling shutter reads the picture as shown, right and down; see `tracker.readout`.
    full_range : bool
        Whether black and white are grey levels 0 and 255; else 16 and 235, as usual in video.
    capture_fps : float or None
        Frames a second at which the camera recorded, where the file says so; it may play slower.
    missing_bytes : int
        How much of the file is missing at its end, by what it says itself.
    sound_s : float or None
        How long its sound lasts, in the file's own time; None where it has none, or does not say.
    """

    path: Path
    size_px: tuple[int, int]
    n_frames: int
    first_s: float
    last_s: float
    frame_rate: float
    codec: str
    readout_way: tuple[int, int]
    full_range: bool
    capture_fps: float | None = None
    missing_bytes: int = 0
    sound_s: float | None = None


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Frame:
    """One decoded frame.

    Attributes
    ----------
    index : int
        Position among the frames decoded, from 0.
    time_s : float
        Presentation time, scaled to the time of the recording where that was slower.
    luma : (H, W) uint8
        Luma plane in display orientation; may be a view of the decoder's memory, valid until the next frame.
    """

    index: int
    time_s: float
    luma: Luma


def _open(path: Path) -> av.container.InputContainer:
    """Open a recording, with every way to fail in one clear line."""
    if not path.exists():
        raise ClipError(f"{path}: no such file")
    if path.stat().st_size == 0:
        raise ClipError(f"{path}: the file is empty; copy it from the phone again")
    try:
        container = av.open(str(path), options=dict(ONE_FILE))
    except (av.error.FFmpegError, ValueError) as error:
        raise ClipError(
            f"{path}: not a video that can be read, or cut short while copying; copy it from the phone again"
        ) from error
    if not container.streams.video:
        container.close()
        raise ClipError(f"{path}: holds no video")
    return container


def _video(path: Path, container: av.container.InputContainer) -> av.video.stream.VideoStream:
    """Return the recording among the streams of a file: phones add thumbnails, depth maps and previews."""
    # A damaged header may name a codec that nobody knows: such a stream has no context.
    known = [one for one in container.streams.video if one.codec_context is not None]
    if not known:
        raise ClipError(f"{path}: holds no video that can be decoded; copy it from the phone again")
    stream = max(known, key=lambda one: one.codec_context.width * one.codec_context.height)
    width, height = stream.codec_context.width, stream.codec_context.height
    if width * height > MOST_PIXELS:
        raise ClipError(
            f"{path}: says that its picture has {width} x {height} px, more than any camera's "
            f"({MOST_PIXELS // 10**6} million at most); it is damaged or no recording of a phone"
        )
    # A frame in which an error was found is no frame to measure in; unasked, the decoder paints over it.
    stream.codec_context.options = {"err_detect": "explode"}
    return stream


def _frame_interval_s(times_s: Floats) -> float:
    """Interval of the camera's clock: dropped frames counted, jitter averaged out."""
    steps = np.diff(times_s)
    steps = steps[steps > 0]
    if not steps.size:
        return 0.0
    typical = float(np.median(steps))
    # A gap of two intervals is one dropped frame; the slope over counted intervals averages the jitter.
    counts = np.maximum(1.0, np.round(steps / typical))
    return float(np.sum(steps) / np.sum(counts))


def _quarter_turns(frame: av.video.frame.VideoFrame) -> int:
    """How often the file asks for a quarter turn anticlockwise, 0 to 3."""
    return round(frame.rotation / 90) % 4


def _refuse_mirrored(path: Path, frame: av.video.frame.VideoFrame) -> None:
    """Refuse a file that asks to be shown mirrored: nobody could tell which of the two pictures was clicked."""
    matrix = frame.side_data.get("DISPLAYMATRIX")
    if matrix is None:
        return
    a, b, _, c, d = np.frombuffer(matrix, dtype="<i4")[:5].astype(float)  # type: ignore[call-overload]
    if a * d - b * c < 0:
        raise ClipError(f"{path}: asks to be shown mirrored; record without mirroring, with the main camera")


def _turns_of(path: Path, container: av.container.InputContainer, stream: av.video.stream.VideoStream) -> int:
    """Quarter turns of a file: the decoder tells them with the first frame."""
    for frame in container.decode(stream):
        _refuse_mirrored(path, frame)
        return _quarter_turns(frame)
    return 0


def _stamps(container: av.container.InputContainer, stream: av.video.stream.VideoStream) -> list[int]:
    """Presentation times of the frames that are shown: an edit list may begin or end within the stream."""
    packets = container.demux(stream)
    return [packet.pts for packet in packets if packet.pts is not None and not packet.is_discard]


def _capture_fps(container: av.container.InputContainer, stream: av.video.stream.VideoStream) -> float | None:
    """Read the rate of the camera from the metadata: phones that record slow motion write a key of their system.

    Such keys are free text in a `meta` box with handler `mdta` (QuickTime File Format) and end alike.
    """
    for key, value in {**container.metadata, **stream.metadata}.items():
        if key.lower().endswith(("capture.fps", "capture_fps")):
            try:
                rate = float(value)
            except ValueError:
                continue
            if 1 < rate < _MOST_FPS:
                return rate
    return None


def sound_track(container: av.container.InputContainer) -> av.audio.stream.AudioStream | None:
    """Return the first track of sound that can be decoded, if there is one."""
    return next((one for one in container.streams.audio if one.codec_context is not None and one.time_base), None)


def _sound_s(container: av.container.InputContainer) -> float | None:
    """Length of the sound; that of the file where only this is said, as in Matroska."""
    track = sound_track(container)
    if track is None:
        return None
    if track.duration is not None and track.time_base is not None:
        return float(track.duration * track.time_base)
    return None if container.duration is None else container.duration / 1e6


def clip_info(path: Path) -> ClipInfo:
    """Read what a file says about itself, decoding one frame only.

    Parameters
    ----------
    path : Path
        The recording.

    Returns
    -------
    ClipInfo
        Sizes and times.

    Raises
    ------
    ClipError
        If the file is missing, empty, not a video, or holds no frame.
    """
    with _open(path) as container:
        stream = _video(path, container)
        try:
            stamps = _stamps(container, stream)
            container.seek(0)
            turns = _turns_of(path, container, stream)
        except av.error.FFmpegError as error:
            raise ClipError(f"{path}: damaged; copy it from the phone again") from error
        if not stamps or stream.time_base is None:
            raise ClipError(f"{path}: holds no frames")
        times_s = np.sort(np.array(stamps, dtype=np.float64)) * float(stream.time_base)
        interval_s = _frame_interval_s(times_s)
        width, height = stream.codec_context.width, stream.codec_context.height
        pixels = stream.codec_context.pix_fmt
        return ClipInfo(
            path=path,
            size_px=(height, width) if turns % 2 else (width, height),
            n_frames=len(times_s),
            first_s=float(times_s[0]),
            last_s=float(times_s[-1]),
            frame_rate=1 / interval_s if interval_s else 0.0,
            codec=stream.codec_context.name,
            readout_way=way_after_turns(turns),
            full_range=stream.codec_context.color_range == _FULL_RANGE or (pixels or "").startswith("yuvj"),
            capture_fps=_capture_fps(container, stream),
            missing_bytes=missing_bytes(path),
            sound_s=_sound_s(container),
        )


def _luma(frame: av.video.frame.VideoFrame, transfer: int) -> Luma:
    """Luma plane of a decoded frame in display orientation, without copying where the format allows."""
    name = frame.format.name
    if name not in PLANAR_LUMA_8 and name not in PLANAR_LUMA_10:
        frame = frame.reformat(format="gray")
        name = "gray"
    plane = frame.planes[0]
    if name in PLANAR_LUMA_10:
        wide: npt.NDArray[np.uint16] = np.frombuffer(plane, dtype=np.uint16)  # type: ignore[call-overload]
        wide = wide.reshape(frame.height, plane.line_size // 2)
        levels = usual_levels(transfer, full_range=frame.color_range == _FULL_RANGE)
        wide = wide[:, : frame.width]
        luma = (wide >> 2).astype(np.uint8) if levels is None else levels[np.minimum(wide, len(levels) - 1)]
    else:
        flat: Luma = np.frombuffer(plane, dtype=np.uint8)  # type: ignore[call-overload]
        luma = flat.reshape(frame.height, plane.line_size)[:, : frame.width]
    turns = _quarter_turns(frame)
    return np.rot90(luma, turns) if turns else luma


def _colour(frame: av.video.frame.VideoFrame) -> Colour:
    """Colours of a decoded frame in display orientation: blue, green, red."""
    colours = np.asarray(frame.to_ndarray(format="bgr24"), dtype=np.uint8)
    turns = _quarter_turns(frame)
    return np.ascontiguousarray(np.rot90(colours, turns)) if turns else colours


def read_frames(
    path: Path,
    *,
    capture_fps: float | None = None,
    from_s: float = -math.inf,
    until_s: float = math.inf,
) -> Iterator[Frame]:
    """Decode a recording, or a span of it.

    Parameters
    ----------
    path : Path
        The recording.
    capture_fps : float, optional
        Frames a second at which the camera recorded, where the file plays slower.
    from_s, until_s : float
        The span, in the times that are given; all of it unless given.

    Yields
    ------
    Frame
        In order of time.

    Raises
    ------
    ClipError
        If the file cannot be read, or is damaged from some frame on (frames before that were given).
    """
    for frame in _frames(path, capture_fps, from_s if math.isfinite(from_s) else None):
        if frame.time_s > until_s:
            return
        if frame.time_s >= from_s:
            yield frame


def read_keyframes(path: Path, *, capture_fps: float | None = None) -> Iterator[Frame]:
    """Decode only the frames that need no others: one in 30 to 250 of what phones write.

    Parameters
    ----------
    path : Path
        The recording.
    capture_fps : float, optional
        As for `read_frames`.

    Yields
    ------
    Frame
        In order of time.

    Raises
    ------
    ClipError
        As `read_frames`.
    """
    for index, time_s, frame, transfer in _decoded(path, capture_fps, None, keyframes=True):
        yield Frame(index=index, time_s=time_s, luma=_luma(frame, transfer))


def read_colours(
    path: Path, *, from_s: float | None = None, capture_fps: float | None = None
) -> Iterator[tuple[float, Colour]]:
    """Decode a recording in colour, for people to look at; measuring needs brightness alone.

    Parameters
    ----------
    path : Path
        The recording.
    from_s : float, optional
        Where to begin, as `read_frames` gives times; the start unless given.
    capture_fps : float, optional
        As for `read_frames`.

    Yields
    ------
    time_s : float
        Of the frame.
    colours : (H, W, 3) uint8
        Blue, green, red, in display orientation.

    Raises
    ------
    ClipError
        As `read_frames`.
    """
    for _, time_s, frame, _ in _decoded(path, capture_fps, from_s):
        if from_s is None or time_s >= from_s:
            yield time_s, _colour(frame)


def frame_times_s(path: Path, *, capture_fps: float | None = None) -> Floats:
    """Read the times of all frames of a recording, without decoding it.

    Parameters
    ----------
    path : Path
        The recording.
    capture_fps : float, optional
        As for `read_frames`.

    Returns
    -------
    (N,) array
        Increasing, as `read_frames` gives times.

    Raises
    ------
    ClipError
        If the file cannot be read.
    """
    with _open(path) as container:
        stream = _video(path, container)
        try:
            stamps = _stamps(container, stream)
        except av.error.FFmpegError as error:
            raise ClipError(f"{path}: damaged; copy it from the phone again") from error
        times_s = np.unique(np.array(stamps, dtype=np.float64)) * float(stream.time_base or 1)
    interval_s = _frame_interval_s(times_s)
    return times_s / (interval_s * capture_fps) if capture_fps is not None and interval_s else times_s


def _frames(path: Path, capture_fps: float | None, near_s: float | None) -> Iterator[Frame]:
    """Decode brightness from the start, or from shortly before `near_s`."""
    for index, time_s, frame, transfer in _decoded(path, capture_fps, near_s):
        yield Frame(index=index, time_s=time_s, luma=_luma(frame, transfer))


def _decoded(
    path: Path, capture_fps: float | None, near_s: float | None, *, keyframes: bool = False
) -> Iterator[tuple[int, float, av.video.frame.VideoFrame, int]]:
    """Decode from the start, or from the last frame before `near_s` that can be decoded without earlier ones.

    Yields index, time, frame, and the tone curve that the stream states (ITU-T H.273).
    """
    slowdown = 1.0
    if capture_fps is not None:
        playing_fps = clip_info(path).frame_rate
        slowdown = playing_fps / capture_fps if playing_fps else 1.0
    with _open(path) as container:
        stream = _video(path, container)
        stream.thread_type = "AUTO"
        stream.codec_context.skip_frame = "NONKEY" if keyframes else "DEFAULT"
        last_s = -math.inf
        size = stream.codec_context.width, stream.codec_context.height
        try:
            for index, frame in enumerate(_from_near(container, stream, near_s, slowdown)):
                if frame.pts is None or frame.time_base is None:
                    continue
                if index == 0:
                    _refuse_mirrored(path, frame)
                if frame.is_corrupt:
                    raise ClipError(f"{path}: damaged after {max(last_s, 0):.2f} s; copy it from the phone again")
                time_s = float(frame.pts * frame.time_base)
                if time_s <= last_s:
                    continue  # the same moment twice, as an editor leaves it
                if (frame.width, frame.height) != size:
                    raise ClipError(
                        f"{path}: its picture changes size at {time_s:.2f} s; only what is before counts"
                    )
                last_s = time_s
                yield index, last_s * slowdown, frame, stream.codec_context.color_trc
        except av.error.FFmpegError as error:
            raise ClipError(
                f"{path}: damaged after {max(last_s, 0):.2f} s; copy it from the phone again"
            ) from error


def _from_near(
    container: av.container.InputContainer,
    stream: av.video.stream.VideoStream,
    near_s: float | None,
    slowdown: float,
) -> Iterator[av.video.frame.VideoFrame]:
    """Decode from the last frame before a time that needs no earlier ones; from the start where no time is given.

    Files without an index are entered by guess, which may be too late: then farther before.
    """
    if near_s is None or not stream.time_base:
        yield from container.decode(stream)
        return
    time_base, wanted_s = float(stream.time_base), near_s / slowdown
    for before_s in (0.0, 1.0, 5.0):
        container.seek(math.floor((wanted_s - before_s) / time_base), stream=stream)
        frames = container.decode(stream)
        first = next(frames, None)
        if first is not None and (first.pts or 0) * time_base <= wanted_s:
            yield first
            yield from frames
            return
    container.seek(0)
    yield from container.decode(stream)


def still_luma(path: Path, *, count: int = STILL_FRAMES) -> Floats:
    """Mean luma of the first frames of a recording, or the luma of an image: for clicking and snapping.

    Parameters
    ----------
    path : Path
        A recording or an image.
    count : int
        Frames to average.

    Returns
    -------
    (H, W) array
        Luma, 0 to 255.

    Raises
    ------
    ClipError
        If the file cannot be read.
    """
    if path.suffix.lower() in IMAGE_SUFFIXES:
        return _image(path, cv2.IMREAD_GRAYSCALE).astype(np.float64)
    return first_mean(path, (frame.luma for frame in read_frames(path)), count)


def still_colours(path: Path, *, count: int = STILL_FRAMES) -> Colour:
    """Mean of the first frames of a recording in colour, or an image: what `still_luma` measures, to look at.

    Parameters
    ----------
    path : Path
        A recording or an image.
    count : int
        Frames to average.

    Returns
    -------
    (H, W, 3) array
        Blue, green, red.

    Raises
    ------
    ClipError
        If the file cannot be read.
    """
    if path.suffix.lower() in IMAGE_SUFFIXES:
        return _image(path, cv2.IMREAD_COLOR)
    return first_mean(path, (colours for _, colours in read_colours(path)), count).astype(np.uint8)


def still_luma_between(
    path: Path, from_s: float, until_s: float, *, capture_fps: float | None = None
) -> Floats | None:
    """Mean luma of the frames in a span of time.

    Parameters
    ----------
    path : Path
        The recording.
    from_s, until_s : float
        First and last time, as `read_frames` gives times.
    capture_fps : float, optional
        As for `read_frames`.

    Returns
    -------
    (H, W) array or None
        Luma, 0 to 255; None where there are no frames in that span.

    Raises
    ------
    ClipError
        If the file cannot be read, or is damaged before the span's end.
    """
    frames = takewhile(lambda one: one.time_s <= until_s, _frames(path, capture_fps, from_s))
    return _mean(one.luma for one in frames if one.time_s >= from_s)


def _image(path: Path, how: int) -> npt.NDArray[np.uint8]:
    """Read an image file; for `how` see `cv2.imread`."""
    image = cv2.imread(str(path), how) if path.exists() else None
    if image is None:
        raise ClipError(f"{path}: not an image that can be read")
    return np.asarray(image, dtype=np.uint8)


def first_mean(path: Path, pictures: Iterable[npt.NDArray[np.uint8]], count: int) -> Floats:
    """Average the first `count` pictures of a recording, of any shape; `ClipError` where there are none."""
    mean = _mean(islice(pictures, count))
    if mean is None:
        raise ClipError(f"{path}: holds no frames")
    return mean


def _mean(pictures: Iterable[npt.NDArray[np.uint8]]) -> Floats | None:
    total: npt.NDArray[np.uint32] | None = None
    part: npt.NDArray[np.uint16] | None = None
    used = 0
    for picture in pictures:
        # in whole numbers, the smaller the quicker: several times as quick as in others
        part = picture.astype(np.uint16) if part is None else np.add(part, picture, out=part)
        used += 1
        if used % _SUMMED == 0:
            total, part = part.astype(np.uint32) if total is None else total + part, None
    if part is not None:
        total = part.astype(np.uint32) if total is None else total + part
    return None if total is None else np.asarray(total / used, dtype=np.float64)
