"""Many recordings at a time: worker processes, and what becomes of a recording whose process dies."""

import multiprocessing
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager

from analyze.fit.reasons import MEASURING_BROKE_OFF
from analyze.fit.shot import Shot, failed_shot
from analyze.measure.clip import ClipJob, damaged_shot
from calibrate.errors import RailreadError

# Thread pools inside numpy and OpenCV only get in each other's way when every core has a process already.
_ONE_THREAD = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


def measured_jobs(
    jobs: Sequence[ClipJob], measure: Callable[[ClipJob], Sequence[Shot]], workers: int | None
) -> Iterator[tuple[ClipJob, Sequence[Shot]]]:
    """Yield each job with its shots, in the order in which they get ready."""
    left = list(jobs)
    with _processes(min(workers or os.cpu_count() or 1, len(jobs) or 1)) as pool:
        futures = {pool.submit(measure, job): job for job in jobs}
        for future in as_completed(futures):
            if isinstance(future.exception(), BrokenProcessPool):
                continue
            left.remove(futures[future])
            yield futures[future], _shots(futures[future], future)
    # A decoder that crashes takes the whole pool with it, and nobody can tell which clip it was on: so the clips
    # that are left get a process each.
    for job in left:
        with _processes(1) as pool:
            future = pool.submit(measure, job)
            yield job, _shots(job, future)


def _shots(job: ClipJob, future: Future[Sequence[Shot]]) -> Sequence[Shot]:
    """Return what a job gave; whatever went wrong with it becomes a failed shot."""
    error = future.exception()
    if error is None:
        return future.result()
    if isinstance(error, RailreadError):
        return (damaged_shot(job, error),)
    return (failed_shot(job.path, 1, MEASURING_BROKE_OFF, f"{type(error).__name__}: {error}"),)


@contextmanager
def _processes(count: int) -> Iterator[ProcessPoolExecutor]:
    """Give a pool whose processes start afresh (as on every system) and use one thread each."""
    before = {name: os.environ.get(name) for name in _ONE_THREAD}
    os.environ.update(dict.fromkeys(_ONE_THREAD, "1"))
    try:
        with ProcessPoolExecutor(count, mp_context=multiprocessing.get_context("spawn")) as pool:
            try:
                yield pool
            except BaseException:  # the tester broke off: what has not begun need not begin
                pool.shutdown(wait=False, cancel_futures=True)
                raise
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
