"""Measuring and drawing while the page goes on: a process of its own, and what it tells."""

import json
import subprocess
import sys
from dataclasses import dataclass, replace
from pathlib import Path
from threading import Lock, Thread
from typing import Any, Literal

from calibrate.errors import SessionError

Job = Literal["measure", "again", "draw"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """What is being done.

    Attributes
    ----------
    version : int
        Grows with every news.
    job : str
        ``measure``, ``again`` or ``draw``; empty before the first.
    running : bool
        Whether it is being done now.
    done, total : int
        Recordings or shots; total 0 before it is known.
    clip : str
        The one just finished.
    together : bool
        Whether the shots are measured together now, after each alone.
    notes : tuple of str
        What the person should know at the end.
    error : str
        Why it could not be done.
    """

    version: int = 0
    job: str = ""
    running: bool = False
    done: int = 0
    total: int = 0
    clip: str = ""
    together: bool = False
    notes: tuple[str, ...] = ()
    error: str = ""


class Workshop:
    """One job at a time, in a process of its own.

    Parameters
    ----------
    folder : Path
        The session folder.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._lock = Lock()
        self._process: subprocess.Popen[str] | None = None
        self._again = False
        self._stopped = False
        self.work = Work()

    def start(self, job: Job) -> Work:
        """Begin a job.

        Parameters
        ----------
        job : str
            What to do.

        Raises
        ------
        SessionError
            If another one is being done.
        """
        with self._lock:
            if self.work.running:
                raise SessionError("railread is at work already; wait until it is done, or stop it")
            return self._begin(job)

    def _begin(self, job: Job) -> Work:
        """Begin a job; for who holds the lock and has seen that nothing is being done."""
        self.work = Work(version=self.work.version + 1, job=job, running=True)
        self._stopped = False
        self._process = subprocess.Popen(
            [sys.executable, "-m", "analyze.web.worker", job, str(self._folder.resolve())],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            encoding="utf-8",
            cwd=Path(__file__).parents[2],
        )
        Thread(target=self._follow, args=(self._process,), daemon=True).start()
        return self.work

    def start_soon(self) -> None:
        """Measure what is new: now, or as soon as what is being done is done."""
        with self._lock:
            if self.work.running:
                self._again = True
            else:
                self._begin("measure")

    def stop(self) -> None:
        """Let the job break off: clips being measured now are finished, no new one begun."""
        with self._lock:
            self._stopped = True
            if self._process is not None and self._process.stdin is not None:
                self._process.stdin.close()

    def _follow(self, process: "subprocess.Popen[str]") -> None:
        assert process.stdout is not None
        assert process.stderr is not None
        # Warnings of libraries must not fill the pipe and halt the work.
        last: list[str] = []
        errors = Thread(target=lambda: last.extend(line for line in process.stderr or ()), daemon=True)
        errors.start()
        with process:  # closes the pipes at its end
            for line in process.stdout:
                self._take(json.loads(line))
            process.wait()
            errors.join(timeout=2)
        with self._lock:
            broken = process.returncode != 0 and not self.work.error
            error = f"the work broke off: {last[-1].strip() if last else 'no reason given'}" if broken else ""
            self.work = replace(
                self.work, version=self.work.version + 1, running=False, error=self.work.error or error
            )
            again, self._again = self._again and not self._stopped, False
            if again:
                self._begin("measure")

    def _take(self, news: dict[str, Any]) -> None:
        with self._lock:
            work = self.work
            self.work = replace(
                work,
                version=work.version + 1,
                done=news.get("done", work.done),
                total=news.get("total", work.total),
                clip=news.get("clip", work.clip),
                together=news.get("together", work.together),
                error=news.get("error", work.error),
                notes=tuple(news.get("notes", work.notes)),
            )
