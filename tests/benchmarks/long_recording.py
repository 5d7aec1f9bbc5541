"""A long recording with few shots: processor time beside a loop that only reads the frames, and what is found.

    python tests/benchmarks/long_recording.py [--minutes 10] [--keep FILE]

makes one recording of the sample session's clips, a shot a minute: the ball rests (frames before a strike, back and
forth, with their noise), is struck, the lane lies empty. The frames of a shot come as late after each other as in
its clip. It is read once with OpenCV and measured once, each timed by the processor time of all threads, so that
other load matters little.
"""

import argparse
import csv
import os
import sys
import tempfile
import time
from collections.abc import Iterator
from fractions import Fraction
from importlib.resources import as_file, files
from itertools import count
from pathlib import Path

# As workers do, before numpy is loaded: its threads would wait for each other, and waiting counts as work.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import av  # noqa: TID251 - the recording is written here
import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from clicked_sample import copy_clicked

from analyze.fit.shot import Status
from analyze.measure.clip import ClipJob, measure_clip
from analyze.session.calibration import calibrate_session
from analyze.session.camera_place import CameraPlace
from analyze.session.folder import Session, open_session
from analyze.session.picture import bytes_from_picture
from calibrate.calibration import Calibration
from calibrate.units import mm_from_m
from tracker.clip import clip_info, still_luma
from tracker.corridor import lay_corridor
from tracker.recording import cut_recording

FPS = 60
TICK_S = Fraction(1, 90_000)
REST_S, IDLE_S = 25.0, 60.0  # the ball at rest, and from one shot to the next


def strikes_s() -> dict[str, tuple[float, float]]:
    """Time of the strike and reading in mm of each clip of the sample."""
    text = (files("sample_clips") / "truth.csv").read_text(encoding="utf-8")
    return {
        row["clip"].removeprefix("clips/"): (float(row["strike_s"]), float(row["reading_mm"]))
        for row in csv.DictReader(text.splitlines())
    }


def pictures(session: Session, clip: str, strike_s: float) -> Iterator[tuple[np.ndarray, float]]:
    """Give the planes of a minute with one shot, and the time to the next in s: rest, shot, empty lane."""
    with av.open(str(session.clip_path(clip))) as source:
        frames = list(source.decode(video=0))
    shot = [frame.to_ndarray(format="yuv420p") for frame in frames]
    steps_s = [*np.diff([float(frame.time or 0.0) for frame in frames]), 1 / FPS]
    struck = int(strike_s * FPS) - 1
    given = 0
    for there_and_back in count():
        part = shot[:struck] if there_and_back % 2 else shot[struck - 1 :: -1]
        # the last pass runs forward into the strike
        if given + len(part) > REST_S * FPS and there_and_back % 2:
            break
        yield from ((planes, 1 / FPS) for planes in part)
        given += len(part)
    yield from zip(shot, steps_s, strict=True)
    given += len(shot)
    empty = shot[-12:]
    for k in range(round(IDLE_S * FPS) - given):
        yield empty[k % 24 if k % 24 < 12 else 23 - k % 24], 1 / FPS


def write_recording(session: Session, path: Path, chosen: list[tuple[str, tuple[float, float]]]) -> None:
    """Write the recording."""
    with av.open(str(path), "w") as sink:
        stream = sink.add_stream("libx264", rate=FPS, options={"crf": "18", "preset": "veryfast", "g": str(FPS)})
        stream.codec_context.time_base = TICK_S
        at_s = 0.0
        for clip, (strike_s, _) in chosen:
            for planes, step_s in pictures(session, clip, strike_s):
                frame = av.VideoFrame.from_ndarray(planes, format="yuv420p")
                if at_s == 0:
                    stream.width, stream.height, stream.pix_fmt = frame.width, frame.height, "yuv420p"
                frame.pts, frame.time_base = round(at_s / TICK_S), TICK_S
                sink.mux(stream.encode(frame))
                at_s += step_s
        sink.mux(stream.encode())


def read_only(path: Path) -> tuple[int, float]:
    """Read all frames with OpenCV: how many, and processor seconds."""
    began_s = time.process_time()
    capture, frames = cv2.VideoCapture(str(path)), 0  # noqa: TID251 - the loop to compare with
    while capture.read()[0]:
        frames += 1
    return frames, time.process_time() - began_s


def cut_only(path: Path, calibration: Calibration) -> tuple[int, float]:
    """Find the shots without locating the ball: frames decoded in full, and processor seconds."""
    began_s, decoded = time.process_time(), count()
    info = clip_info(path)
    cuts = cut_recording(
        info,
        calibration,
        lay_corridor(calibration, info.size_px),
        frame_period_s=1 / FPS,
        capture_fps=None,
        damage=[],
        looked_at=lambda _: next(decoded),
    )
    for _ in cuts:
        pass
    return next(decoded), time.process_time() - began_s


def main() -> None:
    """Write, read, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--minutes", type=int, default=10)
    parser.add_argument("--keep", type=Path, default=None, help="the recording, written if it is not there")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder, as_file(files("sample_clips")):
        copy_clicked(Path(folder) / "sample")
        session = open_session(Path(folder) / "sample")
        path = options.keep or Path(folder) / "long.mp4"
        known = sorted(strikes_s().items())
        chosen = [known[k % len(known)] for k in range(options.minutes)]
        if not path.exists():
            write_recording(session, path, chosen)
        first = session.clip_path(known[0][0])
        calibration = calibrate_session(session, first)
        frames, reading_s = read_only(path)
        decoded, cutting_s = cut_only(path, calibration)
        job = ClipJob(
            clip="long",
            path=path,
            places=(CameraPlace(calibration=calibration, picture=bytes_from_picture(still_luma(first))),),
            capture_fps=None,
            readout=session.config.readout,
        )
        began_s = time.process_time()
        shots = measure_clip(job)
        whole_s = time.process_time() - began_s
    found = [shot for shot in shots if shot.reading_m is not None]
    measured = sum(shot.status is Status.MEASURED for shot in shots)
    print(f"{frames} frames, {options.minutes} shots: {len(found)} found, {measured} measured")
    print(f"reading them all with OpenCV {reading_s:.1f} s of processor time")
    print(
        f"finding the shots {cutting_s:.1f} s ({cutting_s / reading_s:.2f} times), {decoded / frames:.0%} decoded"
    )
    print(f"whole measurement {whole_s:.1f} s ({whole_s / reading_s:.2f} times)")
    if len(found) == len(chosen):
        errors = [mm_from_m(one.reading_m or 0.0) - mm for one, (_, (_, mm)) in zip(found, chosen, strict=True)]
        print(f"largest error of a reading {max(map(abs, errors)):.2f} mm")


if __name__ == "__main__":
    main()
