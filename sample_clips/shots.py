"""What is shot and how it is recorded, its exact truth by the definitions of the project, and camera places."""

import math
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from sample_clips.ball_render import Look
from sample_clips.cue_look import CueLook
from sample_clips.encode import TICKS_PER_S, Coding
from sample_clips.optics import Lens, Sensor
from sample_clips.phone import Phone
from sample_clips.physics import Floats, Friction, Motion, RigidBall, integrate
from sample_clips.sound import RATE_HZ, Room, shot_sound, slowed_sound
from sample_clips.strike import Strike, Struck, strike_ball
from sample_clips.table_scene import Scene, bed_marker, lane_marker


@dataclass(frozen=True, slots=True, kw_only=True)
class Recording:
    """The phone's clock.

    Attributes
    ----------
    fps : float
        Frames a second.
    exposure_s : float
        Exposure of each row, centred on the row's time.
    readout_s : float
        Row v is exposed v / height * readout later than the frame's presentation time.
    jitter_s : float
        Spread of the presentation times (real: the exposure moves with them).
    dropped : float
        Chance of a frame to be missing.
    rest_s, after_s : float
        Before the strike; after the rebound.
    """

    fps: float = 60.0
    exposure_s: float = 1 / 240
    readout_s: float = 0.012
    jitter_s: float = 0.0002
    dropped: float = 0.006
    rest_s: float = 0.75
    after_s: float = 0.40


