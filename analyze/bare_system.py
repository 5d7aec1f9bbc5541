"""What a bare system lacks, said in one line: OpenCV's wheels need libraries that a server may not have.

Nothing here opens a window, but the wheel of opencv-python links to what windows need.
"""


def what_is_lacking(error: ImportError) -> str | None:
    """Return what to install where OpenCV could not be loaded; None where it is not that.

    Parameters
    ----------
    error : ImportError
        Raised while a verb loaded what it needs.
    """
    if (error.name or "").partition(".")[0] != "cv2":
        return None
    return (
        f"OpenCV cannot be loaded ({error}). Where a library is missing: `apt-get install libgl1 "
        "libglib2.0-0` (Debian, Ubuntu) or `dnf install mesa-libGL glib2` (Fedora) brings it"
    )
