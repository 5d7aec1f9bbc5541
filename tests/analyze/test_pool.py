"""Worker processes: one that dies or hangs costs its own clip, and none outlives its parent."""

import itertools
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from analyze.fit.shot import Shot
from analyze.measure import pool
from analyze.measure.clip import ClipJob
from analyze.measure.worker import time_limit_s

ROOT = Path(__file__).parents[2]


def job_named(name: str) -> ClipJob:
    return ClipJob(clip=name, path=Path(name), places=(), capture_fps=None, readout=None)


def misbehaves_or_not(job: ClipJob) -> tuple[Shot, ...]:
    """Hang as a decoder does, without ever giving Python a turn (`sum` of an endless iterator); die; or wait."""
    if job.clip.startswith("hang"):
        sum(itertools.repeat(0))
    if job.clip.startswith("die"):
        os._exit(9)
    if job.clip.startswith("wait"):
        time.sleep(60)
    return ()


def test_clips_that_hang_or_crash_the_decoder_cost_only_themselves(monkeypatch):
    monkeypatch.setattr(pool, "time_limit_s", lambda clip: 5.0)
    names = ("1", "hang", "2", "die", "3", "4")
    jobs = [job_named(name) for name in names]
    found = {job.clip: shots for job, shots in pool.measured_jobs(jobs, misbehaves_or_not, workers=2)}
    assert sorted(found) == sorted(names)
    for name, shots in found.items():
        if name in ("hang", "die"):
            (failed,) = shots
            assert failed.reason.slug == "measuring-broke-off"
            assert "its process died, or took longer than 5 s" in failed.detail
        else:
            assert shots == ()


def test_the_time_limit_grows_with_the_recording(tmp_path):
    clip = tmp_path / "long.mp4"
    clip.write_bytes(b"0" * 30_000_000)
    assert time_limit_s(clip) == 600
    assert time_limit_s(tmp_path / "none.mp4") == 300


KILLED = """
import sys
sys.path.insert(0, {tests!r})
from test_pool import job_named, misbehaves_or_not
from analyze.measure.pool import measured_jobs

if __name__ == "__main__":
    jobs = [job_named(name) for name in ("quick", "wait", "wait too", "wait as well")]
    for job, _ in measured_jobs(jobs, misbehaves_or_not, workers=2):
        print(job.clip, flush=True)
"""


def running(pid: int) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except (FileNotFoundError, ProcessLookupError):
        return False
    return state != "Z"


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="looks for the processes in /proc")
def test_workers_end_when_their_parent_is_killed(tmp_path):
    """kill -9 leaves a parent no time to end its workers: they must notice."""
    script = tmp_path / "killed.py"
    script.write_text(KILLED.format(tests=str(Path(__file__).parent)))
    with subprocess.Popen(
        [sys.executable, str(script)],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        text=True,
    ) as parent:
        assert parent.stdout is not None
        assert parent.stdout.readline() == "quick\n"
        threads = Path(f"/proc/{parent.pid}/task").iterdir()
        children = [int(pid) for thread in threads for pid in (thread / "children").read_text().split()]
        assert len(children) >= 2
        parent.kill()
    until = time.monotonic() + 20
    while any(running(pid) for pid in children) and time.monotonic() < until:
        time.sleep(0.1)
    assert not any(running(pid) for pid in children)
