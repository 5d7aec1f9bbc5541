"""Many jobs at a time: worker processes or any other executor, and what becomes of a job whose worker dies."""

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from functools import partial
from typing import TypeVar

from analyze.fit.reasons import MEASURING_BROKE_OFF
from analyze.fit.shot import Shot, failed_shot
from analyze.measure.clip import ClipJob, damaged_shot
from analyze.measure.worker import start_worker, time_limit_s, within
from calibrate.errors import RailreadError

_LOOK_S = 0.5  # where a wait without end cannot be interrupted, Ctrl-C is heard this late
Job = TypeVar("Job")
Found = TypeVar("Found")
# Thread pools inside numpy and OpenCV only get in each other's way when every core has a process already.
_ONE_THREAD = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


def measured_jobs(
    jobs: Sequence[ClipJob],
    measure: Callable[[ClipJob], Sequence[Shot]],
    *,
    workers: int | None = None,
    executor: Executor | None = None,
) -> Generator[tuple[ClipJob, Sequence[Shot]], None, None]:
    """Yield each recording with its shots, in the order in which they get ready; see `finished_jobs`."""
    limits = {job.clip: time_limit_s(job.path) for job in jobs}
    finished = finished_jobs(
        jobs, measure, workers=workers, executor=executor, limit_s=lambda job: limits[job.clip]
    )
    for job, future in finished:
        yield job, _shots(job, future, limits[job.clip])


def finished_jobs(
    jobs: Sequence[Job],
    work: Callable[[Job], Found],
    *,
    workers: int | None = None,
    executor: Executor | None = None,
    limit_s: Callable[[Job], float] | None = None,
) -> Generator[tuple[Job, Future[Found]], None, None]:
    """Yield each job with its finished future, in the order in which they get ready.

    Parameters
    ----------
    jobs : sequence
        What there is to do; with a function and results that can be pickled, unless the executor is one of threads.
    work : callable
        Does one job.
    workers : int, optional
        Processes of a pool of our own; as many as there are cores unless given.
    executor : Executor, optional
        Who does the jobs instead: any `concurrent.futures.Executor`, on this machine or on others. It is not shut
        down. Where the tester breaks off, what has not begun is cancelled.
    limit_s : callable, optional
        How long a job may take in a process of our own before that is ended, as if it had died.
    """
    if executor is not None:
        yield from _ready(executor, jobs, work)
        return
    count = min(workers or os.cpu_count() or 1, len(jobs) or 1)
    left, suspects = list(jobs), []
    while left:
        with _processes(count) as pool:
            for job, future in _ready(pool, left, work, limit_s, at_a_time=count):
                left.remove(job)
                if isinstance(future.exception(), BrokenExecutor):
                    suspects.append(job)
                else:
                    yield job, future
        # A decoder that crashes or hangs takes the whole pool with it, and nobody can tell which clip it was on:
        # each that was under way then gets a process to itself, and the others a new pool.
        for job in suspects:
            with _processes(1) as pool:
                yield from _ready(pool, [job], work, limit_s)
        suspects = []


def _ready(
    executor: Executor,
    jobs: Sequence[Job],
    work: Callable[[Job], Found],
    limit_s: Callable[[Job], float] | None = None,
    *,
    at_a_time: int | None = None,
) -> Generator[tuple[Job, Future[Found]], None, None]:
    """Yield jobs as they get ready, so many at a time handed out; none any more once a worker has died."""
    todo = list(jobs)
    futures: dict[Future[Found], Job] = {}
    broken = False
    try:
        while (todo and not broken) or futures:
            with _interrupt_held():
                while todo and not broken and (at_a_time is None or len(futures) < at_a_time):
                    job = todo.pop(0)
                    doing = work if limit_s is None else partial(within, limit_s(job), work)
                    try:
                        futures[executor.submit(doing, job)] = job
                    except BrokenExecutor:  # while nobody was waiting for it
                        todo.insert(0, job)
                        broken = True
            done, _ = wait(futures, timeout=_LOOK_S, return_when=FIRST_COMPLETED)
            for future in done:
                broken = broken or isinstance(future.exception(), BrokenExecutor)
                yield futures.pop(future), future
    finally:
        for future in futures:
            future.cancel()


def _shots(job: ClipJob, future: Future[Sequence[Shot]], limit_s: float) -> Sequence[Shot]:
    """Return what a job gave; whatever went wrong with it becomes a failed shot."""
    error = future.exception()
    if error is None:
        return future.result()
    if isinstance(error, RailreadError):
        return (damaged_shot(job, error),)
    if isinstance(error, BrokenExecutor):
        detail = f"its process died, or took longer than {limit_s:.0f} s; copy the recording from the phone again"
        return (failed_shot(job.path, 1, MEASURING_BROKE_OFF, detail),)
    return (failed_shot(job.path, 1, MEASURING_BROKE_OFF, f"{type(error).__name__}: {error}"),)


@contextmanager
def _processes(count: int) -> Iterator[ProcessPoolExecutor]:
    """Give a pool whose processes start afresh (as on every system) and use one thread each."""
    before = {name: os.environ.get(name) for name in _ONE_THREAD}
    others = set(multiprocessing.active_children())
    os.environ.update(dict.fromkeys(_ONE_THREAD, "1"))
    pool = ProcessPoolExecutor(count, mp_context=multiprocessing.get_context("spawn"), initializer=start_worker)
    try:
        yield pool
    except BaseException:
        # The tester broke off: what has not begun need not begin, and what has is not waited for.
        pool.shutdown(wait=False, cancel_futures=True)
        for process in set(multiprocessing.active_children()) - others:
            process.terminate()
        raise
    else:
        pool.shutdown()
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


@contextmanager
def _interrupt_held() -> Iterator[None]:
    """Hold Ctrl-C back while workers start: they inherit that, so that none is interrupted before it is set up."""
    if threading.current_thread() is not threading.main_thread() or not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
