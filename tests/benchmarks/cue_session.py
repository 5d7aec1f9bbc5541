"""Squirt from the lane, from the cue and at equal contact, over a rendered session of a hand that scatters.

Run by hand, or as part `cue` of ``run.py``::

    python tests/benchmarks/cue_session.py [--shots 12] [--controls 6] [--jobs 2] [--folder FOLDER]
    python tests/benchmarks/cue_session.py --looks [NAME ...] [--shots 2] ...

One shooter, 1080p60 from behind the foot rail near the plane of the lane: aim scatters by 0.35 degrees, contact
by 1.2 mm, and speed, slope and the tip's sideways speed as well. The clips are rendered, put into a session folder
with clicked marks, and measured by ``railread measure``; what is printed comes from out/shots.csv and the truth.
With `--looks` the same hand shoots with other cues, sleeves and strokes, a few shots of each look, and a line tells
errors over stated uncertainties. A clip is rendered once, in half a minute of processor time.
"""

import argparse
import hashlib
import math
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass, replace
from pathlib import Path

# Before numpy is loaded: its threads would wait for each other on matrices as small as these.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd
from scipy import special

from analyze.cue.cue_table import Ball
from analyze.cue.equal_contact import ContactSquirt, equal_contact
from sample_clips.ball_render import Look, Pattern
from sample_clips.cue_look import CARBON, EBONY, IVORY, WHITE_SLEEVE, CueLook, MarkedCue
from sample_clips.figure import TIP_RADIUS_M
from sample_clips.make_session import CLICKED
from sample_clips.marks import hand_clicks, write_clicks
from sample_clips.physics import Friction
from sample_clips.render import render_clip
from sample_clips.shots import BEHIND_FOOT_RAIL_1080P60, ShotSetup, ShotTruth, shot_truth
from sample_clips.strike import Strike

SEED = 20240611
OFFSET_MM, SPEED_M_S, SLOPE_DEG, END_MASS_G = 13.0, 3.0, 3.5, 5.5
AIM_SD_DEG, CONTACT_SD_MM, UP_SD_MM = 0.35, 1.2, 1.0
# Shot by shot: share of the speed, slope, sideways speed of the tip (common practice, no source).
SPEED_SHARE, SLOPE_SD_DEG, SIDEWAYS_SD_M_S = 0.08, 0.6, 0.012
CAMERA_ASIDE_M = 0.06
STEPS = (0.7548777, 0.5698403)  # of the plastic number: their multiples fill the square evenly
RAILREAD = "from analyze.cli import app; app()"
Z95 = 1.959964
SESSION_TOML = f"""\
[session]
name = "Rendered session of a hand that scatters"
units = "mm"
[table]
size = "9ft"
[ball]
diameter_mm = 57.15
[lane]
sight = 1
spot_mm = 762
tip_radius_mm = {1000 * TIP_RADIUS_M}
[scale]
unit = "inch"
[[condition]]
name = "A"
role = "test"
tip_offset_mm = {OFFSET_MM}
[[condition]]
name = "control"
role = "control"
tip_offset_mm = 0
"""
SANDY = (0.60, 0.50, 0.33)
LOOKS: dict[str, CueLook] = {
    "maple shaft, pale ferrule": CueLook(),
    "black shaft and ferrule": CueLook(shaft=CARBON, ferrule=CARBON),
    "black shaft, a bright line": MarkedCue(shaft=CARBON, ferrule=CARBON, lacquer=1.0),
    "ebony shaft, pale ferrule": CueLook(shaft=EBONY),
    "pale shaft, dark ferrule": CueLook(shaft=SANDY, ferrule=CARBON),
    "rings along the shaft": MarkedCue(shaft=SANDY, rings_m=(0.16, 0.27, 0.39, 0.55), ring=EBONY),
    "wrapped butt": CueLook(wrapped=True),
    "pale sleeve to the hand": CueLook(sleeve=WHITE_SLEEVE, sleeve_m=0.25),
    "second stick beside it": CueLook(stick=True),
    "stroke swerves, 0.05 m/s": CueLook(swerve_m_s=0.05),
    "stroke swerves, -0.05 m/s": CueLook(swerve_m_s=-0.05),
    "hand's shadow on the shaft": MarkedCue(shaft=SANDY, ferrule=IVORY, hand_shadow=0.45),
}
# Long enough for both practice strokes and the pause before the last one.
PRACTICE = "practice strokes and a pause"
PRACTICE_REST_S = 1.9


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """One clip of a session.

    Attributes
    ----------
    condition : str
        Name of its folder.
    number : int
        From 1.
    setup : ShotSetup
        What it shows.
    """

    condition: str
    number: int
    setup: ShotSetup

    @property
    def clip(self) -> str:
        """Its place in the session folder."""
        return f"{self.condition}/S1/{self.number:04d}.mp4"


