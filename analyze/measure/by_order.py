"""Whose shot is which when recordings were made in the shooting order: order.csv laid over the shots found."""

import csv
import io
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from analyze.fit.reasons import MEASURING_BROKE_OFF, NO_PLACE, WRONG_CLOCK
from analyze.session.config import CONFIG_NAME
from analyze.session.folder import LABEL_COLUMNS, Session, open_session, reading_order
from analyze.session.order import ORDER_NAME, ORDER_NOTE, OrderRow, free_name, read_order
from analyze.session.store import StoredShot
from calibrate.errors import SessionError
from tracker.reasons import CLIP_DAMAGED, NO_BALL, NO_STRIKE, PICTURE_SIZE

LABELS_NAME = "shots.csv"
_MOST_NAMED = 6
# After these nobody knows how many shots a recording holds.
_NUMBER_UNKNOWN = (NO_BALL, NO_STRIKE, CLIP_DAMAGED, MEASURING_BROKE_OFF, NO_PLACE, PICTURE_SIZE)


@dataclass(frozen=True, slots=True, kw_only=True)
class ByOrder:
    """What came of laying the order over the shots.

    Attributes
    ----------
    session : Session
        With the labels that hold now: those of the order when it matched, else as before.
    matched : bool
        Whether each shot found its place in the order.
    sentence : str
        What was done, or why nothing was.
    """

    session: Session
    matched: bool
    sentence: str


def planned_order(session: Session) -> tuple[OrderRow, ...]:
    """Read the session's order.csv, and see that it can be used before anything is measured.

    Parameters
    ----------
    session : Session
        The session.

    Raises
    ------
    SessionError
        If there is no order, it names conditions that session.toml does not, or shots.csv says already, in lines
        of the tester's own, whose shots these are.
    """
    path = session.folder / ORDER_NAME
    rows = read_order(path)
    known = session.config.condition_names
    for row in rows:
        if known and row.condition not in known:
            raise SessionError(
                f'{path}: order {row.order}: condition "{row.condition}" has no [[condition]] in {CONFIG_NAME}; '
                f"known: {', '.join(known)}"
            )
    if any(not label.note.startswith(ORDER_NOTE) for label in session.rows.values()):
        raise SessionError(
            f"{session.folder / LABELS_NAME}: says already whose shots these are; put it under another name "
            f"to take them from {ORDER_NAME}, or measure without --by-order"
        )
    return rows


def label_by_order(session: Session, stored: Sequence[StoredShot], order: Sequence[OrderRow]) -> ByOrder:
    """Give each shot the condition and shooter of its place in the order, in shots.csv; or none, and say why.

    Parameters
    ----------
    session : Session
        The session.
    stored : sequence of StoredShot
        All its shots, those without a reading too, as `session_shots` gives them.
    order : sequence of OrderRow
        From `planned_order`.

    Returns
    -------
    ByOrder
        Recordings count in the order of their file names (1 before 10), whatever folder they lie in. Nothing is
        guessed: numbers must agree, and nothing that the folders say may speak against it.
    """
    shots = sorted(
        stored,
        key=lambda one: (reading_order(Path(one.clip).name), one.clip, one.shot.shot),
    )
    doubt = (
        _same_names(shots)
        or _unknown_number(shots)
        or _other_number(shots, order)
        or _against_folders(session, shots, order)
    )
    labels = session.folder / LABELS_NAME
    if doubt:
        sentence = f"The shots were NOT labelled by {ORDER_NAME}: {doubt}"
        if labels.exists():  # labels of an earlier run, when there were other shots: they would be a guess now
            unused = free_name(labels)
            labels.rename(unused)
            sentence += f" The labels of an earlier run are in {unused.name}, out of use."
            session = open_session(session.folder)
        return ByOrder(session=session, matched=False, sentence=sentence)
    put_aside = _write_labels(labels, shots, order)
    return ByOrder(
        session=open_session(session.folder),
        matched=True,
        sentence=(
            f"The {len(shots)} shots were labelled by {ORDER_NAME}, recordings in the order of their names "
            f"({Path(shots[0].clip).name} to {Path(shots[-1].clip).name}); {LABELS_NAME} says which is which."
            + (f" What was written into the earlier one is in {put_aside.name}." if put_aside else "")
        ),
    )


