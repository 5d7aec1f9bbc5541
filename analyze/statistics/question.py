"""What is asked of a table of shots, stated before looking at it."""

from dataclasses import dataclass
from enum import StrEnum


class Scope(StrEnum):
    """For whom an answer holds."""

    THESE = "these"
    GENERAL = "general"


SCOPE_WORDS = {
    Scope.THESE: (
        "For these shooters: would the same people, shooting on, see this difference? "
        "Each shooter's own mean is taken out; only the scatter of the shots counts as chance."
    ),
    Scope.GENERAL: (
        "For shooters in general: would another player see this difference? The shooters are taken as a sample of "
        "many; that a difference varies from shooter to shooter counts as chance too."
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What is asked.

    Attributes
    ----------
    quantity : str
        Column compared, named with its unit.
    confidence : float
        Of all intervals together, such as 0.95; `differs` and `same` are each wrong with at most 1 - confidence.
    margin : float or None
        Largest difference that would not matter, in the quantity's unit, stated in advance; None when none is.
    reference : str or None
        Condition that others are held against: it comes first in pairs.
    covariates : tuple of str
        Columns to whose common value results are adjusted, beside the raw results.
    shared_sd : float
        Standard uncertainty common to all shots of a session (its calibration), in the quantity's unit. It cancels
        between conditions of one session and counts in full between sessions.
    """

    quantity: str = "reading_mm"
    confidence: float = 0.95
    margin: float | None = None
    reference: str | None = None
    covariates: tuple[str, ...] = ("launch_speed_m_s", "tip_offset_mm")
    shared_sd: float = 0.0

    def __post_init__(self) -> None:
        """Refuse what cannot be asked."""
        if not 0.5 < self.confidence < 1:
            raise ValueError(f"confidence must lie between 0.5 and 1, but got {self.confidence!r}")
        if self.margin is not None and not self.margin > 0:
            raise ValueError(f"margin must be above zero, but got {self.margin!r}")
        if self.shared_sd < 0:
            raise ValueError(f"shared_sd must be zero or more, but got {self.shared_sd!r}")
