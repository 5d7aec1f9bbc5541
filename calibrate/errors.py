"""What can go wrong with what a tester hands in, and how a missing answer is said.

::

    RailreadError            the input is wrong: one line, exit status 2
    ├── SessionError         session.toml, shots.csv or the folder itself
    ├── MarksError           the clicked marks, or a camera that they cannot give
    ├── ClipError            a recording that cannot be read
    └── StoreError           the session's database
        └── DecisionOvertakenError   somebody decided about the same shot meanwhile

A shot that holds no answer (ball lost, too few frames) is no exception but a value: see `Reason`.
"""

from dataclasses import dataclass


class RailreadError(Exception):
    """The input is wrong; the message is one line that says what, where and what to do."""


class SessionError(RailreadError):
    """The session folder, its `session.toml` or its lists cannot be used as they are."""


class MarksError(RailreadError):
    """The clicked marks are wrong, too few, or lie so that no camera follows from them."""


class ClipError(RailreadError):
    """A recording is missing, empty, damaged or not a video."""


class StoreError(RailreadError):
    """The session's database cannot be read or written."""


class DecisionOvertakenError(StoreError):
    """Somebody decided about a shot after it was read by who decides now; nothing was changed."""


@dataclass(frozen=True, slots=True)
class Reason:
    """Why something was not measured, or is worth a look.

    Attributes
    ----------
    slug : str
        Short fixed name, as it stands in the `reason` column of `out/shots.csv`.
    sentence : str
        What happened, for the tester.
    advice : str
        What to do about it.
    """

    slug: str
    sentence: str
    advice: str


@dataclass(frozen=True, slots=True)
class NotMeasured:
    """A missing answer: the reason, and what was found in this case. Falsy, so that callers must look.

    Attributes
    ----------
    reason : Reason
        Which of the known reasons.
    detail : str
        The particulars of this case, with numbers and units; may be empty.
    """

    reason: Reason
    detail: str = ""

    def __bool__(self) -> bool:
        """Return False: there is no answer."""
        return False
