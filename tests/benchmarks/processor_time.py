"""Processor time of measuring a session beside a loop that only reads its recordings with OpenCV.

Run by hand, or as part `time` of ``run.py``::

    python tests/benchmarks/processor_time.py [SESSION] [--cue]

The session is the shipped sample unless a calibrated one is named; it is copied, and every recording in it measured
anew by ``railread measure`` in processes of its own. Everything counts that those processes do, from their start to
the table of shots; the reading loop counts likewise. One thread each, so that waiting threads do not count as work.
"""

import argparse
import csv
import os
import resource
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

SAMPLE = Path(__file__).parents[2] / "sample_clips" / "session"
READ = """
import sys, cv2
cv2.setNumThreads(1)
for path in sys.argv[1:]:
    clip = cv2.VideoCapture(path)  # noqa: TID251
    while clip.read()[0]:
        pass
"""
RAILREAD = "from analyze.cli import app; app()"
# Without a strip behind the ball nothing of the cue is kept or looked for. Every process runs this as it starts.
WITHOUT_CUE = "import tracker.shots\n\ntracker.shots.lay_cue_strip = lambda *_: None\n"
SUFFIXES = {".mp4", ".mov", ".mkv", ".avi", ".webm"}


def children_s() -> float:
    """Processor time of all processes that were started and have ended."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def run_s(code: str, *arguments: str, statuses: tuple[int, ...] = (0,)) -> float:
    """Processor time of a Python process and of those that it starts."""
    began_s = children_s()
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "OPENCV_FFMPEG_THREADS": "1"}
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments],
        env=environment,
        cwd=Path(__file__).parents[2],
        stdout=subprocess.DEVNULL,
        check=False,
    )
    if done.returncode not in statuses:
        sys.exit(f"exit status {done.returncode}: {arguments}")
    return children_s() - began_s


def main() -> None:
    """Measure and read, and print both."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("session", nargs="?", type=Path, default=SAMPLE, help="default: the shipped sample")
    parser.add_argument("--cue", action="store_true", help="measure once more without looking for the cue")
    options = parser.parse_args()
    session = options.session
    clips = sorted(str(one) for one in (session / "clips").rglob("*") if one.suffix.lower() in SUFFIXES)
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "session"
        shutil.copytree(session, copy)
        if not (copy / "railread.sqlite").exists():
            run_s(
                RAILREAD,
                "calibrate",
                str(copy),
                "--frame",
                clips[0],
                "--marks",
                str(session / ("clicks.csv" if session == SAMPLE else "marks.csv")),
            )
        # reading before and after: a machine that slows down meanwhile shows
        read_s = run_s(READ, *clips)
        measure_s = run_s(RAILREAD, "measure", "--again", "--jobs", "1", str(copy), statuses=(0, 1))
        again_s = run_s(READ, *clips)
        without_s = 0.0
        if options.cue:
            (Path(folder) / "sitecustomize.py").write_text(WITHOUT_CUE, encoding="utf-8")
            os.environ["PYTHONPATH"] = os.pathsep.join((folder, str(Path(__file__).parents[2])))
            without_s = run_s(RAILREAD, "measure", "--again", "--jobs", "1", str(copy), statuses=(0, 1))
            reasons = {row["cue_reason"] for row in csv.DictReader((copy / "out" / "shots.csv").open())}
            if reasons != {"cue-outside"}:
                sys.exit(f"the cue was looked for nevertheless: {reasons}")
    mean_s = (read_s + again_s) / 2
    each_s = measure_s / len(clips)
    print(f"{len(clips)} recordings: measured in {measure_s:.1f} s of processor time, {each_s:.2f} s each;")
    print(
        f"read with OpenCV in {read_s:.1f} s before and {again_s:.1f} s after: {measure_s / mean_s:.2f} times that"
    )
    if without_s:
        print(f"without looking for the cue {without_s:.1f} s: it adds {100 * (measure_s / without_s - 1):.0f} %")


if __name__ == "__main__":
    main()