def _same_names(shots: Sequence[StoredShot]) -> str:
    names = Counter(Path(clip).name.lower() for clip in {one.clip for one in shots})
    twice = sorted(name for name, count in names.items() if count > 1)
    if not twice:
        return ""
    return (
        f"several recordings are called {twice[0]}, so their names do not tell which came first. Name the "
        "recordings in the order in which they were made."
    )


def _unknown_number(shots: Sequence[StoredShot]) -> str:
    """Say that a recording without a strike may hold any number of shots, where recordings hold several."""
    several = Counter(one.clip for one in shots)
    empty = [
        one.clip
        for one in shots
        # a recording whose stated rate cannot be right is not looked into
        if one.shot.reason in _NUMBER_UNKNOWN or (one.shot.reason is WRONG_CLOCK and several[one.clip] == 1)
    ]
    if not empty or max(several.values()) == 1:
        return ""
    return (
        f"no shot was found in {empty[0]}, and other recordings hold several shots, so nobody knows how many "
        f"this one holds. Mend it, or remove it and take its shots out of {ORDER_NAME}."
    )


def _other_number(shots: Sequence[StoredShot], order: Sequence[OrderRow]) -> str:
    if len(shots) == len(order):
        return ""
    found = Counter(one.clip for one in shots)
    if len(found) == len(shots):
        where = f"in {len(found)} recordings, one in each"
    else:
        named = [f"{clip}: {count}" for clip, count in list(found.items())[:_MOST_NAMED]]
        where = "; ".join(named) + (f"; and {len(found) - _MOST_NAMED} more" if len(found) > _MOST_NAMED else "")
    planned = Counter(row.shooter for row in order)
    return (
        f"{len(shots)} shots were found ({where}), but it lists {len(order)} "
        f"({', '.join(f'{shooter}: {count}' for shooter, count in planned.items())}). Remove recordings of shots "
        "that were not in it, and add a line for a shot that was repeated or take out one that was left out."
    )


def _against_folders(session: Session, shots: Sequence[StoredShot], order: Sequence[OrderRow]) -> str:
    plain = Session(session.folder, session.config)
    for one, row in zip(shots, order, strict=True):
        said = plain.label(one.clip, one.shot.shot)
        if said.condition and (said.condition, said.shooter) != (row.condition, row.shooter):
            return (
                f"{one.clip} lies in the folders of {said.condition}/{said.shooter}, but is number {row.order} in "
                f"the order, which is {row.condition}/{row.shooter}. Put the recordings into clips/ itself, or "
                "measure without --by-order."
            )
    return ""


def _write_labels(path: Path, shots: Sequence[StoredShot], order: Sequence[OrderRow]) -> Path | None:
    """Write shots.csv; where the tester wrote into the lines of an earlier run, that file is kept, and named."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(LABEL_COLUMNS)
    for one, row in zip(shots, order, strict=True):
        offset = "" if row.tip_offset_mm is None else f"{row.tip_offset_mm:g}"
        kept = "" if row.kept is None else "yes" if row.kept else "no"
        note = f"{ORDER_NOTE}; {row.note}" if row.note else ORDER_NOTE
        writer.writerow((one.clip, one.shot.shot, row.condition, row.shooter, offset, row.order, kept, note))
    lines = text.getvalue().splitlines()
    put_aside = None
    try:
        if path.exists() and not _adds_nothing(path.read_text(encoding="utf-8-sig").splitlines(), lines):
            put_aside = free_name(path)
            path.rename(put_aside)
        path.write_text(text.getvalue(), encoding="utf-8")
    except OSError as error:
        raise SessionError(f"{path}: cannot be written ({error.strerror}); is it open elsewhere?") from error
    return put_aside


def _adds_nothing(before: Sequence[str], now: Sequence[str]) -> bool:
    """Whether an earlier shots.csv holds nothing by hand that the new one does not.

    A line of the order for a shot that is no longer there is no loss; another one for a shot that is, was mended.
    """
    said, shots = set(now), {_shot_named(line) for line in now}
    return all(
        line in said or (line.endswith(f",,{ORDER_NOTE}") and _shot_named(line) not in shots) for line in before
    )


def _shot_named(line: str) -> tuple[str, ...]:
    return tuple(next(csv.reader([line]), [])[:2])
