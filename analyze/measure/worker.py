"""What a worker process minds for itself: it ends when its parent does, and a job that hangs ends it."""

import faulthandler
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

Job = TypeVar("Job")
Found = TypeVar("Found")

# A damaged file may keep a decoder busy for ever. Measuring takes less than real time on a machine of its own, and
# phones write 1 MB or more a second of time; the rest is for machines that are shared, and for heavy compression.
LEAST_LIMIT_S, LIMIT_S_PER_MB, MOST_LIMIT_S = 300.0, 10.0, 4 * 3600.0


def start_worker() -> None:
    """Set up a worker: leave Ctrl-C to the parent, which holds the results, and end when the parent ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, name="parent watch", daemon=True).start()


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def time_limit_s(clip: Path) -> float:
    """Return how long a recording may take to measure before its worker is given up."""
    try:
        megabytes = clip.stat().st_size / 1e6
    except OSError:
        megabytes = 0.0
    return min(MOST_LIMIT_S, LEAST_LIMIT_S + LIMIT_S_PER_MB * megabytes)


def within(limit_s: float, work: Callable[[Job], Found], job: Job) -> Found:
    """Do a job; end the process where it takes longer than `limit_s`.

    The timer is a thread of C that needs nothing of Python, so that it goes off in a decoder that never returns.
    """
    with Path(os.devnull).open("w") as nowhere:
        faulthandler.dump_traceback_later(limit_s, exit=True, file=nowhere)
        try:
            return work(job)
        finally:
            faulthandler.cancel_dump_traceback_later()
