"""The session folder: where things lie in it, which recordings it holds, and which shot is whose."""

import csv
import difflib
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path

from analyze.session.camera_place import FIRST_PLACE
from analyze.session.config import (
    CONFIG_NAME,
    SessionConfig,
    ball_from,
    lane_from,
    read_config,
    scale_from,
    table_from,
)
from analyze.session.template import config_text
from calibrate.errors import SessionError
from calibrate.scale import RailScale
from calibrate.table import Ball, Lane, Table
from calibrate.units import m_from_mm
from tracker.clip import CLIP_SUFFIXES

_PLACE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}")
LABEL_COLUMNS = ("clip", "shot", "condition", "shooter", "tip_offset_mm", "order", "kept", "note")
_YES_NO = {"": None, "yes": True, "true": True, "1": True, "no": False, "false": False, "0": False}


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """Which test a shot belongs to.

    Attributes
    ----------
    condition : str
        Name of the condition; empty where nothing tells it.
    shooter : str
        Name of the shooter; empty where nothing tells it.
    tip_offset_m : float or None
        Tip offset; None where neither shots.csv nor the condition tells it.
    control : bool
        Whether it is a control shot, which sets the shooter's zero.
    note : str
        What the tester wrote about it.
    order : int or None
        Place in the shooting order of the session, from 1; None where nothing tells it.
    kept : bool or None
        Whether shots.csv says that it counts; None where it does not say.
    problem : str
        Why this label cannot be used: session.toml does not know its condition; else empty.
    """

    condition: str = ""
    shooter: str = ""
    tip_offset_m: float | None = None
    control: bool = False
    note: str = ""
    order: int | None = None
    kept: bool | None = None
    problem: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class _LabelRow:
    condition: str
    shooter: str
    tip_offset_m: float | None
    note: str
    order: int | None = None
    kept: bool | None = None


