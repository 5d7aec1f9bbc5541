"""Render the sample session: `python -m sample_clips.make_session OUT` writes OUT/session/ and OUT/truth.csv."""

import argparse
import csv
import math
import time
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from sample_clips.ball_render import Look, Pattern
from sample_clips.encode import Coding
from sample_clips.marks import hand_clicks, write_clicks
from sample_clips.paper import Sheet
from sample_clips.physics import Friction
from sample_clips.render import render_clip
from sample_clips.shots import BEHIND_FOOT_RAIL_720P60, READY_SCENE, FrameTruth, ShotSetup, ShotTruth
from sample_clips.strike import Strike
from sample_clips.table_scene import PaperScale, Scene

SEED = 20240611
SHOTS = 2  # of each shooter in each condition
SCALE_SHIFT_M = 0.0007  # nobody lays a paper strip to better than this
SCALE_SKEW_RAD = math.radians(0.08)
# Cards on the cloth as the set-up sheet of this session says: ahead of the spot and right of the lane, mm; and how
# far off they were laid: to the right, away, mm, and turned, degrees.
CARDS = {
    "card-1": ((254.0, -139.7), (0.3, -0.5, 0.4)),
    "card-2": ((660.4, 139.7), (-0.4, 0.2, -0.3)),
    "card-3": ((1066.8, -139.7), (0.2, 0.4, 0.2)),
    "card-4": ((1473.2, 139.7), (-0.1, -0.6, 0.5)),
}
CLICKED = (
    *(f"scale{n:+d}" for n in range(-6, 7, 2)),
    "foot-2",
    "foot-3",
    "head-1",
    "head-2",
    "head-3",
    *(f"{side}-{n}" for side in ("left", "right") for n in (1, 2, 3, 5, 6, 7)),
    *(f"lane:{ahead}" for ahead in (300, 700, 1100, 1500)),
    *(f"bed:900:{y}" for y in (500, 1200, 1900)),
)
SESSION_TOML = """\
# A sample session. THE DATA ARE MADE: the clips were rendered by sample_clips/make_session.py, no cue, player or
# table stood before a camera. Every key that a session can have is written out here; keys marked "optional" may
# be left out and then have the value shown, or the one named in the comment.

[session]
name = "Sample session: two made-up shafts"   # heads the report
units = "mm"                  # how lengths are shown: "inch" (sixteenths, as rulers are read) or "mm"

[table]
size = "9ft"                  # 7ft 8ft 9ft carom snooker; or leave it out and give width_mm and length_mm
# width_mm = 1270             # playing surface, from cushion nose to cushion nose (instead of size)
# length_mm = 2540
rail_top_mm = 42              # optional: height of the rail top above the cloth; measure it with two rulers
sight_setback_mm = 93.66      # optional: from a cushion nose to the middle of its sights

[ball]
diameter_mm = 57.15           # optional: of the cue ball
mass_g = 165                  # optional: weigh it if you want end masses in grams

[lane]
sight = 1                     # the foot-rail sight that is aimed at, counted from the shooter's left
spot_mm = 762                 # where the cue ball rests, from the head-rail nose
tip_offset_of = "contact"     # optional: what tip_offset_mm says: "contact" of tip and ball, or "axis" of the cue
tip_radius_mm = 6.2           # optional: radius of the tip's dome, where the cue is to be seen; measure it

[scale]
unit = "inch"                 # of the numbers printed on the paper scale: "inch", "cm" or "mm"
setback_mm = 93.66            # optional: the reading line, from the foot-rail nose; left out: the sights' line

[camera]
# capture_fps = 240           # only for slow motion: where the file plays slower than it was recorded
readout_ms = 12.0             # optional: rolling shutter, time from the first row to the last; left out: not known
# global_shutter = true       # instead: only for a camera that takes all rows at once, or puts them right itself
# global_shutter_camera = "make and model"  # and which camera that is

[[condition]]
name = "A"                    # the name of the folder of its clips: clips/A/SHOOTER/...
role = "test"
tip_offset_mm = 14.3          # right of the middle is positive

[[condition]]
name = "B"
role = "test"
tip_offset_mm = 14.3

[[condition]]
name = "control"              # shots in the middle of the ball: they set each shooter's zero
role = "control"
tip_offset_mm = 0

[analysis]                    # this whole part is optional
keep = "all"                  # which shots count, stated before shooting: "all", "drop_failed" or "closest"
closest_k = 3                 # with keep = "closest": how many
margin_mm = 6.0               # a difference of readings smaller than this does not matter
confidence = 0.95
reference = "A"               # the condition that others are compared with
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """What a shooter does in a condition.

    Attributes
    ----------
    condition, shooter : str
        Folder names.
    offset_mm : float
        Tip offset meant.
    end_mass_g : float
        Of the made-up shaft.
    aim_deg : float
        Where this shooter really aims.
    elevation_deg : float
        How this shooter holds the cue.
    speed_m_s : float
        How hard this shooter strikes.
    """

    condition: str
    shooter: str
    offset_mm: float
    end_mass_g: float
    aim_deg: float
    elevation_deg: float
    speed_m_s: float


CELLS = tuple(
    Cell(
        condition=condition,
        shooter=shooter,
        offset_mm=offset_mm,
        end_mass_g=end_mass_g,
        aim_deg=aim_deg,
        elevation_deg=elevation_deg,
        speed_m_s=speed_m_s,
    )
    for condition, offset_mm, end_mass_g in (("A", 14.3, 7.0), ("B", 14.3, 3.8), ("control", 0.0, 7.0))
    for shooter, aim_deg, elevation_deg, speed_m_s in (("S1", 0.10, 2.2, 3.3), ("S2", -0.16, 3.0, 2.8))
)


def session_scene() -> Scene:
    """Lay out the table: rings and printed cards on the cloth, the printed scale on the foot rail."""
    scale = PaperScale(zero_x_m=READY_SCENE.aim_x_m + SCALE_SHIFT_M, skew_rad=SCALE_SKEW_RAD, drawn=False)
    bare = replace(READY_SCENE, scale=scale)
    halves = [
        Sheet(cut=cut, x_m=scale.zero_x_m, y_m=bare.line_y_m, turn_rad=scale.skew_rad, on_rail=True)
        for cut in ("scale-left", "scale-right")
    ]
    cards = [
        Sheet(
            cut=cut,
            x_m=bare.aim_x_m + (right_mm + off_right_mm) / 1000,
            y_m=bare.spot_y_m + (ahead_mm + off_ahead_mm) / 1000,
            turn_rad=math.radians(turned_deg),
        )
        for cut, ((ahead_mm, right_mm), (off_right_mm, off_ahead_mm, turned_deg)) in CARDS.items()
    ]
    return replace(bare, sheets=(*halves, *cards))


def session_setup(cell: Cell, shot: int) -> ShotSetup:
    """One shot of the session: the cell's habit and the scatter of a hand."""
    rng = np.random.default_rng([SEED, CELLS.index(cell), shot])
    strike = Strike(
        speed_m_s=cell.speed_m_s * float(np.exp(rng.normal(0, 0.07))),
        aim_rad=math.radians(cell.aim_deg + rng.normal(0, 0.15)),
        offset_m=(cell.offset_mm + rng.normal(0, 0.35)) / 1000,
        height_m=rng.normal(0, 0.8) / 1000,
        elevation_rad=math.radians(cell.elevation_deg + rng.normal(0, 0.25)),
        end_mass_kg=cell.end_mass_g / 1000,
    )
    setup = replace(
        BEHIND_FOOT_RAIL_720P60,
        scene=session_scene(),
        strike=strike,
        friction=Friction(slide=0.195, roll=0.0095),
        look=Look(pattern=Pattern.DOTS, turn=tuple(rng.normal(0, 1.2, 3))),
        start_off_m=tuple(rng.normal(0, 0.0012, 2)),
        coding=Coding(crf=18, preset="medium"),
        seed=SEED + 100 * CELLS.index(cell) + shot,
    )
    return replace(setup, recording=replace(setup.recording, rest_s=0.72))


