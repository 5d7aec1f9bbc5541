"""Shots of a recording of any length: keyframes tell when the ball left its spot, what is round that is decoded.

Demuxing ten minutes takes a fraction of a second, decoding the keyframes alone a small part of decoding all, and of
a session recorded in one go most is idle.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from calibrate.calibration import Calibration
from calibrate.errors import ClipError
from tracker.clip import ClipInfo, Frame, read_frames, read_keyframes
from tracker.corridor import Corridor
from tracker.first_frames import FirstFrames
from tracker.resting import RestingPlace, RestingSearch, brightness_at
from tracker.shots import (
    KEEP_AFTER_S,
    KEEP_BEFORE_S,
    STILL,
    NoStrike,
    ShotFrames,
    cut_shots,
)

# Shorter recordings are decoded as they are: they hold a shot or two, and nothing idle.
SHORT_S = 20.0
# Between two keyframes that show the same, nothing happened: a struck ball needs more than this to be back on its
# spot to the millimetre, and a hand to put one down, draw back and strike.
SAME_BALL_S, NO_BALL_S = 3.0, 2.1
NEAR_M = 0.012  # places are found on a grid of 4 mm; a hand that sets the ball right moves it as far
# Before the strike the ball must be found at rest twice, and the frames before it are kept.
LEAD_S = KEEP_BEFORE_S + 0.6
TAIL_S = KEEP_AFTER_S + 0.3
# A mark near the spot may be taken for a ball, or a ball that is half in shade missed, in single keyframes: where
# more than this share of a recording is to be decoded anyway, all of it is.
WORTHWHILE = 0.7
WHOLE = ((-np.inf, np.inf),)

Span = tuple[float, float]


@dataclass(frozen=True, slots=True, eq=False)
class _Look:
    """What a keyframe shows at the spot."""

    time_s: float
    place: RestingPlace | None
    brightness: npt.NDArray[np.float32]

    def same_as(self, later: "_Look") -> bool:
        """Whether nothing need have happened until a later keyframe."""
        gap_s = later.time_s - self.time_s
        if self.place is None or later.place is None:
            # A ball put down in the meantime was not struck yet.
            return self.place is None and gap_s < NO_BALL_S
        if gap_s > SAME_BALL_S or np.hypot(*(self.place.xy_m - later.place.xy_m)) > NEAR_M:
            return False
        change = np.median(np.abs(self.brightness - later.brightness))
        return bool(change < STILL * self.place.contrast)


def spans_to_decode(keyframes: Iterable[Frame], calibration: Calibration, *, last_s: float) -> tuple[Span, ...]:
    """Return the spans of time in which a ball may have been struck, from keyframes.

    Parameters
    ----------
    keyframes : iterable of Frame
        In order of time.
    calibration : Calibration
        Camera, lane and ball.
    last_s : float
        Time of the recording's last frame.

    Returns
    -------
    tuple of (float, float)
        Apart from each other, in order; each begins well before the ball left and ends when it has come back.
    """
    search = RestingSearch(calibration)
    looks = [_look(frame, search) for frame in keyframes]
    if not looks:
        return WHOLE
    spans: list[Span] = []

    def need(from_s: float, until_s: float) -> None:
        if spans and from_s <= spans[-1][1]:
            spans[-1] = (spans[-1][0], max(spans[-1][1], until_s))
        else:
            spans.append((from_s, until_s))

    for before, after in pairwise(looks):
        if not before.same_as(after):
            need(before.time_s - LEAD_S, after.time_s + TAIL_S)
    if looks[-1].place is not None or last_s - looks[-1].time_s > NO_BALL_S:
        need(looks[-1].time_s - LEAD_S, np.inf)
    if spans and spans[0][0] <= looks[0].time_s:
        spans[0] = (-np.inf, spans[0][1])
    decoded_s = sum(min(until_s, last_s) - max(from_s, looks[0].time_s) for from_s, until_s in spans)
    return WHOLE if decoded_s > WORTHWHILE * (last_s - looks[0].time_s) else tuple(spans)


def _look(frame: Frame, search: RestingSearch) -> _Look:
    place = search.find(frame.luma)
    brightness = np.empty(0, np.float32) if place is None else brightness_at(frame.luma, place)
    return _Look(frame.time_s, place, brightness)


def cut_recording(
    info: ClipInfo,
    calibration: Calibration,
    corridor: Corridor,
    *,
    frame_period_s: float,
    capture_fps: float | None,
    damage: list[str],
    looked_at: Callable[[Frame], None],
    first: FirstFrames | None = None,
) -> Iterator[ShotFrames | NoStrike]:
    """Cut a recording into shots, decoding no more of it than that takes.

    Parameters
    ----------
    info : ClipInfo
        Of the recording.
    calibration : Calibration
        Camera, lane and ball.
    corridor : Corridor
        What is kept of each frame.
    frame_period_s : float
        Time between frames.
    capture_fps : float or None
        Frames a second at which the camera recorded, where the file plays slower.
    damage : list of str
        Damage found is added to it; what lies beyond is tried all the same.
    looked_at : callable
        Called with every frame decoded in full, in order.
    first : FirstFrames, optional
        Of the same recording, where they are decoded already.

    Yields
    ------
    ShotFrames or NoStrike
        As `cut_shots`; `NoStrike` last, where no ball was struck in all of the recording.
    """

    def decoded(span: Span) -> Iterator[Frame]:
        try:
            for frame in _frames_of(info, capture_fps, span, first):
                looked_at(frame)
                yield frame
        except ClipError as error:
            damage.append(str(error))

    idle: NoStrike | None = None
    any_shot = False
    for span in _spans(info, calibration, capture_fps):
        for cut in cut_shots(decoded(span), calibration, corridor, frame_period_s=frame_period_s):
            if isinstance(cut, NoStrike):
                idle = idle or cut
            else:
                any_shot = True
                yield cut
            del cut  # its frames fill the memory
    if idle is not None and not any_shot:
        yield idle


def _frames_of(info: ClipInfo, capture_fps: float | None, span: Span, first: FirstFrames | None) -> Iterator[Frame]:
    if first is not None and (span,) == WHOLE:
        return first.frames()
    return read_frames(info.path, capture_fps=capture_fps, from_s=span[0], until_s=span[1])


def _spans(info: ClipInfo, calibration: Calibration, capture_fps: float | None) -> tuple[Span, ...]:
    slowdown = info.frame_rate / capture_fps if capture_fps and info.frame_rate else 1.0
    if (info.last_s - info.first_s) * slowdown < SHORT_S:
        return WHOLE
    try:
        keyframes = read_keyframes(info.path, capture_fps=capture_fps)
        return spans_to_decode(keyframes, calibration, last_s=info.last_s * slowdown)
    except ClipError:
        return WHOLE  # the damage is found again where it lies