@dataclass(frozen=True)
class Session:
    """A session folder with its settings.

    Attributes
    ----------
    folder : Path
        The folder.
    config : SessionConfig
        Its session.toml.
    rows : mapping
        Rows of shots.csv by clip and shot number; the number is None for a row about the whole clip.
    place : str
        The camera place that is spoken of, where the session has several; empty for the one of marks.csv.
    """

    folder: Path
    config: SessionConfig
    rows: Mapping[tuple[str, int | None], _LabelRow] = field(default_factory=dict, repr=False)
    place: str = ""

    @property
    def marks_folder(self) -> Path:
        """Where the marks of the camera place lie, and what belongs to them."""
        return self.folder / "places" / self.place if self.place else self.folder

    @property
    def marks_path(self) -> Path:
        """The clicked marks of the camera place."""
        return self.marks_folder / "marks.csv"

    @property
    def places(self) -> tuple[str, ...]:
        """The camera places that have marks, in reading order, that of marks.csv first; at least one."""
        named = (path.parent.name for path in self.folder.glob("places/*/marks.csv"))
        further = tuple(sorted(named, key=reading_order))
        return further if further and not (self.folder / "marks.csv").exists() else ("", *further)

    @property
    def place_option(self) -> str:
        """The option that names the camera place on the command line; empty for the one of marks.csv."""
        return f" --place {self.place}" if self.place else ""

    def at(self, place: str) -> "Session":
        """Return the session as it is spoken of from one of its camera places, named as in `places`.

        Raises
        ------
        SessionError
            If that cannot be the name of one.
        """
        if place and (place == FIRST_PLACE or not _PLACE_NAME.fullmatch(place)):
            raise SessionError(
                f"a camera place cannot be called {place!r}: give it a name of letters, digits, - and _, such as "
                f'"foot" or "2"; {FIRST_PLACE} is the one of marks.csv'
            )
        return replace(self, place=place)

    @property
    def clips_folder(self) -> Path:
        """The recordings."""
        return self.folder / "clips"

    @property
    def store_path(self) -> Path:
        """The database."""
        return self.folder / "railread.sqlite"

    @property
    def out_folder(self) -> Path:
        """Everything that can be made again."""
        return self.folder / "out"

    @cached_property
    def table(self) -> Table:
        """The table, before calibration."""
        return table_from(self.config.table)

    @cached_property
    def ball(self) -> Ball:
        """The cue ball."""
        return ball_from(self.config.ball)

    @cached_property
    def lane(self) -> Lane:
        """The line of aim."""
        return lane_from(self.config.lane, self.table)

    @cached_property
    def scale(self) -> RailScale:
        """The rail scale as it was meant to lie, before calibration."""
        return scale_from(self.config.scale, self.table, self.lane)

    def clips(self) -> tuple[str, ...]:
        """Return the recordings, as paths from the clips folder with forward slashes, in reading order.

        Raises
        ------
        SessionError
            If there are none.
        """
        folder = self.clips_folder
        if not folder.is_dir():
            raise SessionError(f"{folder}: no such folder; recordings go into clips/CONDITION/SHOOTER/")
        names = [name for name in self._recordings() if _is_text(name)]
        if not names:
            raise SessionError(
                f"{folder}: no recordings ({' '.join(sorted(CLIP_SUFFIXES))}) in it or below; "
                "put them into clips/CONDITION/SHOOTER/"
            )
        return tuple(sorted(names, key=reading_order))

    def unnamed_clips(self) -> tuple[str, ...]:
        """Return recordings whose names are no text (not UTF-8), as far as they can be shown: none is measured."""
        odd = (name.encode("utf-8", "surrogateescape") for name in self._recordings() if not _is_text(name))
        return tuple(sorted(name.decode("utf-8", "backslashreplace") for name in odd))

    def _recordings(self) -> list[str]:
        folder = self.clips_folder
        return [
            path.relative_to(folder).as_posix()
            for path in folder.rglob("*")
            # Files like ._0007.mp4 are leavings of a phone's or a Mac's file system, not recordings.
            if path.suffix.lower() in CLIP_SUFFIXES and not path.name.startswith(".") and path.is_file()
        ]

    def clip_path(self, clip: str) -> Path:
        """File of a recording named as `clips` names it."""
        return self.clips_folder / clip

    def label(self, clip: str, shot: int) -> Label:
        """Which condition and shooter a shot belongs to: from shots.csv, else the two folder names above the clip.

        Parameters
        ----------
        clip : str
            As `clips` names it.
        shot : int
            Number of the shot in the recording, from 1.

        Returns
        -------
        Label
            With empty names where nothing tells them, a `problem` where session.toml does not know the condition.
        """
        row = self.rows.get((clip, shot)) or self.rows.get((clip, None))
        if row is not None:
            return self._label(row)
        folders = clip.split("/")[:-1]
        if len(folders) < 2:
            return Label()
        return self._label(_LabelRow(condition=folders[-2], shooter=folders[-1], tip_offset_m=None, note=""))

    def relabelled(self, label: Label, condition: str, shooter: str) -> Label:
        """Return a label after a person has mended condition and shooter; what else shots.csv says stays."""
        row = _LabelRow(
            condition=condition,
            shooter=shooter,
            tip_offset_m=None,
            note=label.note,
            order=label.order,
            kept=label.kept,
        )
        return self._label(row)

    def unknown_condition(self, condition: str) -> str:
        """Say that session.toml does not know a condition, and which is nearest; nothing where all is well.

        Parameters
        ----------
        condition : str
            Its name; an empty one is no condition, and allowed, as is any name where the file lists none.
        """
        names = self.config.condition_names
        if not names or not condition or condition in names:
            return ""
        nearest = difflib.get_close_matches(condition, names, n=1)
        hint = f"did you mean {nearest[0]}?" if nearest else f"known: {', '.join(names)}"
        return f'condition "{condition}" has no [[condition]] in {CONFIG_NAME}; {hint}'

    def _label(self, row: _LabelRow) -> Label:
        condition = self.config.condition_named(row.condition)
        tip_offset_m = row.tip_offset_m
        if tip_offset_m is None and condition is not None:
            tip_offset_m = m_from_mm(condition.tip_offset_mm)
        return Label(
            condition=row.condition,
            shooter=row.shooter,
            tip_offset_m=tip_offset_m,
            control=condition is not None and condition.role == "control",
            note=row.note,
            order=row.order,
            kept=row.kept,
            problem=self.unknown_condition(row.condition),
        )


def open_session(folder: Path) -> Session:
    """Read the settings of a session folder.

    Parameters
    ----------
    folder : Path
        A folder that `railread new` made, or one like it.

    Returns
    -------
    Session
        Its settings; nothing is measured yet.

    Raises
    ------
    SessionError
        If the folder, its session.toml or its shots.csv cannot be used.
    """
    if not folder.exists():
        raise SessionError(f"{folder}: no such folder; `railread new {folder}` makes one")
    if not folder.is_dir():
        raise SessionError(f"{folder}: this is a file; a session is a folder with a {CONFIG_NAME} in it")
    config = read_config(folder)
    session = Session(folder, config, _read_labels(folder / "shots.csv"))
    first, *_ = (session.at(place) for place in session.places)  # a place with an odd name is said at once
    return first


