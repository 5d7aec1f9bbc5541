"""A window in which a tester clicks the marks: the scale first, then the others, with zoom and undo."""

import os
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import cv2
import numpy as np

from calibrate.arrays import Bytes, Floats
from calibrate.errors import MarksError
from calibrate.marks import Click
from calibrate.scale import RailScale
from calibrate.table import Lane, Table, sight_places_m
from calibrate.units import M_PER_INCH

WINDOW_PX = (1280, 800)
_TITLE = "railread: click the marks"
_ZOOM_STEP = 1.5
_MAX_ZOOM = 24.0
_HELP = (
    "left click: set | wheel, + or -: zoom | arrows: move | U: undo | S: not to be seen | Enter: done | Esc: quit"
)
# Arrow keys as the window systems of Linux, Windows and macOS report them.
_ARROWS = {
    65361: (-1, 0), 65362: (0, -1), 65363: (1, 0), 65364: (0, 1),
    2424832: (-1, 0), 2490368: (0, -1), 2555904: (1, 0), 2621440: (0, 1),
    63234: (-1, 0), 63232: (0, -1), 63235: (1, 0), 63233: (0, 1),
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """Which part of the picture the window shows.

    Attributes
    ----------
    left_px, top_px : float
        Picture place of the window's top-left corner.
    zoom : float
        Window pixels per picture pixel.
    """

    left_px: float = -0.5
    top_px: float = -0.5
    zoom: float = 1.0

    def picture_px(self, x: float, y: float) -> tuple[float, float]:
        """Place in the picture of the middle of a window pixel; (0, 0) is the centre of the top-left pixel."""
        return self.left_px + (x + 0.5) / self.zoom, self.top_px + (y + 0.5) / self.zoom

    def window_px(self, u_px: float, v_px: float) -> tuple[int, int]:
        """Window pixel that shows a place of the picture."""
        return (
            round((u_px - self.left_px) * self.zoom - 0.5),
            round((v_px - self.top_px) * self.zoom - 0.5),
        )

    def zoomed(self, x: float, y: float, *, factor: float) -> "View":
        """Return the view after zooming with the mouse at a window pixel: what lies under it stays there."""
        zoom = min(max(self.zoom * factor, 0.1), _MAX_ZOOM)
        u_px, v_px = self.picture_px(x, y)
        return View(left_px=u_px - (x + 0.5) / zoom, top_px=v_px - (y + 0.5) / zoom, zoom=zoom)

    def moved(self, dx: float, dy: float) -> "View":
        """Return the view moved by window pixels."""
        return replace(self, left_px=self.left_px + dx / self.zoom, top_px=self.top_px + dy / self.zoom)


@dataclass(frozen=True, slots=True, kw_only=True)
class Clicking:
    """How far the clicking is; every step gives a new one.

    Attributes
    ----------
    asked : tuple of str
        Marks in the order in which they are asked for.
    answers : tuple of Click or None
        One for each mark asked so far; None where it is not in the picture.
    """

    asked: tuple[str, ...]
    answers: tuple[Click | None, ...] = ()

    @property
    def next_mark(self) -> str | None:
        """The mark that is asked for now; None when all were."""
        return self.asked[len(self.answers)] if len(self.answers) < len(self.asked) else None

    @property
    def clicks(self) -> tuple[Click, ...]:
        """The marks clicked so far."""
        return tuple(click for click in self.answers if click is not None)

    def answered(self, place_px: tuple[float, float] | None) -> "Clicking":
        """Return the state after the mark asked for was clicked, or was said not to be in the picture."""
        name = self.next_mark
        if name is None:
            return self
        click = None if place_px is None else Click(name, *place_px)
        return replace(self, answers=(*self.answers, click))

    def undone(self) -> "Clicking":
        """Return the state before the last answer."""
        return replace(self, answers=self.answers[:-1])


def marks_to_ask(table: Table, lane: Lane, scale: RailScale) -> tuple[str, ...]:
    """Return the marks to ask for: ticks of the scale, then sights from the foot rail on, then markers on the lane.

    Parameters
    ----------
    table : Table
        Tells which sights there are.
    lane : Lane
        Tells how long the lane is.
    scale : RailScale
        Tells which numbers its ticks have.

    Returns
    -------
    tuple of str
        Names, as in marks.csv.
    """
    # About 5 and 10 cm to either side, in numbers that stand on a scale of this unit.
    steps = (
        (2, 4) if scale.unit_m == M_PER_INCH else tuple(round(reach_m / scale.unit_m) for reach_m in (0.05, 0.1))
    )
    ticks = ["scale+0", *(f"scale{sign}{step}" for step in steps for sign in "+-")]
    sights = sight_places_m(table)
    order = [f"foot-{n}" for n in (1, 2, 3)]
    order += [f"{side}-{n}" for n in range(7, 0, -1) for side in ("left", "right")]
    order += [f"head-{n}" for n in (1, 2, 3)]
    reach_mm = int(1000 * (table.length_m - lane.spot_y_m)) - 100
    markers = [f"lane:{ahead}" for ahead in range(300, reach_mm, 300)]
    return (*ticks, *(name for name in order if name in sights), *markers)


def click_marks(luma: Floats, asked: Sequence[str]) -> tuple[Click, ...]:
    """Let a person click marks in a picture.

    Parameters
    ----------
    luma : (H, W) array
        The picture, 0 to 255.
    asked : sequence of str
        Marks to ask for, in this order.

    Returns
    -------
    tuple of Click
        Those that were clicked.

    Raises
    ------
    MarksError
        If there is no display, or the person quits.
    """
    _check_display()
    desk = _Desk(picture=luma.clip(0, 255).astype(np.uint8), state=Clicking(asked=tuple(asked)))
    cv2.namedWindow(_TITLE, cv2.WINDOW_AUTOSIZE)
    try:
        cv2.setMouseCallback(_TITLE, desk.on_mouse)
        while not desk.done:
            cv2.imshow(_TITLE, desk.window_image())
            desk.on_key(cv2.waitKeyEx(30))
            if cv2.getWindowProperty(_TITLE, cv2.WND_PROP_VISIBLE) < 1:
                raise MarksError("the window was closed before the marks were done; nothing was written")
    finally:
        cv2.destroyAllWindows()
    return desk.state.clicks


@dataclass(kw_only=True)
class _Desk:
    """What the window shows and does; the only thing here that changes."""

    picture: Bytes
    state: Clicking
    view: View = field(default_factory=View)
    mouse: tuple[int, int] = (0, 0)
    done: bool = False

    def __post_init__(self) -> None:
        height, width = self.picture.shape
        self.view = View(zoom=min(WINDOW_PX[0] / width, WINDOW_PX[1] / height))

    def on_mouse(self, event: int, x: int, y: int, flags: int, _: Any = None) -> None:  # noqa: ANN401
        self.mouse = (x, y)
        if event == cv2.EVENT_LBUTTONDOWN:
            u_px, v_px = self.view.picture_px(x, y)
            height, width = self.picture.shape
            if -0.5 <= u_px <= width - 0.5 and -0.5 <= v_px <= height - 0.5:
                self.state = self.state.answered((u_px, v_px))
        elif event == cv2.EVENT_MOUSEWHEEL:
            self.view = self.view.zoomed(x, y, factor=_ZOOM_STEP if flags > 0 else 1 / _ZOOM_STEP)

    def on_key(self, key: int) -> None:
        if key in _ARROWS:
            dx, dy = _ARROWS[key]
            self.view = self.view.moved(120 * dx, 120 * dy)
        elif key in (ord("+"), ord("=")):
            self.view = self.view.zoomed(*self.mouse, factor=_ZOOM_STEP)
        elif key == ord("-"):
            self.view = self.view.zoomed(*self.mouse, factor=1 / _ZOOM_STEP)
        elif key in (ord("u"), ord("U")):
            self.state = self.state.undone()
        elif key in (ord("s"), ord("S")):
            self.state = self.state.answered(None)
        elif key in (13, 10):
            self.done = True
        elif key == 27:
            raise MarksError("the marks were not finished; nothing was written")

    def window_image(self) -> Bytes:
        zoom = self.view.zoom
        shift = np.array(
            [
                [zoom, 0.0, -self.view.left_px * zoom - 0.5],
                [0.0, zoom, -self.view.top_px * zoom - 0.5],
            ]
        )
        smooth = cv2.INTER_NEAREST if zoom > 3 else cv2.INTER_LINEAR
        grey = cv2.warpAffine(self.picture, shift, WINDOW_PX, flags=smooth, borderValue=(60,))
        image = cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR)
        for click in self.state.clicks:
            place = self.view.window_px(click.u_px, click.v_px)
            cv2.drawMarker(image, place, (40, 130, 240), cv2.MARKER_CROSS, 17, 1, cv2.LINE_AA)
            _write(image, click.name, (place[0] + 10, place[1] - 8))
        mark = self.state.next_mark
        asked = "all marks asked for: Enter when done" if mark is None else f"click {mark}"
        _write(image, f"{asked}    ({len(self.state.clicks)} clicked)", (12, 26))
        _write(image, _HELP, (12, WINDOW_PX[1] - 14))
        return np.asarray(image, dtype=np.uint8)


def _write(image: Any, text: str, place: tuple[int, int]) -> None:  # noqa: ANN401
    """Write text with a dark rim, readable on cloth and on paper."""
    for colour, width in (((20, 20, 20), 4), ((235, 240, 245), 1)):
        cv2.putText(image, text, place, cv2.FONT_HERSHEY_SIMPLEX, 0.55, colour, width, cv2.LINE_AA)


def _check_display() -> None:
    """Refuse clearly where no window can be opened.

    Opening a window without a display ends the whole process (the window library aborts), so that is tried in a
    process of its own.
    """
    unset = sys.platform == "linux" and not (os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"))
    trial = "import cv2; cv2.namedWindow('trial'); cv2.destroyAllWindows()"
    if unset or subprocess.run([sys.executable, "-c", trial], capture_output=True, check=False).returncode:
        raise MarksError(
            "no window can be opened here; click the marks on another machine and give them with --marks FILE"
        )
