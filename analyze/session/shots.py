"""All shots of a session as they count today: measured, decided about, and whose they are.

Three places say whether a shot counts. What a person decided about it stands in the database and goes first; then
what the tester's shots.csv says in `kept`; then whether there is a measurement at all.
"""

from collections.abc import Sequence
from dataclasses import replace

from analyze.session.folder import Label, Session
from analyze.session.order import ORDER_NOTE
from analyze.session.store import Store, StoredShot
from calibrate.errors import SessionError

LABELS_SAY_SO = "shots.csv says that it does not count"


def session_shots(session: Session) -> tuple[StoredShot, ...]:
    """Return all shots of a session, in reading order of the clips and by number; none before it is measured.

    Parameters
    ----------
    session : Session
        The session.
    """
    if not session.store_path.exists():
        return ()
    with Store(session.store_path) as store:
        return with_file_said(session, store.shots(session.clips_folder))


def with_file_said(session: Session, stored: Sequence[StoredShot]) -> tuple[StoredShot, ...]:
    """Return shots with what shots.csv says of them, where nobody has decided since.

    Parameters
    ----------
    session : Session
        Gives the labels.
    stored : sequence of StoredShot
        From the database.
    """
    return tuple(_with_file_said(one, label_of(session, one)) for one in stored)


def label_of(session: Session, stored: StoredShot) -> Label:
    """Return the label of a shot, mended by hand where a person did so."""
    decision = stored.decision
    try:
        label = session.label(stored.clip, stored.shot.shot)
    except SessionError:
        # A mended label stands in for one that session.toml does not know.
        if decision.condition is None:
            raise
        label = Label()
    if decision.condition is None or decision.shooter is None:
        return label
    return session.relabelled(label, decision.condition, decision.shooter)


def _with_file_said(stored: StoredShot, label: Label) -> StoredShot:
    if stored.decision.kept is not None or label.kept is None:
        return stored
    written = label.note.removeprefix(ORDER_NOTE).lstrip("; ")
    reason = "" if label.kept else written or LABELS_SAY_SO
    return replace(stored, decision=replace(stored.decision, kept=label.kept, set_aside_reason=reason))
