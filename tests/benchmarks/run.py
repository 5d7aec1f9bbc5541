"""All benchmarks by one command; they print figures and are no part of the test run.

From the top folder::

    python tests/benchmarks/run.py [PART ...] [--clips N] [--folder FOLDER] [--shots N] [--workers N]

Parts; the first three where none is named:

- `simulated`: Monte Carlo without pixels (`monte_carlo.py`);
- `rendered`: from pixels to numbers (`rendered_clips.py`);
- `beside`: railread beside general libraries, on the same clips (`side_by_side.py`);
- `phone`: from pixels to numbers on clips as phones write them, in rooms as they are (`phone_clips.py`);
- `together`: shots of a session measured alone and together (`joint_session.py`);
- `statistics`: rates of wrong answers of the comparisons (`statistics_simulation.py`);
- `promises`: the same where shooters, conditions or measuring are unequal (`statistics_promises.py`);
- `planning`: planned power against simulated (`planning.py`);
- `further`: whether as many more shots as advised settle what was undecided (`further_shots.py`);
- `cues`: coverage of the intervals of the cue's numbers (`cue_coverage.py`);
- `cue`: squirt from lane and cue over a rendered session of a hand that scatters (`cue_session.py`);
- `mistakes`: plain mistakes of a tester, which give wrong numbers (`wrong_inputs.py`);
- `time`: processor time beside a loop that only reads the recordings (`processor_time.py`);
- `fuzz`: damaged recordings, how many give wrong numbers (`fuzz.py`).
"""

import argparse
import os
import subprocess
import sys
from pathlib import Path

# Before numpy is loaded: its threads would wait for each other on matrices as small as these.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

PARTS = (
    "simulated",
    "rendered",
    "beside",
    "phone",
    "together",
    "statistics",
    "promises",
    "planning",
    "further",
    "cues",
    "cue",
    "mistakes",
    "time",
    "fuzz",
)
USUAL_PARTS = PARTS[:3]


def main() -> None:
    """Read the command line and run the parts."""
    import monte_carlo
    import rendered_clips
    import side_by_side
    from clip_sets import PHONE_SETS, make_clips

    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("parts", nargs="*", metavar="PART", help=", ".join(PARTS))
    rendered_clips.add_options(parser)
    parser.add_argument("--shots", type=int, default=1080, help="simulated shots (default 1080)")
    parser.add_argument("--workers", type=int, default=2, help="processes for the simulated shots (default 2)")
    options = parser.parse_args()
    parts = options.parts or USUAL_PARTS
    unknown = [part for part in parts if part not in PARTS]
    if unknown:
        parser.error(f"no part {unknown[0]!r}; parts are {', '.join(PARTS)}")
    if "simulated" in parts:
        monte_carlo.run(options.shots, options.workers)
    if "rendered" in parts or "beside" in parts:
        measurements = rendered_clips.measure_all(make_clips(options.folder, options.clips))
        if "rendered" in parts:
            rendered_clips.report(measurements)
        if "beside" in parts:
            side_by_side.compare(measurements)
    if "phone" in parts:
        rendered_clips.report_errors(
            rendered_clips.measure_all(make_clips(options.folder, options.clips, PHONE_SETS))
        )
    for part, script in (
        ("together", "joint_session.py"),
        ("statistics", "statistics_simulation.py"),
        ("promises", "statistics_promises.py"),
        ("planning", "planning.py"),
        ("further", "further_shots.py"),
        ("cues", "cue_coverage.py"),
        ("cue", "cue_session.py"),
        ("mistakes", "wrong_inputs.py"),
        ("time", "processor_time.py"),
        ("fuzz", "fuzz.py"),
    ):
        if part in parts:
            subprocess.run([sys.executable, Path(__file__).with_name(script)], check=True)


if __name__ == "__main__":
    main()