def new_session(folder: Path) -> Session:
    """Make a session folder: a commented session.toml and the folders for clips and results.

    Parameters
    ----------
    folder : Path
        A folder that does not exist yet, or is empty.

    Returns
    -------
    Session
        The new session.

    Raises
    ------
    SessionError
        If something is there already.
    """
    if folder.is_file() or (folder.is_dir() and any(folder.iterdir())):
        raise SessionError(f"{folder}: there is something here already; give the name of a new folder")
    try:
        for sub in ("clips/control/S1", "clips/A/S1", "clips/B/S1", "out"):
            (folder / sub).mkdir(parents=True, exist_ok=True)
        (folder / CONFIG_NAME).write_text(config_text(folder.resolve().name), encoding="utf-8")
    except OSError as error:
        raise SessionError(f"{folder}: cannot be written ({error.strerror or error})") from error
    return open_session(folder)


def _is_text(name: str) -> bool:
    """Whether a file name is UTF-8: other bytes stand in it as lone surrogates, which no file of ours can hold."""
    return not any("\udc80" <= letter <= "\udcff" for letter in name)


def reading_order(name: str) -> list[tuple[int, str]]:
    """Sort key of clip names in which clip 10 comes after clip 9."""
    return [(int(part), "") if part.isdecimal() else (-1, part.lower()) for part in re.split(r"(\d+)", name)]


def _read_labels(path: Path) -> dict[tuple[str, int | None], _LabelRow]:
    """Rows of shots.csv; none where there is no such file."""
    if not path.exists():
        return {}
    try:
        lines = path.read_text(encoding="utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise SessionError(f"{path}: cannot be read as text ({error})") from error
    delimiter = ";" if lines and ";" in lines[0] else ","
    reader = csv.DictReader(lines, skipinitialspace=True, delimiter=delimiter)
    columns = [name.strip() for name in reader.fieldnames or ()]
    reader.fieldnames = columns
    for wanted in ("clip", "condition", "shooter"):
        if wanted not in columns:
            raise SessionError(f"{path}: column {wanted} is missing; wanted: {','.join(LABEL_COLUMNS)}")
    rows: dict[tuple[str, int | None], _LabelRow] = {}
    for number, cells in enumerate(reader, start=2):
        values = {name: (cells.get(name) or "").strip() for name in LABEL_COLUMNS}
        if not any(values.values()):
            continue
        clip = values["clip"].replace("\\", "/").removeprefix("./").removeprefix("clips/")
        key = (clip, _whole_number("shot", values["shot"], f"{path}: line {number}"))
        if key in rows:
            raise SessionError(f"{path}: line {number}: {clip} shot {values['shot'] or 'any'} stands there twice")
        rows[key] = _LabelRow(
            condition=values["condition"],
            shooter=values["shooter"],
            tip_offset_m=_tip_offset_m(values["tip_offset_mm"], f"{path}: line {number}"),
            note=values["note"],
            order=_whole_number("order", values["order"], f"{path}: line {number}"),
            kept=read_kept(values["kept"], f"{path}: line {number}"),
        )
    return rows


def read_kept(text: str, where: str) -> bool | None:
    """Return what a cell of a column `kept` says: yes, no, or nothing.

    Parameters
    ----------
    text : str
        The cell.
    where : str
        File and line, for the message.

    Raises
    ------
    SessionError
        If it says something else.
    """
    if text.strip().lower() not in _YES_NO:
        raise SessionError(f"{where}: kept = {text}, but it must be yes, no or empty")
    return _YES_NO[text.strip().lower()]


def _whole_number(name: str, text: str, where: str) -> int | None:
    if not text:
        return None
    if not text.isdecimal() or int(text) < 1:
        empty = "empty for all shots" if name == "shot" else "empty"
        raise SessionError(f"{where}: {name} = {text}, but it must be a whole number from 1, or {empty}")
    return int(text)


def _tip_offset_m(text: str, where: str) -> float | None:
    if not text:
        return None
    try:
        offset_mm = float(text)
    except ValueError as error:
        raise SessionError(f"{where}: tip_offset_mm = {text}, but it must be a number of mm, or empty") from error
    if not -40 <= offset_mm <= 40:
        raise SessionError(f"{where}: tip_offset_mm = {text}, but it must be between -40 and 40 mm")
    return m_from_mm(offset_mm)