@dataclass(frozen=True, kw_only=True)
class ShotSetup:
    """Everything that makes one clip.

    Attributes
    ----------
    scene, lens, sensor, recording, coding, ball, friction, strike, look
        Table, camera, light to signal, clock, compression, and the physics of the shot.
    start_off_m : (float, float)
        Where the ball rests, from the spot.
    phone : Phone
        What it does to its pictures. The truth says where the ball lies in the picture before that moves.
    figure : bool
        Whether cue and player are in the picture.
    cue_look : CueLook
        How they look, and whether the stroke swerves.
    room : Room or None
        Where the shot is heard; a silent clip where there is none.
    seed : int
        Of noise, frame times and dropped frames.
    """

    scene: Scene = field(default_factory=Scene)
    lens: Lens
    sensor: Sensor = field(default_factory=Sensor)
    recording: Recording = field(default_factory=Recording)
    coding: Coding = field(default_factory=Coding)
    ball: RigidBall = field(default_factory=RigidBall)
    friction: Friction = field(default_factory=Friction)
    strike: Strike = field(default_factory=Strike)
    look: Look = field(default_factory=Look)
    start_off_m: tuple[float, float] = (0.0, 0.0)
    phone: Phone = field(default_factory=Phone)
    figure: bool = True
    cue_look: CueLook = field(default_factory=CueLook)
    room: Room | None = None
    seed: int = 1

    @cached_property
    def start_m(self) -> Floats:
        """(3,) centre of the resting ball."""
        return np.array(
            [
                self.scene.aim_x_m + self.start_off_m[0],
                self.scene.spot_y_m + self.start_off_m[1],
                self.ball.radius_m,
            ]
        )

    @cached_property
    def struck(self) -> Struck:
        """Ball and cue just after the strike."""
        return strike_ball(self.strike, self.ball)

    @cached_property
    def motion(self) -> Motion:
        """The whole motion, from the strike on."""
        return integrate(
            np.concatenate([self.start_m[:2], self.struck.velocity_m_s, self.struck.spin_rad_s]),
            ball=self.ball,
            friction=self.friction,
            rail_y_m=self.scene.length_m - self.ball.radius_m,
            nose_height_m=self.scene.nose_height_m,
            duration_s=4.0,
            tilt=self.scene.tilt,
        )

    @cached_property
    def strike_s(self) -> float:
        """When the ball is struck, on the clip's clock: anywhere between two frames."""
        rng = np.random.default_rng([self.seed, 1])
        return self.recording.rest_s + rng.uniform(0, 1) / self.recording.fps

    @cached_property
    def frame_ticks(self) -> tuple[int, ...]:
        """Presentation times of the frames, in ticks of the file's time base, at the speed of recording."""
        rng = np.random.default_rng([self.seed, 2])
        record = self.recording
        end_s = self.strike_s + (self.motion.contact_s or 2.0) + record.after_s
        n = math.ceil(end_s * record.fps)
        times_s = np.arange(n) / record.fps + np.clip(rng.normal(0, 1, n), -2, 2) * record.jitter_s
        times_s -= times_s[0]
        kept = rng.uniform(size=n) >= record.dropped
        kept[0] = True
        return tuple(round(t * TICKS_PER_S) for t in times_s[kept])

    def centre_at(self, times_s: Floats) -> Floats:
        """(..., 3) centre of the ball at times of the clip's clock."""
        place = self.motion.place_at(np.asarray(times_s) - self.strike_s)
        return np.concatenate([place, np.full((*place.shape[:-1], 1), self.ball.radius_m)], axis=-1)

    def sound(self) -> tuple[Floats, int] | None:
        """Return samples of the sound as the file plays, and how many a second; None of a silent clip."""
        if self.room is None or self.motion.contact_s is None:
            return None
        contact_s = self.strike_s + self.motion.contact_s
        at_rail_m = self.centre_at(np.array(contact_s))
        samples = shot_sound(
            self.room,
            strike_s=self.strike_s,
            contact_s=contact_s,
            ways_m=(
                math.dist(self.lens.position_m, self.start_m),
                math.dist(self.lens.position_m, at_rail_m),
            ),
            duration_s=self.frame_ticks[-1] / TICKS_PER_S + 1 / self.recording.fps,
            seed=self.seed,
        )
        slowed = self.coding.slowed
        return (slowed_sound(samples, slowed) if slowed > 1 and self.room.slowed_along else samples), RATE_HZ

    def row_lag_s(self, v_px: Floats) -> Floats:
        """How much later than the first a row is exposed."""
        return np.asarray(v_px) / self.lens.size_px[1] * self.recording.readout_s


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameTruth:
    """The ball in one frame, at the middle of the exposure of the row in which its centre lies.

    Attributes
    ----------
    index : int
        Frame of the file, from 0.
    time_s : float
        Its presentation time (recording clock).
    x_m, y_m, z_m : float
        Centre, table frame.
    u_px, v_px : float
        Its image.
    """

    index: int
    time_s: float
    x_m: float
    y_m: float
    z_m: float
    u_px: float
    v_px: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ShotTruth:
    """Exact values of one shot, by the definitions of the project's README.

    Attributes
    ----------
    reading_mm : float
        Path continued straight from its direction at cushion contact to the reading line, from the scale's zero.
    launch_deg : float
        Direction just after the strike, from the lane.
    squirt_offset_mm, swerve_offset_mm : float
        Where the launch direction alone would have crossed, and the reading minus that.
    launch_speed_m_s, rail_speed_m_s : float
        Just after the strike; just before cushion contact.
    strike_s, contact_s : float
        On the clip's recording clock.
    slide_end_mm : float or None
        Where it first rolled, along the lane from the spot; None where it slid all the way.
    start_x_mm, start_y_mm : float
        Centre of the resting ball, table frame.
    slide_friction, roll_friction : float
        Coefficients.
    tip_offset_mm, elevation_deg, end_mass_g, aim_deg : float
        The strike.
    frames : tuple of FrameTruth
        One for each frame of the file.
    """

    reading_mm: float
    launch_deg: float
    squirt_offset_mm: float
    swerve_offset_mm: float
    launch_speed_m_s: float
    rail_speed_m_s: float
    strike_s: float
    contact_s: float
    slide_end_mm: float | None
    start_x_mm: float
    start_y_mm: float
    slide_friction: float
    roll_friction: float
    tip_offset_mm: float
    elevation_deg: float
    end_mass_g: float
    aim_deg: float
    frames: tuple[FrameTruth, ...]


def cross_scale_mm(scene: Scene, place_m: Floats, direction: Floats) -> float:
    """Where a straight line crosses the reading line, along it from the zero tick; true millimetres."""
    along = np.array([math.cos(scene.scale.skew_rad), math.sin(scene.scale.skew_rad)])
    zero = np.array([scene.scale.zero_x_m, scene.line_y_m])
    # place + s direction = zero + t along
    t = np.linalg.solve(np.column_stack([along, -direction]), place_m - zero)[0]
    return float(t) * 1000


def frame_truths(setup: ShotSetup) -> tuple[FrameTruth, ...]:
    """Place and image of the ball in every frame."""
    times_s = np.array(setup.frame_ticks) / TICKS_PER_S
    lag_s = np.zeros_like(times_s)
    for _ in range(12):  # the row decides the time and the time the row; contracts by about 1/30 a turn
        lag_s = setup.row_lag_s(setup.lens.project(setup.centre_at(times_s + lag_s))[:, 1])
    centres = setup.centre_at(times_s + lag_s)
    image = setup.lens.project(centres)
    return tuple(
        FrameTruth(
            index=i,
            time_s=float(t),
            x_m=float(c[0]),
            y_m=float(c[1]),
            z_m=float(c[2]),
            u_px=float(p[0]),
            v_px=float(p[1]),
        )
        for i, (t, c, p) in enumerate(zip(times_s, centres, image, strict=True))
    )


