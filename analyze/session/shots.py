"""All shots of a session as they count today: measured, decided about, and whose they are.

Three places say whether a shot counts. What a person decided about it stands in the database and goes first; then
what the tester's shots.csv says in `kept`; then whether there is a measurement at all. Shots of recordings that are
no longer there do not appear, and a recording that lies in two places appears once; each is said.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from analyze.fit.reasons import SETTINGS_CHANGED
from analyze.session.clock_vote import with_clock_vote
from analyze.session.folder import Label, Session
from analyze.session.order import ORDER_NOTE
from analyze.session.places import inputs_of_today, known_places, place_notes
from analyze.session.set_up_vote import with_set_up_vote
from analyze.session.store import Store, StoredShot
from calibrate.errors import NotMeasured, SessionError

LABELS_SAY_SO = "shots.csv says that it does not count"


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SessionShots:
    """The shots of a session.

    Attributes
    ----------
    shots : tuple of StoredShot
        In reading order of the clips and by number.
    notes : tuple of str
        What was left out, one sentence each.
    """

    shots: tuple[StoredShot, ...]
    notes: tuple[str, ...] = ()


def session_shots(session: Session) -> tuple[StoredShot, ...]:
    """Return the shots of a session; see `read_shots`."""
    return read_shots(session).shots


def read_shots(session: Session) -> SessionShots:
    """Return the shots of a session from its database, and what was left out; none before it is measured.

    Parameters
    ----------
    session : Session
        The session.
    """
    if not session.store_path.exists():
        return SessionShots(shots=())
    with Store(session.store_path) as store:
        return shots_that_count(session, store)


def shots_that_count(session: Session, store: Store) -> SessionShots:
    """Return the shots of a session from its open database, and what was left out."""
    try:
        here = frozenset(session.clips())
    except SessionError:
        here = frozenset()
    stored = store.shots(session.clips_folder)
    gone = {one.clip for one in stored} - here
    notes = []
    if gone and not here:
        notes.append(
            f"None of the recordings is in {session.clips_folder}: the results are those of before, and nothing "
            "can be measured again or drawn."
        )
    elif left_out := sorted(gone - store.kept_when_gone()):
        stored = tuple(one for one in stored if one.clip not in set(left_out))
        notes.append(
            f"{_clips(left_out)} no longer in clips/: what was measured of it is left out. "
            f"`railread measure {session.folder} --keep-gone` counts it all the same."
        )
    copies = same_recordings(session, {one.clip: one.clip_sha256 for one in stored})
    notes += copy_notes(copies)
    counted = with_clock_vote([_with_file_said(session, one) for one in stored if one.clip not in copies])
    places = known_places(session, store)
    for name, place in places.items():
        there = [k for k, one in enumerate(counted) if one.shot.place == name]
        votes = with_set_up_vote([counted[k] for k in there], None if place is None else place.calibration)
        voted = dict(zip(there, votes, strict=True))
        counted = tuple(voted.get(k, one) for k, one in enumerate(counted))
    today = inputs_of_today(session, places)
    old = {
        clip
        for clip, record in store.clip_records().items()
        if today is not None and clip in here and record.inputs_sha256 not in ("", today)
    }
    outdated = NotMeasured(SETTINGS_CHANGED, "")
    counted = tuple(one.doubted(outdated) if one.clip in old else one for one in counted)
    if old:
        notes.append(
            f"{_clips(sorted(old))} measured with other marks or settings than those of today, or by an older "
            f"railread: `railread measure {session.folder}` measures again."
        )
    notes += place_notes([(one, label_of(session, one)) for one in counted])
    return SessionShots(shots=counted, notes=tuple(notes))


def same_recordings(session: Session, sha256: Mapping[str, str]) -> dict[str, str]:
    """Find recordings that lie in the session more than once, under other names.

    Parameters
    ----------
    session : Session
        Gives the labels: of equal recordings the first counts whose label can be used.
    sha256 : mapping
        Hash of each recording, in reading order.

    Returns
    -------
    dict
        For each copy that does not count, the name of the one that does.
    """
    by_content: dict[str, list[str]] = {}
    for clip, digest in sha256.items():
        by_content.setdefault(digest, []).append(clip)
    copies = {}
    for clips in by_content.values():
        if len(clips) == 1:
            continue
        labels = [session.label(clip, 1) for clip in clips]
        first = next((clip for clip, label in zip(clips, labels, strict=True) if _usable(label)), clips[0])
        copies.update({clip: first for clip in clips if clip != first})
    return copies


def copy_notes(copies: Mapping[str, str]) -> tuple[str, ...]:
    """Say which recordings count once although they lie in several places."""
    if not copies:
        return ()
    pairs = "; ".join(f"{copy} is {first}" for copy, first in list(copies.items())[:3])
    more = f"; and {len(copies) - 3} more" if len(copies) > 3 else ""
    return (f"The same recording in two places counts once ({pairs}{more}): take the wrong one away.",)


def label_of(session: Session, stored: StoredShot) -> Label:
    """Return the label of a shot, mended by hand where a person did so."""
    decision = stored.decision
    label = session.label(stored.clip, stored.shot.shot)
    if decision.condition is None or decision.shooter is None:
        return label
    return session.relabelled(label, decision.condition, decision.shooter)


def _with_file_said(session: Session, stored: StoredShot) -> StoredShot:
    label = label_of(session, stored)
    one = replace(stored, problem=label.problem)
    if one.decision.kept is not None or label.kept is None:
        return one
    written = label.note.removeprefix(ORDER_NOTE).lstrip("; ")
    reason = "" if label.kept else written or LABELS_SAY_SO
    return replace(one, decision=replace(one.decision, kept=label.kept, set_aside_reason=reason))


def _usable(label: Label) -> bool:
    return label.condition != "" and not label.problem


def _clips(names: Sequence[str]) -> str:
    if len(names) == 1:
        return f"{names[0]} is"
    return f"{len(names)} recordings (the first: {names[0]}) are"
