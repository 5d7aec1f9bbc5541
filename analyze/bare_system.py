"""What a bare system lacks, said in one line: OpenCV's wheels need libraries that a server may not have.

Nothing here opens a window, but the wheel of opencv-python links to what windows need.
"""

import sys

try:
    import cv2  # noqa: F401
except ImportError as error:
    print(
        f"railread: OpenCV cannot be loaded ({error}). Where a library is missing: `apt-get install libgl1 "
        "libglib2.0-0` (Debian, Ubuntu) or `dnf install mesa-libGL glib2` (Fedora) brings it",
        file=sys.stderr,
    )
    sys.exit(2)
