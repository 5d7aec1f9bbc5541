"""What a recording's sound holds of a shot: every knock from before the strike to after the cushion."""

from dataclasses import dataclass

from calibrate.arrays import Floats, readonly

# Phones write sound up to a fifth of a second beside the picture (common practice, no source).
ASIDE_S = 0.2


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class HeardSound:
    """Knocks about one shot.

    Attributes
    ----------
    times_s : (N,) float64
        When each begins, in the sound's own seconds; its nought is arbitrary, the delay of the sound included.
    sds_s : (N,) float64
        Standard uncertainty of each.
    strengths_db : (N,) float64
        Power over that of the noise before.
    from_s, until_s : float
        Span that was listened to.
    slowed_less_than : float
        Number of times by which the sound cannot have been slowed down; infinity where nothing shows that.
    clock_s_per_s : float
        Seconds of the clip's clock for one of the sound, where picture and sound go together.
    begins_s : float
        Time of the sound at which the clip's clock is at nought.
    """

    times_s: Floats
    sds_s: Floats
    strengths_db: Floats
    from_s: float
    until_s: float
    slowed_less_than: float
    clock_s_per_s: float
    begins_s: float

    def __post_init__(self) -> None:
        """Check shapes and freeze the arrays."""
        n = len(self.times_s)
        for name in ("times_s", "sds_s", "strengths_db"):
            object.__setattr__(self, name, readonly(name, getattr(self, name), (n,)))

    def sound_s(self, clock_s: float) -> float:
        """When something seen at a time of the clip's clock is to be heard, but for the delay of the sound."""
        return self.begins_s + clock_s / self.clock_s_per_s
