"""Speeds of simulated shots with and without the time from strike to cushion as heard: errors, coverage.

Run by hand::

    python tests/benchmarks/heard_speeds.py [SHOTS]

`SHOTS` of each line, simulated without pixels or samples; the time heard errs by 1.1 ms, which is what is stated of
it. In the last line a readout time of nought is stated where there was one of 12 +- 6 ms.
"""

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "analyze"))

from simulated_shots import Setting, simulate, true_quantities

from analyze.fit.path_fit import fit_path
from analyze.fit.quantities import QUANTITIES, quantities, with_lane_time
from calibrate.errors import NotMeasured
from tracker.readout import Readout

HEARD_SD_S = 0.0011
OTHERWISE_SDS = 4.0
LINES = (
    ("behind foot rail", 60.0, False, None),
    ("behind foot rail", 60.0, True, None),
    ("behind shooter", 60.0, False, None),
    ("behind foot rail", 30.0, False, None),
    ("behind foot rail", 60.0, True, 0.0),
)


def played(
    place: str, rate: float, *, known: bool, stated_s: float | None, shots: int
) -> tuple[np.ndarray, np.ndarray]:
    """Errors and standard uncertainties, relative, (shots, 2 without and with, 2 speeds, 2), and the surprises."""
    rng = np.random.default_rng([20240611, 59])
    speeds = [QUANTITIES.index("launch_speed_m_s"), QUANTITIES.index("rail_speed_m_s")]
    rows, surprises = [], []
    while len(rows) < shots:
        setting = Setting(place=place, frame_rate=rate, speed_m_s=rng.uniform(1.6, 5.0), readout_known=known)
        shot = simulate(setting, rng)
        if shot is None:
            continue
        readout = shot.stated_readout if stated_s is None else Readout.stated(stated_s)
        fit = fit_path(shot.path, shot.calibration, readout=readout)
        if isinstance(fit, NotMeasured):
            continue
        found = quantities(fit, shot.calibration)
        _, contact_s = true_quantities(shot.parameters, shot.truth, shot.pull_m_s2)
        # what drags places down the lane scales the true speeds of a simulated shot, and so its true time
        dragged = shot.values[speeds[0]] / np.hypot(*shot.parameters[3:5])
        lane_s = (contact_s - shot.parameters[2]) / dragged + rng.normal(0, HEARD_SD_S)
        surprises.append((lane_s - found.lane_s) / np.hypot(HEARD_SD_S, np.sqrt(found.lane_cov[-1])))
        both = (found, with_lane_time(found, lane_s, HEARD_SD_S))
        true = shot.values[speeds]
        rows.append(
            [
                np.stack([one.values[speeds] / true - 1, np.sqrt(np.diag(one.cov))[speeds] / true], axis=-1)
                for one in both
            ]
        )
    return np.array(rows), np.array(surprises)


def main() -> None:
    """Read the command line."""
    shots = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    for place, rate, known, stated_s in LINES:
        rows, surprises = played(place, rate, known=known, stated_s=stated_s, shots=shots)
        readout = "known" if known else "not known"
        readout = readout if stated_s is None else "stated as nought"
        print(
            f"{place}, {rate:.0f} frames/s, readout time {readout}: {shots} shots, "
            f"{100 * np.mean(np.abs(surprises) > OTHERWISE_SDS):.0f} % heard otherwise"
        )
        for k, speed in enumerate(("launch", "rail")):
            for heard, name in enumerate(("without", "with sound")):
                error, sd = rows[:, heard, k].T
                print(
                    f"  {speed:6} {name:10}  median |error| {100 * np.median(np.abs(error)):.2f} %"
                    f"  rms {100 * np.sqrt(np.mean(error**2)):.2f} %  stated {100 * np.median(sd):.2f} %"
                    f"  in 95 %: {100 * np.mean(np.abs(error) < 1.959964 * sd):.0f} %",
                    flush=True,
                )


if __name__ == "__main__":
    main()
