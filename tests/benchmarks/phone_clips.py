"""The same as `rendered_clips.py` on clips as phones write them in rooms as they are.

Run by hand::

    python tests/benchmarks/phone_clips.py [--clips N] [--folder FOLDER]

In every clip at once: noise reduction that mixes in the frame before, sharpening halos, local tone mapping, an
exposure that adapts, flickering lamps of uneven strength, repeated frames, a scuffed ball, worn cloth, a table
out of level by up to 1 mm/m. In one set stabilisation lets the picture wander by some 1.5 px and the focus
breathes; in one the phone stands behind the shooter and records 30 frames a second. Each shot is measured alone:
no control shot of its session tells of the table. The sightings are not held against the truth, which says where
the ball lies in the picture before that is moved.
"""

import argparse

from clip_sets import PHONE_SETS, make_clips
from rendered_clips import add_options, measure_all, report_errors


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    add_options(parser)
    options = parser.parse_args()
    report_errors(measure_all(make_clips(options.folder, options.clips, PHONE_SETS)))


if __name__ == "__main__":
    main()