def hand_score(number: int, step: float) -> float:
    """Normal scores, evenly spread whatever the number of shots: multiples of an irrational step, modulo one."""
    return float(special.ndtri((0.5 + number * step) % 1))


def shot_setup(condition: str, number: int, look: CueLook, *, rest_s: float = 0.7) -> ShotSetup:
    """One shot of the hand, with a cue of some look."""
    rng = np.random.default_rng([SEED, condition == "control", number])
    strike = Strike(
        speed_m_s=SPEED_M_S * float(np.exp(rng.normal(0, SPEED_SHARE))),
        aim_rad=math.radians(AIM_SD_DEG * hand_score(number, STEPS[0])),
        offset_m=((0.0 if condition == "control" else OFFSET_MM) + CONTACT_SD_MM * hand_score(number, STEPS[1]))
        / 1000,
        height_m=rng.normal(0, UP_SD_MM) / 1000,
        elevation_rad=math.radians(SLOPE_DEG + rng.normal(0, SLOPE_SD_DEG)),
        end_mass_kg=END_MASS_G / 1000,
    )
    sideways_m_s = look.swerve_m_s + rng.normal(0, SIDEWAYS_SD_M_S)
    base = BEHIND_FOOT_RAIL_1080P60
    aim_x_m = base.scene.aim_x_m
    lens = replace(
        base.lens,
        position_m=(aim_x_m + CAMERA_ASIDE_M, *base.lens.position_m[1:]),
        target_m=(aim_x_m + 0.15, *base.lens.target_m[1:]),
    )
    return replace(
        base,
        lens=lens,
        strike=strike,
        friction=Friction(slide=0.2, roll=0.01),
        look=Look(pattern=Pattern.DOTS, turn=tuple(rng.normal(0, 1.2, 3))),
        start_off_m=tuple(float(x) for x in rng.normal(0, 0.0012, 2)),
        recording=replace(base.recording, rest_s=rest_s, after_s=0.12),
        cue_look=replace(look, swerve_m_s=float(sideways_m_s)),
        seed=SEED + 1000 * (condition == "control") + number,
    )


def render(wanted: Wanted, kept: Path) -> Path:
    """Render a clip, or take it from those that were rendered before."""
    digest = hashlib.sha256(f"{wanted.setup!r}{shot_truth(wanted.setup)!r}".encode()).hexdigest()[:12]
    path = kept / f"cue-{wanted.condition}-{wanted.number:02d}-{digest}.mp4"
    if not path.exists():
        kept.mkdir(parents=True, exist_ok=True)
        unfinished = path.with_name("unfinished-" + path.name)
        render_clip(wanted.setup, unfinished)
        unfinished.rename(path)
    return path


def measured(wanted: Sequence[Wanted], kept: Path, jobs: int) -> pd.DataFrame:
    """Render a session, measure it by the command line, and return out/shots.csv with the truth beside it."""
    began_s = time.monotonic()
    with ProcessPoolExecutor(jobs) as pool:
        rendering = {pool.submit(render, one, kept): one for one in wanted}
        paths = {}
        for done in as_completed(rendering):
            paths[rendering[done].clip] = done.result()
            print(f"{len(paths)} of {len(wanted)} clips", end="\r", file=sys.stderr, flush=True)
    rendered_min = (time.monotonic() - began_s) / 60
    with tempfile.TemporaryDirectory() as name:
        session = Path(name)
        (session / "session.toml").write_text(SESSION_TOML, encoding="utf-8")
        for clip, path in paths.items():
            (session / "clips" / clip).parent.mkdir(parents=True, exist_ok=True)
            (session / "clips" / clip).symlink_to(path.resolve())
        write_clicks(session / "marks.csv", hand_clicks(wanted[0].setup, CLICKED, seed=SEED))
        done = subprocess.run(
            [sys.executable, "-c", RAILREAD, "measure", name, "--jobs", str(jobs)],
            cwd=Path(__file__).parents[2],
            capture_output=True,
            text=True,
            check=False,
        )
        if done.returncode not in (0, 1):
            sys.exit(f"railread measure: {done.stdout}{done.stderr}")
        shots = pd.read_csv(session / "out" / "shots.csv")
    print(
        f"{len(paths)} clips rendered, or found rendered, in {rendered_min:.1f} minutes; rendered and measured in "
        f"{(time.monotonic() - began_s) / 60:.1f}"
    )
    truth = pd.DataFrame([_true_row(one) for one in wanted])
    return shots.merge(truth, on="clip", validate="one_to_one")


