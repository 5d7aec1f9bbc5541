"""Speeds of simulated shots with and without the time from strike to cushion as heard: errors, coverage.

Run by hand::

    python tests/benchmarks/heard_speeds.py [SHOTS]

`SHOTS` of each line, simulated without pixels or samples; what is heard errs by what is stated of it, 1.1 ms,
and goes the program's own way: what it doubts is counted apart. In the last line a readout time of nought is stated
where there was one of 12 +- 6 ms.
"""

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "analyze"))

from simulated_shots import Setting, SimulatedShot, simulate, true_quantities

from analyze.fit.heard_clock import SOUND_M_S, hear_shot, heard_otherwise, with_sound
from analyze.fit.heard_readout import unlike_readout
from analyze.fit.path_fit import PathFit, fit_path
from analyze.fit.quantities import QUANTITIES, quantities
from tracker.heard import HeardSound
from tracker.readout import Readout

# Of a knock in the sound, of a tip and a cushion, of the microphone's place: 1.1 ms of the time between two.
KNOCK_SD_S, OWN_SD_S = 0.0003, 0.001
DELAY_S = 0.04
LINES = (
    ("behind foot rail", 60.0, False, None),
    ("behind foot rail", 60.0, True, None),
    ("behind shooter", 60.0, False, None),
    ("behind foot rail", 30.0, False, None),
    ("behind foot rail", 60.0, True, 0.0),
)
SPEEDS = [QUANTITIES.index("launch_speed_m_s"), QUANTITIES.index("rail_speed_m_s")]


def knocks(shot: SimulatedShot, rng: np.random.Generator) -> HeardSound:
    """Return what a phone hears of a simulated shot in a silent room."""
    _, contact_s = true_quantities(shot.parameters, shot.truth, shot.pull_m_s2)
    # what drags places down the lane scales the true speeds of a simulated shot, and so its true time
    dragged = shot.values[SPEEDS[0]] / np.hypot(*shot.parameters[3:5])
    strike_s, radius_m = shot.parameters[2], shot.truth.ball.radius_m
    places_m = [
        (*shot.parameters[:2], radius_m),
        (shot.parameters[0], shot.truth.table.length_m - radius_m, radius_m),
    ]
    ways_m = [np.linalg.norm(np.array(place_m) - shot.truth.camera.position_m) for place_m in places_m]
    events_s = np.array([strike_s, strike_s + (contact_s - strike_s) / dragged])
    times_s = events_s + np.array(ways_m) / SOUND_M_S + DELAY_S
    times_s[1] += rng.normal(0, np.hypot(np.sqrt(2) * KNOCK_SD_S, OWN_SD_S))
    return HeardSound(
        times_s=times_s,
        sds_s=np.full(2, KNOCK_SD_S),
        strengths_db=np.full(2, 30.0),
        from_s=times_s[0] - 0.3,
        until_s=times_s[1] + 0.3,
        slowed_less_than=2.0,
        clock_s_per_s=1.0,
        begins_s=0.0,
    )


def played(
    place: str, rate: float, *, known: bool, stated_s: float | None, shots: int
) -> tuple[np.ndarray, dict[str, int]]:
    """Relative errors and uncertainties, (N, 2 without and with, 2 speeds, 2), and what became of them."""
    rng = np.random.default_rng([20240611, 59])
    rows: list[list[np.ndarray]] = []
    became = {"readout-unlike": 0, "heard-otherwise": 0, "not heard": 0}
    tried = 0
    while tried < shots:
        setting = Setting(place=place, frame_rate=rate, speed_m_s=rng.uniform(1.6, 5.0), readout_known=known)
        shot = simulate(setting, rng)
        if shot is None:
            continue
        readout = shot.stated_readout if stated_s is None else Readout.stated(stated_s)
        fit = fit_path(shot.path, shot.calibration, readout=readout)
        if not isinstance(fit, PathFit):
            continue
        tried += 1
        found = quantities(fit, shot.calibration)
        heard = hear_shot(knocks(shot, rng), fit, found, shot.calibration)
        if heard is None:
            became["not heard"] += 1
        elif unlike_readout(heard, fit, shot.path, readout) is not None:
            became["readout-unlike"] += 1
            continue
        elif heard_otherwise(heard, frame_period_s=shot.path.frame_period_s) is not None:
            became["heard-otherwise"] += 1
            continue
        true = shot.values[SPEEDS]
        rows.append(
            [
                np.stack([one.values[SPEEDS] / true - 1, np.sqrt(np.diag(one.cov))[SPEEDS] / true], axis=-1)
                for one in (found, with_sound(found, heard))
            ]
        )
    return np.array(rows), became


def main() -> None:
    """Read the command line."""
    shots = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    for place, rate, known, stated_s in LINES:
        rows, became = played(place, rate, known=known, stated_s=stated_s, shots=shots)
        readout = "known" if known else "not known"
        readout = readout if stated_s is None else "stated as nought"
        print(
            f"{place}, {rate:.0f} frames/s, readout time {readout}: {shots} shots, {len(rows)} measured, "
            + ", ".join(f"{name} {count}" for name, count in became.items())
        )
        for k, speed in enumerate(("launch", "rail")):
            for heard, name in enumerate(("without", "with sound")):
                error, sd = rows[:, heard, k].T
                print(
                    f"  {speed:6} {name:10}  median |error| {100 * np.median(np.abs(error)):.2f} %"
                    f"  rms {100 * np.sqrt(np.mean(error**2)):.2f} %  stated {100 * np.median(sd):.2f} %"
                    f"  in 95 %: {100 * np.mean(np.abs(error) < 1.959964 * sd):.0f} %"
                    f"  at most {np.max(np.abs(error) / sd):.1f} sd",
                    flush=True,
                )


if __name__ == "__main__":
    main()
