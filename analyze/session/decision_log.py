"""What a person has said about a shot: the entries of the log of decisions, and what they come to together.

Nothing that was said is ever changed or deleted; the newest entry of a kind counts.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from enum import StrEnum


class DecisionKind(StrEnum):
    """What a person can say about a shot.

    `KEEP` and `SET_ASIDE` decide whether it counts, `UNDECIDE` takes that back; `RELABEL` with an empty value
    gives the shot back the label that its folder or shots.csv gives it.
    """

    KEEP = "keep"
    SET_ASIDE = "set_aside"
    UNDECIDE = "undecide"
    NOTE = "note"
    RELABEL = "relabel"


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One entry of the log.

    Attributes
    ----------
    kind : DecisionKind
        What was said.
    value : str
        The reason of `SET_ASIDE`, the text of `NOTE`, ``condition/shooter`` of `RELABEL`; else empty.
    made_utc : str
        When, ISO 8601.
    clip : str
        What the recording was called then.
    """

    kind: DecisionKind
    value: str
    made_utc: str
    clip: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """What a person has said about one shot, taken together.

    Attributes
    ----------
    kept : bool or None
        True or False where a person has decided; None where nobody has.
    set_aside_reason : str
        Why it was set aside.
    note : str
        The newest note.
    condition, shooter : str or None
        The label as mended; None where it was not.
    stamp : int
        Grows with each entry about the shot, 0 before the first: who decides by what was read earlier is told where
        another has decided since. Not compared.
    """

    kept: bool | None = None
    set_aside_reason: str = ""
    note: str = ""
    condition: str | None = None
    shooter: str | None = None
    stamp: int = field(default=0, compare=False)

    def after(self, kind: DecisionKind, value: str, *, stamp: int) -> "Decision":
        """Return what stands after one more entry.

        Parameters
        ----------
        kind, value : DecisionKind, str
            The entry.
        stamp : int
            Of the shot after it.
        """
        now = replace(self, stamp=stamp)
        if kind is DecisionKind.KEEP:
            return replace(now, kept=True, set_aside_reason="")
        if kind is DecisionKind.SET_ASIDE:
            return replace(now, kept=False, set_aside_reason=value)
        if kind is DecisionKind.UNDECIDE:
            return replace(now, kept=None, set_aside_reason="")
        if kind is DecisionKind.NOTE:
            return replace(now, note=value)
        condition, slash, shooter = value.partition("/")
        return replace(now, condition=condition if slash else None, shooter=shooter if slash else None)


def check_entry(kind: DecisionKind, value: str) -> None:
    """Refuse an entry that says nothing.

    Parameters
    ----------
    kind, value : DecisionKind, str
        The entry.

    Raises
    ------
    ValueError
        If a shot is set aside without a reason, or relabelled with what is neither ``condition/shooter`` nor empty.
    """
    if kind is DecisionKind.SET_ASIDE and not value.strip():
        raise ValueError("value must give the reason for setting a shot aside, but got an empty text")
    if kind is DecisionKind.RELABEL and value and value.count("/") != 1:
        raise ValueError(f"value must be condition/shooter or empty, but got {value!r}")


def taken_together(rows: Iterable[tuple[int, str, int, str, str]]) -> dict[tuple[str, int], Decision]:
    """Return what the log comes to, by hash of the recording and number of the shot.

    Parameters
    ----------
    rows : iterable of (int, str, int, str, str)
        Number of the entry, hash of the recording, number of the shot, kind and value, oldest first.
    """
    decisions: dict[tuple[str, int], Decision] = {}
    for stamp, sha256, shot, kind, value in rows:
        key = (sha256, shot)
        decisions[key] = decisions.get(key, Decision()).after(DecisionKind(kind), value, stamp=stamp)
    return decisions
