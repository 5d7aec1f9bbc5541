"""Marks on the way to marks.csv: every click is kept in the session at once, whatever the calibration says."""

import shutil
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

from pydantic import TypeAdapter, ValidationError

from analyze.session.folder import Session
from analyze.session.order import free_name
from calibrate.errors import DecisionOvertakenError, MarksError, SessionError
from calibrate.marks import Click, mark_kind, read_marks, same_mark

DRAFT_NAME = "marks-draft.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What a person said about one mark.

    Attributes
    ----------
    name : str
        The mark.
    u_px, v_px : float or None
        Where it was put; None where it is not to be seen.
    taken : bool
        Whether the picture showed it where it was expected and the person took that over, without a click.
    sigma_px : float or None
        Standard uncertainty of the place, where whoever found it told it.
    """

    name: str
    u_px: float | None = None
    v_px: float | None = None
    taken: bool = False
    sigma_px: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """Marks as far as they are clicked.

    Attributes
    ----------
    frame : str
        The recording that they are clicked in, as out/shots.csv names it; empty before one is chosen.
    version : int
        Grows with every change: who changes an older one is told.
    answers : tuple of Answer
        In the order in which they were given.
    """

    frame: str = ""
    version: int = 0
    answers: tuple[Answer, ...] = ()

    @property
    def clicks(self) -> tuple[Click, ...]:
        """The marks that have a place."""
        return tuple(
            Click(one.name, one.u_px, one.v_px, one.sigma_px)
            for one in self.answers
            if one.u_px is not None and one.v_px is not None
        )

    @property
    def answered(self) -> frozenset[tuple[object, ...]]:
        """Keys of the marks that were clicked or skipped."""
        return frozenset(same_mark(one.name) for one in self.answers)

    def with_answer(self, answer: Answer) -> "Draft":
        """Return the draft with one more answer, in place of an earlier one about the same mark."""
        mark_kind(answer.name)
        key = same_mark(answer.name)
        kept = list(self.answers)
        places = [k for k, one in enumerate(kept) if same_mark(one.name) == key]
        if places:
            kept[places[0]] = answer  # a mended mark keeps its place in the row
        else:
            kept.append(answer)
        return replace(self, answers=tuple(kept))

    def without(self, name: str) -> "Draft":
        """Return the draft without any answer about a mark."""
        key = same_mark(name)
        return replace(self, answers=tuple(one for one in self.answers if same_mark(one.name) != key))

    def undone(self) -> "Draft":
        """Return the draft without its last answer."""
        return replace(self, answers=self.answers[:-1])


_DRAFT = TypeAdapter(Draft)


def answers_from(clicks: Iterable[Click], *, taken: bool = False) -> tuple[Answer, ...]:
    """Return marks from a file, or found in the picture, as answers."""
    return tuple(
        Answer(name=one.name, u_px=one.u_px, v_px=one.v_px, taken=taken, sigma_px=one.sigma_px) for one in clicks
    )


def read_draft(session: Session) -> Draft:
    """Return the marks as far as they are clicked: of the draft, else of marks.csv, else none.

    Parameters
    ----------
    session : Session
        The session.

    Raises
    ------
    SessionError
        If the draft cannot be read.
    MarksError
        If marks.csv cannot.
    """
    path = _path(session)
    if not path.exists():
        clicks = read_marks(session.marks_path) if session.marks_path.exists() else ()
        return Draft(answers=answers_from(clicks))
    try:
        draft = _DRAFT.validate_json(path.read_bytes())
        for answer in draft.answers:
            mark_kind(answer.name)
    except ValidationError as error:
        first = error.errors()[0]
        wrong = f"{'.'.join(str(key) for key in first['loc'])} {first['msg']}".strip()
        raise SessionError(f"{path}: cannot be read ({wrong}); move the file away and click again") from error
    except (OSError, MarksError) as error:
        raise SessionError(f"{path}: cannot be read ({error}); move the file away and click again") from error
    return draft


def save_draft(session: Session, draft: Draft, *, seen_version: int) -> Draft:
    """Write a draft in place of the one that it was made from.

    Parameters
    ----------
    session : Session
        The session.
    draft : Draft
        The new one.
    seen_version : int
        Version of the one that the person saw.

    Returns
    -------
    Draft
        As written, its version one higher.

    Raises
    ------
    DecisionOvertakenError
        If somebody changed it meanwhile.
    SessionError
        If it cannot be written.
    """
    now = read_draft(session)
    if now.version != seen_version:
        raise DecisionOvertakenError(
            "the marks were changed in another window meanwhile, so this change was not made; they are shown as "
            "they are now"
        )
    saved = replace(draft, version=now.version + 1)
    path = _path(session)
    fresh = path.with_suffix(".new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        fresh.write_bytes(_DRAFT.dump_json(saved, indent=1))
        fresh.replace(path)  # whole or not at all, also when the machine stops here
    except OSError as error:
        raise SessionError(f"{path}: cannot be written ({error.strerror or error})") from error
    return saved


def click_in(session: Session, frame: Path | None) -> None:
    """Choose the recording that marks are to be clicked in, for a page that is about to open.

    Parameters
    ----------
    session : Session
        The session.
    frame : Path or None
        One of its recordings; None leaves the choice as it is.

    Raises
    ------
    SessionError
        If it is not one of the session's recordings.
    """
    if frame is None:
        return
    known = {session.clip_path(clip).resolve(): clip for clip in session.clips()}
    clip = known.get(frame.resolve())
    if clip is None:
        raise SessionError(
            f"{frame}: not a recording of this session; put it into {session.clips_folder} to click marks in "
            "it, or give clicked marks with --marks"
        )
    draft = read_draft(session)
    if draft.frame != clip:
        save_draft(session, replace(draft, frame=clip), seen_version=draft.version)


def keep_draft(session: Session) -> None:
    """Keep a copy of the draft under another name, before one begins anew."""
    path = _path(session)
    if path.exists():
        shutil.copyfile(path, free_name(path))


def _path(session: Session) -> Path:
    return session.marks_folder / DRAFT_NAME