def shot_truth(setup: ShotSetup) -> ShotTruth:
    """Exact values of a shot.

    Raises
    ------
    ValueError
        If the ball never meets the foot cushion.
    """
    motion, scene = setup.motion, setup.scene
    if motion.contact_s is None or motion.contact_m is None or motion.contact_velocity_m_s is None:
        raise ValueError(f"the ball must reach the foot cushion, but at {setup.strike.speed_m_s} m/s it does not")
    velocity = setup.struck.velocity_m_s
    squirt_mm = cross_scale_mm(scene, setup.start_m[:2], velocity)
    reading_mm = cross_scale_mm(scene, motion.contact_m, motion.contact_velocity_m_s)
    slide_end = motion.slide_end_m
    return ShotTruth(
        reading_mm=reading_mm,
        launch_deg=math.degrees(math.atan2(velocity[0], velocity[1])),
        squirt_offset_mm=squirt_mm,
        swerve_offset_mm=reading_mm - squirt_mm,
        launch_speed_m_s=float(np.hypot(*velocity)),
        rail_speed_m_s=float(np.hypot(*motion.contact_velocity_m_s)),
        strike_s=setup.strike_s,
        contact_s=setup.strike_s + motion.contact_s,
        slide_end_mm=None if slide_end is None else float(slide_end[1] - scene.spot_y_m) * 1000,
        start_x_mm=float(setup.start_m[0]) * 1000,
        start_y_mm=float(setup.start_m[1]) * 1000,
        slide_friction=setup.friction.slide,
        roll_friction=setup.friction.roll,
        tip_offset_mm=setup.strike.offset_m * 1000,
        elevation_deg=math.degrees(setup.strike.elevation_rad),
        end_mass_g=setup.strike.end_mass_kg * 1000,
        aim_deg=math.degrees(setup.strike.aim_rad),
        frames=frame_truths(setup),
    )


def _scaled(lens: Lens, height_px: int) -> Lens:
    factor = height_px / lens.size_px[1]
    return replace(
        lens,
        focal_px=lens.focal_px * factor,
        size_px=(round(lens.size_px[0] * factor), height_px),
        shift_px=(lens.shift_px[0] * factor, lens.shift_px[1] * factor),
    )


FOOT_720 = Lens(
    position_m=(0.52, 3.62, 1.90),
    target_m=(0.56, 1.53, 0.0),
    roll_rad=math.radians(0.7),
    focal_px=975.0,
    shift_px=(4.0, -3.0),
    k1=-0.045,
    k2=0.012,
)
SHOOTER_720 = Lens(
    position_m=(0.62, -1.20, 2.25),
    target_m=(0.60, 1.53, 0.0),
    roll_rad=math.radians(-0.5),
    focal_px=1230.0,
    shift_px=(-3.0, 5.0),
    k1=-0.05,
    k2=0.015,
)

READY_SCENE = Scene(
    markers=(
        *(lane_marker(Scene().aim_x_m, Scene().spot_y_m, ahead_mm) for ahead_mm in (300, 700, 1100, 1500)),
        *(bed_marker(900, y_mm) for y_mm in (500, 1200, 1900)),
    )
)

# Presets; vary them with `dataclasses.replace`.
BEHIND_FOOT_RAIL_720P60 = ShotSetup(scene=READY_SCENE, lens=FOOT_720)
BEHIND_FOOT_RAIL_1080P60 = ShotSetup(scene=READY_SCENE, lens=_scaled(FOOT_720, 1080))
BEHIND_SHOOTER_1080P30 = ShotSetup(
    scene=READY_SCENE,
    lens=_scaled(SHOOTER_720, 1080),
    recording=Recording(fps=30.0, exposure_s=1 / 120, readout_s=0.016),
)
BLURRED_720P30 = ShotSetup(
    scene=READY_SCENE,
    lens=FOOT_720,
    recording=Recording(fps=30.0, exposure_s=1 / 60, readout_s=0.018),
)
SLOW_MOTION_720P240 = ShotSetup(
    scene=READY_SCENE,
    lens=FOOT_720,
    recording=Recording(fps=240.0, exposure_s=1 / 600, readout_s=0.0039, jitter_s=0.00003, dropped=0.002),
    coding=Coding(slowed=8.0),
)
