"""Sets of rendered clips for the benchmarks: varied shots, cameras and files, with hand clicks and exact truth.

`SETS` are clean recordings; in `PHONE_SETS` the phone processes its pictures and the room is no studio. Every
clip has a camera of its own near its set's place, a scale of its own that lies a little off, and clicks of its
own with 0.7 px of error, so that errors of calibrating do not repeat themselves from clip to clip. A clip is
rendered once and kept; its name holds a digest of its set-up and truth. After a change of how things look in
`sample_clips`, delete the folder.
"""

import hashlib
import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from calibrate.calibration import Calibration
from calibrate.marks import Click
from calibrate.scale import RailScale
from calibrate.solve import calibrate
from calibrate.table import TABLES, Ball, Lane
from calibrate.units import m_from_inch
from sample_clips.ball_render import Look, Pattern
from sample_clips.make_session import CLICKED
from sample_clips.marks import hand_clicks, true_marks
from sample_clips.optics import Lens
from sample_clips.phone import Phone
from sample_clips.physics import Friction
from sample_clips.render import render_clip
from sample_clips.shots import (
    BEHIND_FOOT_RAIL_1080P60,
    BEHIND_SHOOTER_1080P30,
    BLURRED_720P30,
    SLOW_MOTION_720P240,
    ShotSetup,
    ShotTruth,
    shot_truth,
)
from sample_clips.strike import Strike
from sample_clips.table_scene import PaperScale
from tracker.clip import still_luma
from tracker.readout import ASSUMED_READOUT, Readout

SEED = 20240611
SETS: dict[str, ShotSetup] = {
    "1080p60 foot rail": BEHIND_FOOT_RAIL_1080P60,
    "1080p30 shooter": BEHIND_SHOOTER_1080P30,
    "720p30 1/60 s": BLURRED_720P30,
    "720p240 slow": SLOW_MOTION_720P240,
}
# What phones and rooms do, all of it at once; how much of it varies from clip to clip.
PROCESSING = Phone(
    flicker=0.05,
    adapts=0.04,
    quiets=0.6,
    ghost=0.12,
    quiet_levels=9.0,
    local_contrast=0.25,
    sharpens=0.6,
    repeated=0.01,
)
ROOM = {"lamp_strengths": (1.0, 0.6, 1.2), "wear": 0.15, "tilt": (0.001, 0.0005)}
SCUFFS = 0.08
STABILISED = {"drift_px": 1.5, "breathing": 0.0003}
PHONE_SETS: dict[str, ShotSetup] = {
    "phone 1080p60": replace(BEHIND_FOOT_RAIL_1080P60, phone=PROCESSING),
    "phone 1080p60 stabilised": replace(BEHIND_FOOT_RAIL_1080P60, phone=replace(PROCESSING, **STABILISED)),
    "phone 1080p30 shooter": replace(BEHIND_SHOOTER_1080P30, phone=PROCESSING),
}
PATTERNS = (Pattern.PLAIN, Pattern.DOTS, Pattern.RING)
SPEEDS_M_S = (2.0, 5.0)
CRFS = (18, 27)
READOUTS_S = (0.008, 0.020)
SLOW_READOUTS_S = (0.0025, 0.004)  # a frame cannot take longer to read than until the next


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Clip:
    """One rendered clip.

    Attributes
    ----------
    set_name : str
        Which of `SETS`.
    number : int
        In its set, from 1.
    path : Path
        The file.
    setup : ShotSetup
        What it shows.
    truth : ShotTruth
        Exact values.
    clicks : tuple of Click
        As a hand made them.
    stated_readout : Readout
        What the measurement is told: the truth in every second clip, else nothing.
    capture_fps : float or None
        What the measurement is told where the file plays slower.
    """

    set_name: str
    number: int
    path: Path
    setup: ShotSetup
    truth: ShotTruth
    clicks: tuple[Click, ...]
    stated_readout: Readout
    capture_fps: float | None

    @property
    def words(self) -> str:
        """The clip for a printed line."""
        setup = self.setup
        return (
            f"{self.set_name} {self.number}: {setup.strike.speed_m_s:.1f} m/s, {setup.look.pattern}, "
            f"crf {setup.coding.crf}, readout {'stated' if self.stated_readout.known else 'not stated'}"
        )


def _spread(limits: tuple[float, float], number: int, step: float, start: float) -> float:
    """Evenly spread values, whatever the number of clips: multiples of an irrational step, modulo one."""
    return limits[0] + (limits[1] - limits[0]) * ((start + number * step) % 1)


def _near_lens(base: ShotSetup, rng: np.random.Generator) -> Lens:
    """A camera near the place of its set."""
    lens = base.lens
    return replace(
        lens,
        position_m=tuple(float(p) for p in np.array(lens.position_m) + rng.normal(0, (0.08, 0.05, 0.05))),
        target_m=tuple(float(p) for p in np.array(lens.target_m) + (*rng.normal(0, 0.01, 2), 0.0)),
        focal_px=lens.focal_px * float(np.exp(rng.normal(0, 0.01))),
        roll_rad=math.radians(rng.normal(0, 0.8)),
    )


def _holds_lane_and_scale(setup: ShotSetup) -> bool:
    """Whether spot, scale and markers are in the picture, as whoever places a camera sees to."""
    needed = {name for name in CLICKED if name.startswith(("scale", "lane", "bed"))}
    return needed <= set(true_marks(setup))


