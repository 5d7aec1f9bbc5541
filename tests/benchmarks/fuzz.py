"""Damaged recordings: how many give a wrong number that is called measured, and whether any stops the program.

    python tests/benchmarks/fuzz.py --count 1000 [--first 0]

takes one clip of the sample session, lays the sound of its shot beside it, damages copies of it in the ways in
which files and streams get damaged, measures each in a process of its own, and prints a tally. Wrong: more than 1
mm, or two standard deviations, of reading from what the whole clip reads, or 1 % of speed. With `--first` a run
goes on from that copy; copies are the same in every run.
"""

import argparse
import sys
import tempfile
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from clicked_sample import copy_clicked
from room_sounds import beside_sound

from analyze.fit.shot import Shot, Status
from analyze.measure.clip import ClipJob, measure_clip
from analyze.measure.pool import measured_jobs
from analyze.session.calibration import calibrate_session
from analyze.session.camera_place import CameraPlace
from analyze.session.folder import open_session
from analyze.session.picture import bytes_from_picture
from sample_clips.make_session import CELLS, session_setup
from sample_clips.sound import Room
from tracker.clip import still_luma

CLIP = "A/S1/0001.mp4"
SETUP = session_setup(CELLS[0], 1)  # of that clip
SEED = 20240611
WRONG_M, WRONG_SDS, WRONG_SPEED = 0.001, 2.0, 0.01


def _payload(data: bytes) -> tuple[int, int]:
    """Where the coded pictures and the sound lie in an MP4 file."""
    start = data.index(b"mdat") + 4
    length = int.from_bytes(data[start - 8 : start - 4], "big")
    return start, min(len(data), start - 8 + length)


def flip_bits(data: bytes, rng: np.random.Generator) -> bytes:
    """Flip 1 to 64 bits of the stream."""
    start, end = _payload(data)
    out = bytearray(data)
    for at in rng.integers(start, end, int(2 ** rng.uniform(0, 6))):
        out[at] ^= 1 << int(rng.integers(8))
    return bytes(out)


def overwrite(data: bytes, rng: np.random.Generator) -> bytes:
    """Overwrite a run of the stream, as a bad sector does, with nought or noise."""
    start, end = _payload(data)
    length = int(2 ** rng.uniform(4, 13))
    at = int(rng.integers(start, max(start + 1, end - length)))
    run = bytes(length) if rng.random() < 0.5 else rng.bytes(length)
    return data[:at] + run[: len(data) - at] + data[at + length :]


def cut(data: bytes, rng: np.random.Generator) -> bytes:
    """Cut the file short."""
    return data[: int(len(data) * rng.uniform(0.05, 0.999))]


def drop(data: bytes, rng: np.random.Generator) -> bytes:
    """Lose a run of the stream: all that follows lies elsewhere than the index says."""
    start, end = _payload(data)
    at, length = int(rng.integers(start, end)), int(2 ** rng.uniform(0, 12))
    return data[:at] + data[at + length :]


def hurt_index(data: bytes, rng: np.random.Generator) -> bytes:
    """Change bytes of the index: times, sizes, places, picture size."""
    start = data.index(b"moov")
    out = bytearray(data)
    for at in rng.integers(start, len(data), int(2 ** rng.uniform(0, 4))):
        out[at] = int(rng.integers(256))
    return bytes(out)


def swap_blocks(data: bytes, rng: np.random.Generator) -> bytes:
    """Exchange two blocks of the stream, as a broken file system does."""
    start, end = _payload(data)
    size = int(2 ** rng.uniform(6, 12))
    one, other = sorted(int(at) for at in rng.integers(start, max(start + 1, end - size), 2))
    if other < one + size:
        return flip_bits(data, rng)
    out = bytearray(data)
    out[one : one + size], out[other : other + size] = data[other : other + size], data[one : one + size]
    return bytes(out)


WAYS = (flip_bits, overwrite, cut, drop, hurt_index, swap_blocks)


def verdict(shot: Shot, whole: Shot) -> str:
    """Say what became of a damaged copy, compared with the whole clip."""
    if shot.status is not Status.MEASURED or shot.reading_m is None or whole.reading_m is None:
        return f"{shot.status}: {shot.reason.slug if shot.reason else ''}"
    off_m = abs(shot.reading_m - whole.reading_m)
    faster = abs((shot.launch_speed_m_s or 0) / (whole.launch_speed_m_s or 1) - 1)
    sds = off_m / (shot.reading_sd_m or 1e-9)
    if off_m > WRONG_M or (sds > WRONG_SDS and off_m > 0.0003) or faster > WRONG_SPEED:
        return f"WRONG and measured: {1000 * off_m:.2f} mm, {sds:.1f} sd, speed {100 * faster:.1f} %"
    return "measured, right"


def main() -> None:
    """Damage, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--first", type=int, default=0, help="copies before this one are passed over")
    parser.add_argument("--workers", type=int, default=None)
    options = parser.parse_args()
    rng = np.random.default_rng(SEED)
    with tempfile.TemporaryDirectory() as folder:
        copy_clicked(Path(folder) / "sample")
        session = open_session(Path(folder) / "sample")
        heard = replace(SETUP, room=Room()).sound()
        assert heard is not None
        source = beside_sound(session.clip_path(CLIP), Path(folder) / "whole.mp4", heard[0])
        calibration = calibrate_session(session, source)
        job = ClipJob(
            clip="whole",
            path=source,
            places=(CameraPlace(calibration=calibration, picture=bytes_from_picture(still_luma(source))),),
            capture_fps=None,
            readout=session.config.readout,
        )
        (whole,) = measure_clip(job)
        assert whole.sightings is not None
        assert whole.sightings.heard is not None
        data = source.read_bytes()
        jobs, ways = [], {}
        for number in range(options.count):
            way = WAYS[number % len(WAYS)]
            path = Path(folder) / f"{number:04}-{way.__name__}.mp4"
            hurt = way(data, rng)
            if number < options.first:
                continue
            path.write_bytes(hurt)
            jobs.append(replace(job, clip=path.name, path=path))
            ways[path.name] = way.__name__
        tally: Counter[tuple[str, str]] = Counter()
        for done, (one, shots) in enumerate(measured_jobs(jobs, measure_clip, workers=options.workers), start=1):
            for shot in shots:
                said = verdict(shot, whole)
                if said.startswith("WRONG"):
                    print(f"{one.clip}: {said}", flush=True)
                    said = "WRONG and measured"
                tally[ways[one.clip], said] += 1
            one.path.unlink()
            if done % 50 == 0:
                print(f"{done} of {len(jobs)}", file=sys.stderr, flush=True)
    print(f"{len(jobs)} damaged copies of {CLIP} of the sample session:")
    for (way, said), count in sorted(tally.items()):
        print(f"  {way:12} {said:40} {count}")
    print(f"wrong and measured: {sum(count for (_, said), count in tally.items() if said.startswith('WRONG'))}")


if __name__ == "__main__":
    main()
