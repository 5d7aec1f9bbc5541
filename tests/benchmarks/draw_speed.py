"""How fast clips are drawn, beside decoding the same frames and encoding them again with nothing drawn.

    python tests/benchmarks/draw_speed.py SESSION

draws the first measured shot of a session (of `railread demo`, say) and prints processor time a frame for both: on
a machine with other work the clock says more about the others.
"""

import sys
import time
from fractions import Fraction
from pathlib import Path

import av  # noqa: TID251 - the plain re-encode that drawing is held against

from analyze.report.draw import DrawWish, draw_jobs, draw_shot
from analyze.session.folder import open_session
from analyze.session.shots import session_shots
from tracker.write_clip import _OPTIONS

REPEATS = 3


def re_encode(source: Path, target: Path, first_s: float, last_s: float) -> int:
    """Decode and encode the frames of a span with the same settings; gives their number."""
    frames = 0
    with av.open(str(source)) as file, av.open(str(target), "w", options={"movflags": "+faststart"}) as output:
        track = file.streams.video[0]
        track.thread_type = "AUTO"
        stream = output.add_stream("libx264", rate=track.average_rate)
        stream.width, stream.height, stream.pix_fmt = track.width, track.height, "yuv420p"
        stream.time_base = stream.codec_context.time_base = Fraction(1, 90_000)
        stream.options = dict(_OPTIONS)
        for frame in file.decode(track):
            if frame.time < first_s:
                continue
            if frame.time > last_s:
                break
            frame.pts, frame.dts, frame.time_base = frames * 1500, None, stream.codec_context.time_base
            frame.pict_type = av.video.frame.PictureType.NONE
            output.mux(stream.encode(frame))
            frames += 1
        output.mux(stream.encode())
    return frames


def main(folder: Path) -> None:
    """Print both times and their ratio."""
    session = open_session(folder)
    shots = session_shots(session)
    stored = next(one for one in shots if one.shot.reading_m is not None)
    (job,) = draw_jobs(session, [stored], shots)
    times_s = stored.shot.path_times_s
    span = float(times_s[0]) - 0.3, float(times_s[-1]) + 0.5
    plain, drawn, frames = [], [], 0
    for _ in range(REPEATS):
        began = time.process_time()
        frames = re_encode(stored.shot.clip, folder / "out" / "re-encoded.mp4", *span)
        plain.append(time.process_time() - began)
        began = time.process_time()
        draw_shot(session, job, DrawWish(slower=1))
        drawn.append(time.process_time() - began)
    (folder / "out" / "re-encoded.mp4").unlink()
    again, draw = (1000 * min(times) / frames for times in (plain, drawn))
    print(f"{frames} frames; processor time a frame: re-encode {again:.1f} ms, draw {draw:.1f} ms")
    print(f"draw runs at {again / draw:.2f} of the speed of a plain re-encode")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
