"""What a person decides about shots, from one place: set aside and taken back, accepted, labels mended, notes.

Each function takes shots as they were read, writes to the log of the session's database, and returns the shots as
they stand afterwards. Where somebody else has decided about one of them since it was read, nothing at all is
written (`DecisionOvertakenError`); a program that keeps no shots between looking and deciding keeps their
`decision.stamp` and gives it back with `as_seen`.
"""

import re
from collections.abc import Sequence
from dataclasses import replace

from analyze.session.decision_log import DecisionKind, Entry
from analyze.session.folder import Session
from analyze.session.shots import label_of, session_shots
from analyze.session.store import Store, StoredShot
from calibrate.errors import SessionError

_MOST_NAMED = 6


def find_shots(session: Session, name: str) -> tuple[StoredShot, ...]:
    """Return the shots that a name means.

    Parameters
    ----------
    session : Session
        The session.
    name : str
        ``CLIP`` for all shots of a recording, ``CLIP:SHOT`` for one; the recording as out/shots.csv names it, or
        the end of that name where it is the only one with that end.

    Raises
    ------
    SessionError
        If there is no such recording or shot, or several recordings could be meant.
    """
    return _found(session, session_shots(session), name)


def as_seen(stored: StoredShot, stamp: int) -> StoredShot:
    """Return a shot with the stamp that it had when the person looked at it, for a decision made by that look."""
    return replace(stored, decision=replace(stored.decision, stamp=stamp))


def set_aside(session: Session, shots: Sequence[StoredShot], because: str) -> tuple[StoredShot, ...]:
    """Set shots aside: they stay in the tables, with the reason, and do not count.

    Parameters
    ----------
    session : Session
        The session.
    shots : sequence of StoredShot
        As they were read.
    because : str
        Why; one line.

    Raises
    ------
    SessionError
        If no reason is given.
    DecisionOvertakenError
        If somebody decided about one of them meanwhile.
    """
    because = " ".join(because.split())
    if not because:
        raise SessionError("a shot is set aside for a reason: say which, it will stand in the tables")
    return _decide(session, shots, DecisionKind.SET_ASIDE, because)


def accept(session: Session, shots: Sequence[StoredShot]) -> tuple[StoredShot, ...]:
    """Say that shots count after somebody looked at them, whatever shots.csv says; arguments: see `set_aside`."""
    return _decide(session, shots, DecisionKind.KEEP)


def take_back(session: Session, shots: Sequence[StoredShot]) -> tuple[StoredShot, ...]:
    """Take back that shots were set aside or accepted: as if nobody had decided; for arguments see `set_aside`."""
    return _decide(session, shots, DecisionKind.UNDECIDE)


def write_note(session: Session, shots: Sequence[StoredShot], text: str) -> tuple[StoredShot, ...]:
    """Write a note to shots, in place of the one before; an empty one takes it away; see `set_aside`."""
    return _decide(session, shots, DecisionKind.NOTE, " ".join(text.split()))


def mend_label(
    session: Session, shots: Sequence[StoredShot], *, condition: str | None = None, shooter: str | None = None
) -> tuple[StoredShot, ...]:
    """Say whose shots these are, whatever folders and shots.csv say.

    Parameters
    ----------
    session : Session
        The session.
    shots : sequence of StoredShot
        As they were read.
    condition, shooter : str, optional
        The right ones; what is not given stays as it is for each shot.

    Raises
    ------
    SessionError
        If session.toml does not know the condition, or a name holds a slash.
    DecisionOvertakenError
        If somebody decided about one of them meanwhile.
    """
    said = []
    for one in shots:
        now = label_of(session, one) if None in (condition, shooter) else None
        names = [
            given.strip() if given is not None else (getattr(now, what) if now is not None else "")
            for what, given in (("condition", condition), ("shooter", shooter))
        ]
        for what, name in zip(("condition", "shooter"), names, strict=True):
            if not name or "/" in name:
                raise SessionError(f'{one.clip}, shot {one.shot.shot}: "{name}" is no name of a {what}')
        if problem := session.unknown_condition(names[0]):
            raise SessionError(problem)
        said.append((one, DecisionKind.RELABEL, "/".join(names)))
    return _decided(session, said)


def label_as_filed(session: Session, shots: Sequence[StoredShot]) -> tuple[StoredShot, ...]:
    """Take back that labels were mended: folders and shots.csv tell them again; for arguments see `set_aside`."""
    return _decide(session, shots, DecisionKind.RELABEL)


def history(session: Session, shot: StoredShot) -> tuple[Entry, ...]:
    """Return all that was ever decided about a shot, oldest first."""
    with Store(session.store_path) as store:
        return store.history(shot)


def _decide(
    session: Session, shots: Sequence[StoredShot], kind: DecisionKind, value: str = ""
) -> tuple[StoredShot, ...]:
    return _decided(session, [(one, kind, value) for one in shots])


def _decided(session: Session, said: Sequence[tuple[StoredShot, DecisionKind, str]]) -> tuple[StoredShot, ...]:
    with Store(session.store_path) as store:
        store.decide_all(said)
    wanted = {(one.clip, one.shot.shot) for one, _, _ in said}
    return tuple(one for one in session_shots(session) if (one.clip, one.shot.shot) in wanted)


def _found(session: Session, stored: Sequence[StoredShot], name: str) -> tuple[StoredShot, ...]:
    clips = tuple(dict.fromkeys(one.clip for one in stored))
    if not clips:
        raise SessionError(
            f"{session.folder}: nothing has been measured yet; `railread measure {session.folder}` does that"
        )
    plain = name.replace("\\", "/").removeprefix("./").removeprefix(f"{session.clips_folder.as_posix()}/")
    text, number = plain.removeprefix("clips/"), None
    match = re.fullmatch(r"(.+):(\d+)", text)
    if text not in clips and match:
        text, number = match[1], int(match[2])
    meant = [text] if text in clips else [clip for clip in clips if f"/{clip}".endswith(f"/{text}")]
    if not meant:
        raise SessionError(
            f"{name}: no recording of this name was measured; out/shots.csv names them, the first is {clips[0]}"
        )
    if len(meant) > 1:
        raise SessionError(f"{name}: could be {', '.join(meant[:_MOST_NAMED])}; say which")
    here = [one for one in stored if one.clip == meant[0]]
    wanted = tuple(one for one in here if number in (None, one.shot.shot))
    if not wanted:
        numbers = ", ".join(str(one.shot.shot) for one in here)
        raise SessionError(f"{name}: there is no shot {number} in {meant[0]}; there is {numbers}")
    return wanted
