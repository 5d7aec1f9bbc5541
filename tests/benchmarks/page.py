"""How quick the page is, and what clicking costs: figures of the promises that the page makes.

    python tests/benchmarks/page.py [list] [frames] [measuring] [marks] [--pictures N] [--recordings N]

- `list`: first view of 500 shots, in a browser;
- `frames`: from a key pressed to the next frame of a 1080p shot drawn, in a browser;
- `measuring`: how long requests take while the sample session is measured, and before;
- `marks`: a fresh 1080p picture calibrated with 8 clicks and what the picture confirms, and with all marks clicked.

The browser is Debian's Chromium (`python -m pip install -e ".[browser]"`, `apt-get install chromium`).
"""

import argparse
import itertools
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from importlib.resources import files
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "analyze"))

import cv2
import httpx
import numpy as np
from clip_sets import clip_setup
from session_samples import CONFIG, made_up_shot, record_of
from web_browser import chromium

from analyze.session.draft import Answer, Draft
from analyze.session.folder import Session, open_session
from analyze.session.store import Store
from analyze.web.marks_fit import take_all_that_fit
from calibrate.asked import marks_to_ask
from calibrate.calibration import Calibration
from calibrate.marks import Click
from calibrate.precision import lane_sd
from calibrate.solve import calibrate
from sample_clips.encode import write_clip as encode
from sample_clips.marks import HAND_SD_PX, true_marks
from sample_clips.render import render_frames
from sample_clips.shots import ShotSetup, cross_scale_mm
from sample_clips.table_scene import PaperScale
from tracker.clip import frame_times_s, read_colours, still_luma
from tracker.write_clip import write_clip

TOP = Path(__file__).parents[2]
SAMPLE = Path(str(files("sample_clips") / "session"))
PARTS = ("list", "frames", "measuring", "marks")
SHOTS, STEPS, CLICKS, MOST_MARKS = 500, 40, 8, 16


@contextmanager
def opened(folder: Path) -> Iterator[str]:
    """Serve the page of a folder in a process of its own, as `railread open` does; gives the whole address."""
    code = "from analyze.cli import app; app()"
    command = [sys.executable, "-u", "-c", code, "open", str(folder), "--no-browser", "--port", "0"]
    with subprocess.Popen(
        command, cwd=TOP, stdout=subprocess.PIPE, text=True, env={**os.environ, "COLUMNS": "400"}
    ) as page:
        assert page.stdout is not None
        words = page.stdout.readline().split()
        try:
            yield next(word for word in words if word.startswith("http"))
        finally:
            page.terminate()


def spread_of(times_s: list[float]) -> str:
    """Median, 95 % and largest of some times, in ms."""
    median, most = (1000 * float(np.quantile(times_s, q)) for q in (0.5, 0.95))
    return (
        f"median {median:.0f} ms, 95 % {most:.0f} ms, largest {1000 * max(times_s):.0f} ms ({len(times_s)} times)"
    )


def made_up(folder: Path, clips: int, clip: Path) -> None:
    """Make a session of measured shots, one a recording; the recordings are all the same."""
    folder.mkdir()
    (folder / "session.toml").write_text(CONFIG.format(units="mm"), encoding="utf-8")
    session = open_session(folder)
    times_s = frame_times_s(clip)
    with Store(session.store_path) as store:
        for number in range(1, clips + 1):
            name = f"{'AB'[number % 2]}/S{number % 5 + 1}/{number:04d}.mp4"
            path = session.clip_path(name)
            path.parent.mkdir(parents=True, exist_ok=True)
            os.link(clip, path)
            shot = made_up_shot(path, launch_rad=-0.02 + 1e-5 * number, swerve_m=0.01)
            over_all = np.linspace(times_s[0] + 0.2, times_s[-1] - 0.12, len(shot.path_times_s))
            store.save_clip(name, record_of(name), [replace(shot, path_times_s=over_all)])