def _in_a_room(setup: ShotSetup, rng: np.random.Generator) -> ShotSetup:
    """A shot on a worn table out of level under uneven lamps, its phone's processing more or less strong."""
    phone = setup.phone
    stronger = {
        name: getattr(phone, name) * rng.uniform(0.5, 1.5)
        for name in ("flicker", "adapts", "drift_px", "breathing", "ghost", "local_contrast", "sharpens")
    }
    scene = replace(
        setup.scene,
        lamp_strengths=tuple(float(x) for x in rng.permutation(ROOM["lamp_strengths"])),
        wear=ROOM["wear"],
        tilt=tuple(float(x * rng.uniform(-1, 1)) for x in ROOM["tilt"]),
    )
    phone = replace(phone, **stronger, mains_hz=float(rng.choice([50.0, 60.0])))
    return replace(setup, scene=scene, phone=phone, look=replace(setup.look, scuffs=SCUFFS))


def clip_setup(set_name: str, number: int) -> ShotSetup:
    """One shot of a set."""
    every = SETS | PHONE_SETS
    base = every[set_name]
    index = list(every).index(set_name)
    rng = np.random.default_rng([SEED, index, number])
    strike = Strike(
        speed_m_s=_spread(SPEEDS_M_S, number, 0.6180340, 0.21 * index),
        aim_rad=math.radians(rng.normal(0, 0.3)),
        offset_m=rng.uniform(-0.015, 0.015),
        height_m=rng.normal(0, 0.001),
        elevation_rad=math.radians(rng.uniform(1.0, 4.0)),
        end_mass_kg=rng.uniform(0.003, 0.008),
    )
    near = _near_lens(base, rng)
    scale = PaperScale(
        zero_x_m=base.scene.aim_x_m + rng.normal(0, 0.0008), skew_rad=math.radians(rng.normal(0, 0.08))
    )
    scene = replace(base.scene, scale=scale)
    again = np.random.default_rng([SEED, index, number, 1])
    while not _holds_lane_and_scale(replace(base, lens=near, scene=scene)):
        near = _near_lens(base, again)
    slow = base.recording.fps > 120
    setup = replace(
        base,
        lens=near,
        scene=scene,
        strike=strike,
        recording=replace(
            base.recording,
            readout_s=_spread(SLOW_READOUTS_S if slow else READOUTS_S, number, 0.7548777, 0.1 * index),
            rest_s=0.6,
            after_s=0.25,
        ),
        coding=replace(base.coding, crf=round(_spread(CRFS, number, 0.5698403, 0.3 * index))),
        friction=Friction(slide=rng.uniform(0.16, 0.24), roll=rng.uniform(0.007, 0.013)),
        look=Look(pattern=PATTERNS[(number + index) % len(PATTERNS)], turn=tuple(rng.normal(0, 1.2, 3))),
        start_off_m=tuple(float(x) for x in rng.normal(0, 0.0015, 2)),
        seed=SEED + 1000 * index + number,
    )
    return _in_a_room(setup, np.random.default_rng([SEED, index, number, 2])) if set_name in PHONE_SETS else setup


def _swerve_of_the_spin_mm(setup: ShotSetup) -> float:
    """What railread calls swerve offset: without what a table out of level pulls."""
    return shot_truth(replace(setup, scene=replace(setup.scene, tilt=(0.0, 0.0)))).swerve_offset_mm


def make_clip(set_name: str, number: int, folder: Path) -> Clip:
    """Return a clip of a set, rendered if it is not in the folder yet."""
    setup = clip_setup(set_name, number)
    truth = shot_truth(setup)
    digest = hashlib.sha256(f"{setup!r}{truth!r}".encode()).hexdigest()[:12]
    path = folder / f"{set_name.replace(' ', '-').replace('/', '_')}-{number:02d}-{digest}.mp4"
    if not path.exists():
        print(f"rendering {path.name}", flush=True)
        unfinished = path.with_name("unfinished-" + path.name)
        render_clip(setup, unfinished)
        unfinished.rename(path)
    clicks = hand_clicks(setup, CLICKED, seed=setup.seed)
    return Clip(
        set_name=set_name,
        number=number,
        path=path,
        setup=setup,
        truth=replace(truth, swerve_offset_mm=_swerve_of_the_spin_mm(setup)),
        clicks=tuple(Click(name, u, v) for name, (u, v) in clicks.items()),
        stated_readout=Readout.stated(setup.recording.readout_s) if number % 2 else ASSUMED_READOUT,
        capture_fps=setup.recording.fps if setup.coding.slowed != 1 else None,
    )


def make_clips(folder: Path, per_set: int, sets: Iterable[str] = SETS) -> list[Clip]:
    """Return the first clips of every set."""
    return [make_clip(name, number, folder) for number in range(1, per_set + 1) for name in sets]


def calibrate_clip(clip: Clip) -> Calibration:
    """Solve the clip's camera from its clicks and its still frames, knowing what a tester knows."""
    table = TABLES["9ft"]
    scene = clip.setup.scene
    lane = Lane(x_aim_m=scene.aim_x_m, spot_y_m=scene.spot_y_m)
    scale = RailScale(line_y_m=table.length_m + table.sight_setback_m, zero_m=lane.x_aim_m, unit_m=m_from_inch(1.0))
    luma = still_luma(clip.path)
    height, width = luma.shape
    return calibrate(
        clip.clicks,
        luma=luma,
        size_px=(width, height),
        table=table,
        lane=lane,
        ball=Ball(diameter_m=2 * clip.setup.ball.radius_m, mass_kg=clip.setup.ball.mass_kg),
        scale=scale,
    )