def write_truth(path: Path, rows: list[tuple[str, ShotTruth]]) -> None:
    """Write one row for each clip."""
    names = [name for name in ShotTruth.__slots__ if name != "frames"]
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["clip", *names])
        for clip, truth in rows:
            values = [getattr(truth, name) for name in names]
            writer.writerow([clip, *("" if value is None else f"{value:.6f}" for value in values)])


def write_frames(path: Path, truth: ShotTruth) -> None:
    """Write the ball's place in every frame of a clip."""
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(FrameTruth.__slots__)
        for frame in truth.frames:
            values = [getattr(frame, name) for name in FrameTruth.__slots__[1:]]
            writer.writerow([frame.index, *(f"{value:.7f}" for value in values)])


def _render(cell: Cell, shot: int, session: Path) -> tuple[str, ShotTruth]:
    clip = Path("clips", cell.condition, cell.shooter, f"{shot:04d}.mp4")
    return clip.as_posix(), render_clip(session_setup(cell, shot), session / clip)


def make_session(out: Path, *, per_frame: bool, first: int | None, jobs: int) -> None:
    """Render every clip of the sample session, and its files."""
    session = out / "session"
    session.mkdir(parents=True, exist_ok=True)
    (session / "session.toml").write_text(SESSION_TOML, encoding="utf-8")
    shots = [(cell, shot) for shot in range(1, SHOTS + 1) for cell in CELLS][:first]
    # For whoever wants to calibrate by hand; without a marks.csv the printed markers are found.
    write_clicks(session / "clicks.csv", hand_clicks(session_setup(*shots[0]), CLICKED, seed=SEED))
    rows = []
    began_s = time.monotonic()
    with ProcessPoolExecutor(jobs) as pool:
        for done in as_completed(pool.submit(_render, cell, shot, session) for cell, shot in shots):
            clip, truth = done.result()
            rows.append((clip, truth))
            if per_frame:
                write_frames((session / clip).with_suffix(".frames.csv"), truth)
            size_kb = (session / clip).stat().st_size / 1000
            print(
                f"{len(rows)}/{len(shots)} {clip}: {len(truth.frames)} frames, {size_kb:.0f} kB, "
                f"after {time.monotonic() - began_s:.0f} s, reading {truth.reading_mm:.2f} mm",
                flush=True,
            )
    write_truth(out / "truth.csv", sorted(rows, key=lambda row: row[0]))


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path, help="folder to write into")
    parser.add_argument("--per-frame", action="store_true", help="also the ball's place in every frame, as CSV")
    parser.add_argument("--first", type=int, help="only so many clips")
    parser.add_argument("--jobs", type=int, default=2, help="clips rendered at the same time")
    options = parser.parse_args()
    make_session(options.out, per_frame=options.per_frame, first=options.first, jobs=options.jobs)


if __name__ == "__main__":
    main()
