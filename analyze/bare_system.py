"""What a bare system lacks, said in one line: OpenCV's wheels need libraries that a server may not have.

OpenCV is imported here, before PyAV: on Linux the windows of OpenCV are never shown where PyAV's libraries were
loaded first (PyAV issues 978 and 1050).
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
