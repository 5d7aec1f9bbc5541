"""Pictures for the page: small ones of each shot, a still one of a recording, and the frames of a shot in a row."""

from collections import OrderedDict
from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from threading import Condition, Lock, Thread
from typing import Any, Generic, TypeVar

import cv2
import numpy as np

from analyze.fit.shot import Shot
from analyze.session.folder import Session
from calibrate.arrays import Floats
from calibrate.calibration import Calibration
from calibrate.errors import ClipError
from tracker.clip import Colour, frame_times_s, read_colours, still_colours

Value = TypeVar("Value")
THUMB_PX = (256, 144)
BEFORE_S, AFTER_S = 0.2, 0.12  # shown of a shot before the strike and after cushion contact
FRAME_QUALITY, STILL_QUALITY = 88, 94  # JPEG
MOST_FRAMES = 600  # of one shot; longer ones are thinned out
_PATH_BGR, _RIM_BGR = (28, 82, 196), (245, 243, 240)


def jpeg(colours: Colour, quality: int) -> bytes:
    """Pack a picture, (H, W, 3) blue, green, red, as JPEG."""
    done, packed = cv2.imencode(".jpg", colours, [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not done:
        raise ValueError(f"colours must be a picture, but got an array of shape {colours.shape}")
    return packed.tobytes()


@dataclass
class Kept(Generic[Value]):
    """The values last asked for; each is made once, also when several ask at the same time.

    Attributes
    ----------
    most : int
        How many are kept.
    """

    most: int
    _values: OrderedDict[Hashable, Value] = field(default_factory=OrderedDict)
    _lock: Lock = field(default_factory=Lock)
    _making: dict[Hashable, Lock] = field(default_factory=dict)

    def get(self, key: Hashable, make: Callable[[], Value]) -> Value:
        """Return the value of a key, made now if it is not there."""
        with self._lock:
            if key in self._values:
                self._values.move_to_end(key)
                return self._values[key]
            making = self._making.setdefault(key, Lock())
        with making:
            with self._lock:
                if key in self._values:
                    return self._values[key]
            value = make()
            with self._lock:
                self._values[key] = value
                self._making.pop(key, None)
                while len(self._values) > self.most:
                    self._values.popitem(last=False)
            return value


def still_jpeg(session: Session, clip: str) -> bytes:
    """Return the still picture of a recording in colour, as JPEG."""
    return jpeg(still_colours(session.clip_path(clip)), STILL_QUALITY)


def thumbnail(session: Session, clip: str, shot: Shot, calibration: Calibration | None) -> bytes:
    """Return a small picture of a shot with its path, as JPEG."""
    path = session.clip_path(clip)
    has_path = len(shot.path_times_s) > 1
    when_s = float(shot.path_times_s[-1]) if has_path else 0.0
    frames = read_colours(path, from_s=when_s, capture_fps=session.config.camera.capture_fps)
    found = next(frames, None) or next(read_colours(path), None)
    if found is None:
        raise ClipError(f"{path}: holds no frames")
    colours = found[1]
    height, width = colours.shape[:2]
    small = cv2.resize(colours, (round(width * THUMB_PX[1] / height), THUMB_PX[1]), interpolation=cv2.INTER_AREA)
    if has_path and calibration is not None:
        places = path_px(shot, calibration) * (small.shape[0] / height)
        line = np.round(places[np.isfinite(places).all(axis=1)] * 16).astype(np.int32)
        for colour, thickness in ((_RIM_BGR, 5), (_PATH_BGR, 3)):
            cv2.polylines(small, [line], isClosed=False, color=colour, thickness=thickness, lineType=16, shift=4)
    return jpeg(np.asarray(small, dtype=np.uint8), 82)


def path_px(shot: Shot, calibration: Calibration) -> Floats:
    """Images (K, 2) of the ball's centre along the fitted path."""
    heights = np.full((len(shot.path_xy_m), 1), calibration.ball.radius_m)
    return calibration.camera.project(np.hstack([shot.path_xy_m, heights]))


class ShotFrames:
    """The frames of a shot as JPEGs, decoded once and in the background; each can be had as soon as it is there.

    Parameters
    ----------
    session : Session
        Gives the capture rate.
    clip : str
        The recording.
    shot : Shot
        Says from when to when.
    """

    def __init__(self, session: Session, clip: str, shot: Shot) -> None:
        capture_fps = session.config.camera.capture_fps
        self._path = session.clip_path(clip)
        times_s = frame_times_s(self._path, capture_fps=capture_fps)
        if len(shot.path_times_s):
            first_s, last_s = shot.path_times_s[0] - BEFORE_S, shot.path_times_s[-1] + AFTER_S
            times_s = times_s[(times_s >= first_s) & (times_s <= last_s)]
        thin = -(-len(times_s) // MOST_FRAMES) if len(times_s) else 1
        self.times_s: Floats = times_s[::thin]
        self._capture_fps = capture_fps
        self._jpegs: dict[int, bytes] = {}
        self._ended = False
        self._news = Condition()
        Thread(target=self._decode, daemon=True).start()

    def frame(self, number: int) -> bytes | None:
        """Return a frame, waiting until it is decoded; None where there is no such frame."""
        if not 0 <= number < len(self.times_s):
            return None
        with self._news:
            self._news.wait_for(lambda: number in self._jpegs or self._ended, timeout=60)
            return self._jpegs.get(number)

    def _decode(self) -> None:
        try:
            wanted = 0
            if len(self.times_s):
                for time_s, colours in read_colours(
                    self._path, from_s=float(self.times_s[0]) - 1e-6, capture_fps=self._capture_fps
                ):
                    if time_s < self.times_s[wanted] - 1e-6:
                        continue
                    packed = jpeg(colours, FRAME_QUALITY)
                    with self._news:
                        self._jpegs[wanted] = packed
                        self._news.notify_all()
                    wanted += 1
                    if wanted == len(self.times_s):
                        break
        except ClipError:
            pass  # what could be decoded is there; of the rest `frame` says that there is none
        finally:
            with self._news:
                self._ended = True
                self._news.notify_all()


class Pictures:
    """What was made for the page and may be asked for again.

    Attributes
    ----------
    thumbnails, stills : Kept of bytes
        JPEGs.
    lumas : Kept of (H, W) array
        Still pictures as marks are snapped in them.
    fits : Kept of dict
        What marks gave.
    frames : Kept of ShotFrames
        Of the shots last looked at.
    cameras : Kept of Calibration
        What each shot was measured with.
    """

    def __init__(self) -> None:
        self.thumbnails: Kept[bytes] = Kept(2000)
        self.stills: Kept[bytes] = Kept(4)
        self.lumas: Kept[Floats] = Kept(2)
        self.fits: Kept[dict[str, Any]] = Kept(20)
        self.frames: Kept[ShotFrames] = Kept(3)
        self.cameras: Kept[Calibration] = Kept(200)