def first_view(scratch: Path) -> None:
    """Print how long the list of 500 shots takes to be there, the first time and again."""
    clip = Path(shutil.copy(SAMPLE / "clips/A/S1/0001.mp4", scratch / "list.mp4"))
    made_up(scratch / "many", SHOTS, clip)
    with opened(scratch / "many") as address, chromium() as browser:
        page = browser.new_page(viewport={"width": 1440, "height": 900})
        for which in ("first time", "again"):
            # Processor time: what a machine with nothing else to do takes at most.
            meter = page.context.new_cdp_session(page)
            meter.send("Performance.enable", {"timeDomain": "threadTicks"})
            page.goto(address, wait_until="load")
            spent = {one["name"]: one["value"] for one in meter.send("Performance.getMetrics")["metrics"]}
            paint = page.evaluate("performance.getEntriesByName('first-contentful-paint')[0].startTime")
            ready = page.evaluate("performance.getEntriesByType('navigation')[0].domContentLoadedEventEnd")
            rows = page.locator("#rows tr").count()
            print(
                f"list: {rows} shots, {which}: seen after {paint:.0f} ms, can be used after {ready:.0f} ms; "
                f"{1000 * spent['TaskDuration']:.0f} ms of the browser's processor time until all was loaded"
            )


def stepping(scratch: Path) -> None:
    """Print how long it takes from a key to the next frame at 1080p, while frames are being fetched and after."""
    clip, source = scratch / "large.mp4", SAMPLE / "clips/A/S1/0001.mp4"
    large = ((time_s, cv2.resize(colours, (1920, 1080))) for time_s, colours in read_colours(source))
    write_clip(clip, large, rate=60)
    made_up(scratch / "one", 1, clip)
    with opened(scratch / "one") as address, chromium() as browser:
        page = browser.new_page(viewport={"width": 1920, "height": 1080})
        page.goto(address)
        page.click("#rows a.open")
        page.wait_for_selector("#stage[data-frame]")
        print(f"frames: 1920 x 1080, as soon as the first is there: {spread_of(steps(page))}")
        page.wait_for_selector("#stage[data-ready=yes]")
        print(f"frames: 1920 x 1080, with all there: {spread_of(steps(page))}")


def steps(page) -> list[float]:
    """Times from a key to the next frame drawn; the clock is the page's own."""
    return page.evaluate(
        """async (most) => {
          const stage = document.getElementById("stage");
          const times = [];
          for (let k = 0; k < most; k++) {
            const before = stage.dataset.frame;
            const began = performance.now();
            stage.dispatchEvent(new KeyboardEvent("keydown", { key: "ArrowRight", bubbles: true }));
            while (stage.dataset.frame === before) {
              if (performance.now() - began > 10000) return times;
              await new Promise((done) => setTimeout(done, 0));
            }
            times.push((performance.now() - began) / 1000);
          }
          return times;
        }""",
        STEPS,
    )


def while_measuring(scratch: Path, recordings: int = 12) -> None:
    """Print how long requests take before and while the sample session is measured."""
    folder = scratch / "sample"
    shutil.copytree(SAMPLE, folder)
    for clip in sorted((folder / "clips").rglob("*.mp4"))[recordings:]:
        clip.unlink()
    with opened(folder) as address:
        home = address.split("/enter")[0]
        with httpx.Client(base_url=home, headers={"Origin": home}, timeout=120, follow_redirects=True) as client:
            client.get(address)
            before = asked(client, 10.0)
            assert client.post("/api/work", json={"job": "measure"}).json()["running"]
            began = time.monotonic()
            during = asked(client, 600.0)
            work = client.get("/api/work").json()
            print(f"measuring: {work['done']} of {work['total']} recordings in {time.monotonic() - began:.0f} s")
    for path in before:
        print(f"measuring: {path} before: {spread_of(before[path])}; meanwhile: {spread_of(during[path])}")


def asked(client: httpx.Client, longest_s: float) -> dict[str, list[float]]:
    """Ask for views again and again, for a while or as long as measuring goes on."""
    times: dict[str, list[float]] = {path: [] for path in ("/", "/rows", "/api/marks", "/api/work")}
    end = time.monotonic() + longest_s
    for path in itertools.cycle(times):
        began = time.perf_counter()
        client.get(path).raise_for_status()
        times[path].append(time.perf_counter() - began)
        over = path == "/api/work" and longest_s > 60 and not client.get(path).json()["running"]
        if over or time.monotonic() > end:
            return times
        time.sleep(0.05)
    return times


