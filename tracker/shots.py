"""Where in a recording the shots are: from a ball at rest to some seconds after it was struck."""

from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from calibrate.calibration import Calibration
from tracker.clip import Frame
from tracker.corridor import Corridor
from tracker.cue_sight import LOOK_BACK_S, CueFrames
from tracker.cue_strip import lay_cue_strip
from tracker.resting import RestingPlace, RestingSearch, brightness_at

Luma = npt.NDArray[np.uint8]

# How often a ball is looked for, and how long it must be gone to have been struck rather than passed by a cue.
SEARCH_EVERY_S = 0.08
GONE_FOR_S = 0.10
# Kept before the strike (background, resting place) and after it: 2.2 m at 0.8 m/s, and back from the rail.
KEEP_BEFORE_S = 0.6
KEEP_AFTER_S = 3.5
MIN_BEFORE = 24
# Change at the ball's place, in units of its contrast: a tip passing changes less than half of its points.
MOVED = 0.35
STILL = 0.15
SAME_PLACE_M = 0.006
# A ball that lies near its spot again this soon was not struck: a hand set it right, or the camera was touched.
NOT_STRUCK_S = 1.2
# A ball that stands out so much more than what lay there before: that was a hand, or a ball half covered by one.
CLEARER = 1.4


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ShotFrames:
    """The frames of one shot, cut to the corridor.

    Attributes
    ----------
    place : RestingPlace
        Where the ball lay.
    before : list of (float, (h, w) uint8)
        Times and windows while it lay there, the last ones before the strike.
    after : list of (float, (h, w) uint8)
        Times and windows from the first frame in which it had moved.
    cue : CueFrames
        Windows behind the ball, of the last frames before the strike.
    """

    place: RestingPlace
    before: list[tuple[float, Luma]]
    after: list[tuple[float, Luma]]
    cue: CueFrames

    @property
    def last_rest_s(self) -> float:
        """Time of the last frame at rest."""
        return self.before[-1][0]

    @property
    def first_moved_s(self) -> float:
        """Time of the first frame in which the ball had moved."""
        return self.after[0][0]

    @property
    def strike_s(self) -> float:
        """Time of the strike, good to half the time between frames."""
        return (self.last_rest_s + self.first_moved_s) / 2


class _Watch:
    """Watches one resting ball: keeps the frames round its strike."""

    def __init__(
        self,
        place: RestingPlace,
        frame: Frame,
        corridor: Corridor,
        calibration: Calibration,
        *,
        frame_period_s: float,
    ) -> None:
        self.place = place
        height, width = frame.luma.shape
        self.cue_strip = lay_cue_strip(calibration, (width, height), place.xy_m)
        self.cue: deque[tuple[float, Luma]] = deque(maxlen=max(MIN_BEFORE, round(LOOK_BACK_S / frame_period_s)))
        self.corridor = corridor
        self.reference = brightness_at(frame.luma, place)
        self.seen = 1
        keep = max(MIN_BEFORE, round(KEEP_BEFORE_S / frame_period_s))
        self.before: deque[tuple[float, Luma]] = deque(maxlen=keep)
        self.before.append((frame.time_s, corridor.crop(frame.luma)))
        self.after: list[tuple[float, Luma]] = []

    def change(self, luma: Luma) -> float:
        """How much the ball's place has changed, in units of the ball's contrast."""
        return float(np.median(np.abs(brightness_at(luma, self.place) - self.reference))) / self.place.contrast

    def add(self, frame: Frame) -> None:
        """Take in the next frame."""
        change = self.change(frame.luma)
        crop = self.corridor.crop(frame.luma)
        if self.after:
            self.after.append((frame.time_s, crop))
            if change < STILL and self.gone_s < GONE_FOR_S:
                # a cue or a hand passed before the ball
                self.before.extend(self.after)
                self.after = []
        elif change > MOVED:
            self.after = [(frame.time_s, crop)]
        else:
            self.before.append((frame.time_s, crop))
            if change < STILL:
                self.seen += 1
                # lamps warm up, exposure adapts: the reference follows slowly
                self.reference += (brightness_at(frame.luma, self.place) - self.reference) / min(self.seen, 30)
        if not self.after and self.cue_strip is not None:
            self.cue.append((frame.time_s, self.cue_strip.crop(frame.luma)))

    def was_no_ball(self, place: RestingPlace) -> bool:
        """Whether what lies at another place is the ball, and what lay here was the hand that brought it."""
        return place.contrast > CLEARER * self.place.contrast

    def is_back(self, luma: Luma, place: RestingPlace) -> bool:
        """Whether what lies at another place looks like the ball that lay here."""
        change = float(np.median(np.abs(brightness_at(luma, place) - self.reference)))
        return change < STILL * self.place.contrast

    @property
    def gone_s(self) -> float:
        """How long the ball has been gone."""
        return self.after[-1][0] - self.after[0][0] if self.after else 0.0

    def frames(self) -> ShotFrames:
        """Everything kept."""
        cue = CueFrames(strip=self.cue_strip, windows=list(self.cue))
        return ShotFrames(place=self.place, before=list(self.before), after=self.after, cue=cue)


