"""Pictures of the README, made from the sample session: small, and made anew by one command.

    railread demo railread-demo
    python tests/benchmarks/readme_pictures.py railread-demo

writes sample_clips/pictures/*.png: what is printed, the table as the phone sees it with what was found, and a shot
drawn into its last frame.
"""

import io
import sys
from functools import partial
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from analyze.report.draw import DrawWish, draw_jobs, draw_shot
from analyze.session.calibration import measured_with
from analyze.session.folder import open_session
from analyze.session.shots import session_shots
from calibrate import sheets
from calibrate.setup_drawing import draw_setup
from tracker.clip import still_colours

HERE = Path(__file__).parents[2] / "sample_clips" / "pictures"
WIDTH = 800
MOST_BYTES = 300_000  # of all together
TABLE, SHOT = np.s_[220:990], np.s_[:990]  # of the frames of the sample session
FOUND, RIM = (60, 220, 250), (20, 20, 20)


def write(name: str, picture: np.ndarray, *, colours: int, width: int = WIDTH) -> None:
    """Write a picture (blue, green, red) at the README's width, with a palette of so many colours."""
    height = round(picture.shape[0] * width / picture.shape[1])
    small = cv2.resize(picture, (width, height), interpolation=cv2.INTER_AREA)
    image = Image.fromarray(small[:, :, ::-1])
    # A palette of the colours that there are, however few pixels each has: thin lines keep theirs.
    kinds = np.unique(np.asarray(image).reshape(-1, 3) // 10 * 10 + 5, axis=0).astype(np.uint8)
    palette = Image.fromarray(kinds[None]).quantize(colours)
    image.quantize(palette=palette, dither=Image.Dither.NONE).save(HERE / f"{name}.png", optimize=True)


def page(draw: partial) -> np.ndarray:
    """Draw a printed page as a picture."""
    size_mm = sheets.PAPERS_MM["A4"]
    figure, axes = sheets._page(size_mm)
    draw(axes, size_mm=size_mm)
    file = io.BytesIO()
    figure.savefig(file, format="png", dpi=110, facecolor="white")
    return cv2.imdecode(np.frombuffer(file.getvalue(), np.uint8), cv2.IMREAD_COLOR)


def main(folder: Path) -> None:
    """Make all pictures and say how large they are."""
    HERE.mkdir(exist_ok=True)
    session = open_session(folder)
    calibration = measured_with(session)
    shots = session_shots(session)
    units = session.config.session.units
    what = {"table": session.table, "lane": session.lane, "scale": session.scale, "units": units}
    write("set-up", page(partial(draw_setup, **what)), colours=12)

    table = cv2.bilateralFilter(still_colours(session.clip_path(session.clips()[0])), 7, 18, 3)
    for mark in calibration.residuals:
        centre = tuple(round(16 * value) for value in mark.used_px)
        for colour, thick in ((RIM, 4), (FOUND, 2)):
            cv2.circle(table, centre, 16 * 9, colour, thick, cv2.LINE_AA, 4)
    write("marks-found", table[:, TABLE], colours=160, width=600)

    stored = next(one for one in shots if one.shot.swerve_seen)
    (job,) = draw_jobs(session, [stored], shots)
    drawn = draw_shot(session, job, DrawWish())
    write("shot", cv2.imread(str(drawn.picture))[:, SHOT], colours=160, width=700)
    sizes = {path.name: path.stat().st_size for path in sorted(HERE.glob("*.png"))}
    for name, size in sizes.items():
        print(f"{name}: {size / 1000:.0f} kB")
    total = sum(sizes.values())
    print(f"together: {total / 1000:.0f} kB")
    if total > MOST_BYTES:
        raise SystemExit(f"more than {MOST_BYTES / 1000:.0f} kB")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
