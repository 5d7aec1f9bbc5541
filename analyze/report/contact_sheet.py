"""All drawn shots on one picture, those first that want a look; and two shots side by side from the strike on."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from analyze.fit.shot import Status
from analyze.report.draw import DrawJob, DrawWish, drawn_files, drawn_frames, make_folder
from analyze.report.pens import Image
from analyze.session.folder import Session
from calibrate.errors import SessionError
from tracker.clip import clip_info
from tracker.write_clip import write_clip

_TILE_PX = (640, 360)
_GAP_PX = 8
_COLUMNS = 4
_LATE = 1e9  # of a clip that has ended


def write_contact_sheet(session: Session, jobs: Sequence[DrawJob]) -> Path:
    """Lay the pictures of drawn shots out on one, doubtful ones first.

    Parameters
    ----------
    session : Session
        Gives the place of the files.
    jobs : sequence of DrawJob
        Shots that were drawn.

    Returns
    -------
    Path
        out/drawn/contact-sheet.jpg.
    """
    ordered = sorted(jobs, key=lambda job: job.stored.shot.status is Status.MEASURED)
    columns = min(_COLUMNS, len(ordered))
    rows = math.ceil(len(ordered) / columns)
    width, height = _TILE_PX
    page = np.full((rows * (height + _GAP_PX) + _GAP_PX, columns * (width + _GAP_PX) + _GAP_PX, 3), 30, np.uint8)
    for k, job in enumerate(ordered):
        picture = cv2.imread(str(drawn_files(session, job.stored).picture))
        if picture is None:
            continue
        share = min(width / picture.shape[1], height / picture.shape[0])
        small = cv2.resize(picture, None, fx=share, fy=share, interpolation=cv2.INTER_AREA)
        v, u = (_GAP_PX + (k // columns) * (height + _GAP_PX), _GAP_PX + (k % columns) * (width + _GAP_PX))
        page[v : v + small.shape[0], u : u + small.shape[1]] = small
    path = session.out_folder / "drawn" / "contact-sheet.jpg"
    make_folder(path.parent)
    if not cv2.imwrite(str(path), page, [cv2.IMWRITE_JPEG_QUALITY, 88]):
        raise SessionError(f"{path}: cannot be written")
    return path


def write_side_by_side(session: Session, left: DrawJob, right: DrawJob, wish: DrawWish) -> Path:
    """Write two shots side by side, aligned at the strike.

    Parameters
    ----------
    session : Session
        Of both.
    left, right : DrawJob
        The shots.
    wish : DrawWish
        How slowly; sound is not kept.

    Returns
    -------
    Path
        The clip.
    """
    names = [drawn_files(session, job.stored).clip.stem for job in (left, right)]
    path = session.out_folder / "drawn" / f"{names[0]} beside {names[1]}.mp4"
    make_folder(path.parent)
    rates = [
        session.config.camera.capture_fps or clip_info(job.stored.shot.clip).frame_rate for job in (left, right)
    ]
    rate = max(rates)
    height_px = min(clip_info(job.stored.shot.clip).size_px[1] for job in (left, right))
    sides = [_Side.of(session, job, height_px) for job in (left, right)]
    first_s = max(side.time_s for side in sides)

    def pictures() -> Iterator[tuple[float, Image]]:
        count = 0
        while any(side.time_s < _LATE for side in sides):
            now_s = first_s + count / rate
            for side in sides:
                side.go_on(now_s)
            yield count / rate * wish.slower, np.hstack([side.image for side in sides])
            count += 1

    write_clip(path, pictures(), rate=rate / wish.slower)
    return path


@dataclass(slots=True, eq=False)
class _Side:
    """The frames of one shot, by the time since its strike."""

    frames: Iterator[tuple[float, Image]]
    strike_s: float
    height_px: int
    time_s: float
    image: Image
    ahead: Image

    @classmethod
    def of(cls, session: Session, job: DrawJob, height_px: int) -> "_Side":
        strike_s = float(job.stored.shot.path_times_s[0])
        frames = drawn_frames(session, job)
        time_s, image = next(frames)
        small = _to_height(image, height_px)
        return cls(frames, strike_s, height_px, time_s - strike_s, small, small)

    def go_on(self, now_s: float) -> None:
        """Take frames up to a time since the strike; after the last the picture stays."""
        while self.time_s <= now_s:
            self.image = self.ahead
            following = next(self.frames, None)
            if following is None:
                self.time_s = _LATE
                return
            self.time_s, self.ahead = following[0] - self.strike_s, _to_height(following[1], self.height_px)


def _to_height(image: Image, height_px: int) -> Image:
    if image.shape[0] == height_px:
        return image
    share = height_px / image.shape[0]
    return np.asarray(cv2.resize(image, None, fx=share, fy=share, interpolation=cv2.INTER_AREA), dtype=np.uint8)
