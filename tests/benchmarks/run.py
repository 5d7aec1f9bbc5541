"""All benchmarks by one command; they print figures and are no part of the test run.

From the top folder::

    python tests/benchmarks/run.py [PART ...] [--clips N] [--folder FOLDER] [--shots N] [--workers N] [--tests N]

Parts, all but the last where none is named: `simulated` (Monte Carlo without pixels), `rendered` (from pixels to
numbers), `beside` (railread beside general libraries, on the same clips), `statistics` (rates of wrong answers of
the comparisons).
"""

import argparse
import os

# Before numpy is loaded: its threads would wait for each other on matrices as small as these.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

PARTS = ("simulated", "rendered", "beside", "statistics")


def main() -> None:
    """Read the command line and run the parts."""
    import monte_carlo
    import rendered_clips
    import side_by_side
    import statistics_simulation
    from clip_sets import make_clips

    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("parts", nargs="*", metavar="PART", help=", ".join(PARTS))
    rendered_clips.add_options(parser)
    parser.add_argument("--shots", type=int, default=1080, help="simulated shots (default 1080)")
    parser.add_argument("--workers", type=int, default=2, help="processes for the simulated shots (default 2)")
    parser.add_argument("--tests", type=int, default=2000, help="simulated tests per line of `statistics`")
    options = parser.parse_args()
    parts = options.parts or PARTS[:-1]
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
    if "statistics" in parts:
        statistics_simulation.run(options.tests)


if __name__ == "__main__":
    main()