def _true_row(wanted: Wanted) -> dict[str, object]:
    """What is true of a shot, under other names than those of the table of shots."""
    truth: ShotTruth = shot_truth(wanted.setup)
    return {
        "clip": wanted.clip,
        "true_launch_deg": truth.launch_deg,
        "true_cue_deg": truth.aim_deg,
        "true_side_mm": truth.tip_offset_mm,
        "true_slope_deg": truth.elevation_deg,
        "true_sideways_m_s": wanted.setup.cue_look.swerve_m_s,
    }


def less_controls(values: pd.Series, shots: pd.DataFrame) -> pd.Series:
    """Values less their mean over the control shots that show the cue."""
    control = shots["role"].eq("control") & shots["cue_deg"].notna()
    return values - values[control].mean()


def errors(shots: pd.DataFrame) -> pd.DataFrame:
    """Error and stated standard uncertainty of direction, contact and squirt from the cue, of shots with a cue."""
    seen = shots["cue_deg"].notna()
    cue = shots["cue_deg"] - shots["true_cue_deg"]
    squirt = shots["squirt_cue_deg"] - less_controls(shots["true_launch_deg"] - shots["true_cue_deg"], shots)
    table = {
        "launch": (shots["launch_deg"] - shots["true_launch_deg"], shots["launch_sd_deg"]),
        "cue": (cue, shots["cue_sd_deg"]),
        "cue_out": (less_controls(cue, shots), shots["cue_own_sd_deg"]),
        "side": (shots["tip_side_mm"] - shots["true_side_mm"], shots["tip_side_sd_mm"]),
        "squirt": (squirt, shots["squirt_cue_sd_deg"]),
        "slope": (shots["true_slope_deg"] - shots["true_slope_deg"].mean(), shots["cue_slope_sd_deg"]),
        "sideways": (shots["cue_sideways_m_s"] - shots["true_sideways_m_s"], shots["cue_sideways_sd_m_s"]),
    }
    return pd.DataFrame(
        {"clip": shots["clip"], "role": shots["role"]}
        | {name: error for name, (error, _) in table.items()}
        | {f"{name}_sd": sd for name, (_, sd) in table.items()}
    )[seen]


def splits(shots: pd.DataFrame, confidence: float = 0.95) -> tuple[ContactSquirt, ContactSquirt]:
    """Scatter of squirt by what was measured, and by what is true, of the same shots."""
    true = shots.assign(
        squirt_deg=less_controls(shots["true_launch_deg"], shots),
        squirt_cue_deg=less_controls(shots["true_launch_deg"] - shots["true_cue_deg"], shots),
        cue_deg=shots["true_cue_deg"].where(shots["cue_deg"].notna()),
        tip_side_mm=shots["true_side_mm"].where(shots["cue_deg"].notna()),
        tip_side_sd_mm=1e-3,
        tip_side_own_sd_mm=1e-3,
    )
    setup = BEHIND_FOOT_RAIL_1080P60
    ball = Ball(radius_mm=1000 * setup.ball.radius_m, mass_g=1000 * setup.ball.mass_kg)
    rows = []
    for table in (shots, true):
        found = equal_contact(table, ball=ball, confidence=confidence)
        if found is None or not found.rows:
            sys.exit("squirt at equal contact could not be told: too few shots show the cue")
        rows.append(found.rows[0])
    return rows[0], rows[1]


