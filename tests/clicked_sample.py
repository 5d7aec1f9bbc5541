"""The sample session as one calibrates it by hand: with the marks that were clicked."""

from pathlib import Path

from analyze.session.demo import copy_sample


def copy_clicked(folder: Path) -> None:
    """Copy the sample session, with its marks clicked by hand."""
    copy_sample(folder)
    (folder / "clicks.csv").rename(folder / "marks.csv")