def clicking(scratch: Path, pictures: int = 4) -> None:
    """Print what a calibration with few clicks gives beside one with all marks clicked."""
    session = open_session(SAMPLE)
    print(f"marks: {'picture':8} {'way':22} {'marks':>6} {'error mm':>9} {'stated sd mm':>13}")
    for number in range(1, pictures + 1):
        setup = clip_setup("1080p60 foot rail", number)
        setup = replace(setup, scene=replace(setup.scene, scale=PaperScale()))
        path = scratch / f"fresh{number}.mp4"
        few = itertools.islice(render_frames(setup), 6)
        encode(path, few, size_px=setup.lens.size_px, fps=60.0, coding=setup.coding)
        luma, rng = still_luma(path), np.random.default_rng(number)
        places = {name: np.array(place) + rng.normal(0, HAND_SD_PX, 2) for name, place in true_marks(setup).items()}
        names = [name for name in marks_to_ask(session.table, session.lane, session.scale) if name in places]
        clicked = tuple(Answer(name=name, u_px=places[name][0], v_px=places[name][1]) for name in names)
        draft = take_all_that_fit(session, Draft(frame=path.name, answers=clicked[:CLICKS]), luma)
        for way, answers in [
            (f"{CLICKS} clicks, take all", draft.answers),
            (f"{CLICKS} clicks, up to {MOST_MARKS} marks", draft.answers[:MOST_MARKS]),
            (f"{min(MOST_MARKS, len(clicked))} clicked", clicked[:MOST_MARKS]),
            ("all clicked", clicked),
        ]:
            calibration = solved(session, answers, luma)
            used = sum(mark.used for mark in calibration.residuals)
            error_mm, sd_mm = reading_error_mm(calibration, setup), 1000 * lane_sd(calibration)[0]
            print(f"marks: {number:<8} {way:22} {used:6} {error_mm:9.3f} {sd_mm:13.3f}")


def solved(session: Session, answers: tuple[Answer, ...], luma: np.ndarray) -> Calibration:
    """Calibrate with the marks of a draft."""
    clicks = [Click(one.name, one.u_px, one.v_px) for one in answers if one.u_px is not None]
    return calibrate(
        clicks,
        luma=luma,
        size_px=luma.shape[::-1],
        table=session.table,
        lane=session.lane,
        ball=session.ball,
        scale=session.scale,
    )


def reading_error_mm(calibration: Calibration, setup: ShotSetup) -> float:
    """Error of the reading of a ball that runs along the lane, seen without error by the true lens."""
    r, scene = calibration.ball.radius_m, setup.scene
    ends = np.array([[scene.aim_x_m, scene.spot_y_m, r], [scene.aim_x_m, scene.length_m - r, r]])
    start, end = calibration.camera.onto_plane(np.array([setup.lens.project(one) for one in ends]), z_m=r)
    true_mm = cross_scale_mm(scene, ends[1][:2], ends[1][:2] - ends[0][:2])
    return 1000 * calibration.scale.reading_m(end, end - start) - true_mm


def main() -> None:
    """Read the command line and run the parts."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("parts", nargs="*", metavar="PART", help=", ".join(PARTS))
    parser.add_argument("--pictures", type=int, default=4, help="fresh pictures for `marks` (default 4)")
    parser.add_argument("--recordings", type=int, default=12, help="recordings for `measuring` (default 12)")
    options = parser.parse_args()
    parts = options.parts or PARTS
    todo = {
        "list": first_view,
        "frames": stepping,
        "measuring": partial(while_measuring, recordings=options.recordings),
        "marks": partial(clicking, pictures=options.pictures),
    }
    if unknown := [part for part in parts if part not in todo]:
        parser.error(f"no such part: {', '.join(unknown)}; there are {', '.join(PARTS)}")
    print(f"load of the machine: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    with tempfile.TemporaryDirectory() as scratch:
        for part in parts:
            todo[part](Path(scratch))


if __name__ == "__main__":
    main()