def report_session(shots: pd.DataFrame) -> None:
    """Print errors, coverage and the scatter of squirt."""
    found = errors(shots)
    print(f"the cue was seen in {len(found)} of {len(shots)} shots", end="")
    hidden = shots.loc[shots["cue_deg"].isna(), "cue_reason"].fillna("not measured").value_counts()
    print("".join(f"; {n} {slug}" for slug, n in hidden.items()))
    for name, words, unit, wanted in (
        ("launch", "launch", "deg", None),
        ("cue", "direction of the cue", "deg", None),
        ("cue_out", "the same, controls' mean out", "deg", 0.12),
        ("side", "contact to the side", "mm", 0.8),
        ("squirt", "squirt from the cue", "deg", 0.15),
    ):
        error, sd = found[name], found[f"{name}_sd"]
        within = "" if wanted is None else f"; within {wanted} {unit}: {(error.abs() <= wanted).sum()}"
        print(
            f"{words:30s} error {np.sqrt(np.mean(error**2)):.3f} (root mean square), {error.abs().max():.3f} at "
            f"most, scatter {error.std():.3f}, stated {np.sqrt(np.mean(sd**2)):.3f} {unit}; "
            f"95 % intervals hold {(error.abs() <= Z95 * sd).sum()} of {len(found)}{within}"
        )
    measured_row, true_row = splits(shots)
    print(f"squirt of {measured_row.shots} offset shots about its mean, standard deviation in degrees:")
    print("              from the lane  from the cue  at equal contact")
    for words, row in (("as measured", measured_row), ("truth", true_row)):
        print(f"{words:13s} {row.lane_sd_deg:13.3f} {row.cue_sd_deg:13.3f} {row.equal_sd_deg:17.3f}")


def report_look(name: str, shots: pd.DataFrame) -> None:
    """Print a line: how many shots show the cue, errors over stated uncertainties, and what is not told."""
    found = errors(shots)
    ratios = {one: found[one] / found[f"{one}_sd"] for one in ("cue", "side", "sideways")}
    wrong = int(sum((ratios["cue"].abs() > 3) | (ratios["side"].abs() > 3)))
    cells = " ".join(f"{one} {' '.join(f'{value:+.1f}' for value in ratio)};" for one, ratio in ratios.items())
    worst = f"{found['cue'].abs().max():.2f} deg, {found['side'].abs().max():.2f} mm" if len(found) else "-"
    hidden = ", ".join(shots.loc[shots["cue_deg"].isna(), "cue_reason"].fillna("not measured"))
    print(
        f"{name:28s} told {len(found)} of {len(shots)}, wrong {wrong}; largest error {worst}; in stated "
        f"uncertainties: {cells} {hidden}",
        flush=True,
    )


def main() -> None:
    """Render, measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--shots", type=int, help="offset shots (default 12), or shots of each look (default 2)")
    parser.add_argument("--controls", type=int, default=6, help="centre-ball shots (default 6)")
    parser.add_argument("--jobs", type=int, default=2, help="clips at the same time (default 2)")
    parser.add_argument("--looks", nargs="*", metavar="NAME", help="looks in whose name that stands; none: all")
    parser.add_argument(
        "--folder",
        type=Path,
        default=Path(tempfile.gettempdir()) / "railread-benchmark-clips",
        help="where rendered clips are kept",
    )
    options = parser.parse_args()
    if options.looks is None:
        conditions = (("control", options.controls), ("A", options.shots or 12))
        wanted = [
            Wanted(condition=condition, number=number, setup=shot_setup(condition, number, CueLook()))
            for condition, shots in conditions
            for number in range(1, shots + 1)
        ]
        report_session(measured(wanted, options.folder, options.jobs))
        return
    for name in (*LOOKS, PRACTICE):
        if options.looks and not any(one in name for one in options.looks):
            continue
        rest_s = PRACTICE_REST_S if name == PRACTICE else 0.7
        wanted = [
            Wanted(
                condition="A",
                number=number,
                setup=shot_setup("A", number, LOOKS.get(name, CueLook()), rest_s=rest_s),
            )
            for number in range(1, (options.shots or 2) + 1)
        ]
        report_look(name, measured(wanted, options.folder, options.jobs))


if __name__ == "__main__":
    main()