class _Search:
    """Looks for a ball at rest: one found twice in the same place."""

    def __init__(self, calibration: Calibration) -> None:
        self.search = RestingSearch(calibration)
        self.seen_at: RestingPlace | None = None
        self.next_s = -np.inf

    def look(self, frame: Frame, *, instead_of: _Watch | None) -> RestingPlace | None:
        """Look in a frame, unless it is too early to look again; for the ball that is missed, where one is."""
        if frame.time_s < self.next_s:
            return None
        self.next_s = frame.time_s + SEARCH_EVERY_S
        place = self.search.find(frame.luma)
        if place is not None and instead_of is not None:
            is_ball = instead_of.was_no_ball(place) or instead_of.is_back(frame.luma, place)
            place = place if is_ball else None
        before, self.seen_at = self.seen_at, place
        if place is None or before is None or np.hypot(*(place.xy_m - before.xy_m)) > SAME_PLACE_M:
            return None
        self.seen_at = None
        return place


@dataclass(frozen=True, slots=True, kw_only=True)
class NoStrike:
    """A recording in which a ball lay on its spot to the end.

    Attributes
    ----------
    since_s : float
        Time from which it was seen.
    """

    since_s: float


def cut_shots(
    frames: Iterable[Frame], calibration: Calibration, corridor: Corridor, *, frame_period_s: float
) -> Iterator[ShotFrames | NoStrike]:
    """Cut a recording into shots, decoding it once.

    Parameters
    ----------
    frames : iterable of Frame
        The recording.
    calibration : Calibration
        Camera, lane and ball.
    corridor : Corridor
        What is kept of each frame.
    frame_period_s : float
        Time between frames.

    Yields
    ------
    ShotFrames or NoStrike
        Each time a resting ball was gone for good; `NoStrike` last where a ball was never struck. Nothing
        at all where no ball was found.
    """
    search = _Search(calibration)
    watch: _Watch | None = None
    any_shot = False
    first_rest_s = 0.0
    for frame in frames:
        if watch is not None:
            watch.add(frame)
            if watch.gone_s > KEEP_AFTER_S:
                yield watch.frames()
                any_shot, watch = True, None
            elif watch.gone_s < GONE_FOR_S:
                continue
        place = search.look(frame, instead_of=watch)
        if place is None:
            continue
        if watch is None:
            first_rest_s = frame.time_s
        elif watch.gone_s > NOT_STRUCK_S and not watch.was_no_ball(place):
            yield watch.frames()
            any_shot = True
        watch = _Watch(place, frame, corridor, calibration, frame_period_s=frame_period_s)
    if watch is not None and watch.gone_s > GONE_FOR_S:
        yield watch.frames()
    elif watch is not None and not any_shot:
        yield NoStrike(since_s=first_rest_s)
