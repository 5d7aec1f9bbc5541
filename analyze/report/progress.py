"""How far a batch is, as one line: clips, shots found and how they came out, and the time left."""

import time
from collections import Counter

from analyze.fit.shot import Status
from analyze.measure.batch import Progress

PLAIN_EVERY_S = 10.0  # where nobody watches a bar, a line now and then is enough


class Tally:
    """Counts what has been measured, and says it.

    Parameters
    ----------
    now_s : float, optional
        Any clock, in s; the monotonic one unless given.
    """

    def __init__(self, now_s: float | None = None) -> None:
        self.began_s = time.monotonic() if now_s is None else now_s
        self.said_s = self.began_s
        self.shots: Counter[Status] = Counter()

    def line(self, progress: Progress, now_s: float | None = None) -> str:
        """Take in a step, and say how far the batch is."""
        now = time.monotonic() if now_s is None else now_s
        if progress.together:
            return f"measuring {progress.total} shots together"
        self.shots.update(shot.status for shot in progress.shots)
        found = sum(self.shots.values())
        text = f"{progress.done} of {progress.total} clips, {found} shots"
        if found:
            text += f" ({', '.join(f'{self.shots[status]} {status}' for status in Status)})"
        if 0 < progress.done < progress.total:
            left_s = (now - self.began_s) / progress.done * (progress.total - progress.done)
            text += f", about {_span(left_s)} left"
        return text

    def is_due(self, progress: Progress, now_s: float | None = None) -> bool:
        """Whether a plain line is due: not more often than every `PLAIN_EVERY_S`."""
        now = time.monotonic() if now_s is None else now_s
        if now - self.said_s < PLAIN_EVERY_S or not progress.done:
            return False
        self.said_s = now
        return True


def _span(seconds: float) -> str:
    if seconds < 90:
        return f"{max(1, round(seconds))} s"
    return f"{round(seconds / 60)} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"
