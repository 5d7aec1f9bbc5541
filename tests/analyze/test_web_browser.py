"""The page in a browser: a session from nothing to its report, a wrong click mended, touch, uploads, two tabs."""

import shutil
import threading
import time
from contextlib import contextmanager
from importlib.resources import files
from pathlib import Path

import pytest
import uvicorn
from session_samples import made_up_session

from analyze.web.app import page_app
from analyze.web.desk import Desk
from analyze.web.guard import Keys, local_hosts
from analyze.web.serve import LOOPBACK, _listening, address_of
from calibrate.marks import read_marks

browser_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed: no browser tests")
SAMPLE = Path(str(files("sample_clips") / "session"))
PLACES = {click.name: (click.u_px, click.v_px) for click in read_marks(SAMPLE / "marks.csv")}
FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip
PATIENCE_MS = 120_000  # on a machine with much else to do; nothing here is timed


@pytest.fixture(scope="module")
def browser():
    found = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if found is None:
        pytest.skip("no Chromium is installed here: apt-get install chromium, to test the page in a browser")
    with browser_api.sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=found, args=FLAGS)
        yield chromium
        chromium.close()


@contextmanager
def served(folder):
    """Serve the page of a folder in a thread; gives the address with its token."""
    with _listening(LOOPBACK, 0) as listening:
        port = listening.getsockname()[1]
        keys = Keys(port=port, hosts=local_hosts(port))
        app = page_app(Desk(folder=folder, keys=keys))
        server = uvicorn.Server(uvicorn.Config(app, log_level="error", timeout_graceful_shutdown=1))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
        thread.start()
        while not server.started:
            time.sleep(0.02)
        try:
            yield address_of(keys)
        finally:
            server.should_exit = True
            thread.join(timeout=20)


@contextmanager
def tab(browser, address, **how):
    """Open the page in a fresh browser window; no script error and nothing on the console is allowed."""
    context = browser.new_context(**{"viewport": {"width": 1280, "height": 900}, **how})
    context.set_default_timeout(PATIENCE_MS)
    page = context.new_page()
    said: list[str] = []
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("console", lambda message: said.append(message.text) if message.type == "error" else None)
    page.goto(address)
    yield page
    context.close()
    expected = ("409 (Conflict)", "ERR_FAILED", "ERR_CONNECTION")  # what the tests themselves bring about
    assert [text for text in said if not any(part in text for part in expected)] == []


def on_page(page, place):
    """Where a place of the picture is on the page while the whole picture is shown."""
    width, height = (int(part) for part in page.get_attribute("#picture", "data-size").split("x"))
    box = page.locator("#picture").bounding_box()
    zoom = min(box["width"] / width, box["height"] / height)
    return (
        box["x"] + (box["width"] - width * zoom) / 2 + (place[0] + 0.5) * zoom,
        box["y"] + (box["height"] - height * zoom) / 2 + (place[1] + 0.5) * zoom,
    )


def click_asked(page, place=None):
    name = page.get_attribute("#picture", "data-asked")
    page.mouse.click(*on_page(page, place or PLACES[name]))
    page.wait_for_selector(f'#picture:not([data-asked="{name}"])')
    return name


def test_a_finger_sets_a_mark_and_moves_it(browser, tmp_path):
    shutil.copy(SAMPLE / "session.toml", tmp_path)
    (tmp_path / "clips/A/S1").mkdir(parents=True)
    shutil.copy(SAMPLE / "clips/A/S1/0001.mp4", tmp_path / "clips/A/S1")
    phone = {"viewport": {"width": 390, "height": 800}, "has_touch": True, "is_mobile": True}
    with served(tmp_path) as address, tab(browser, address + "&to=calibrate", **phone) as page:
        page.wait_for_selector("#picture[data-size][data-asked='scale+0']")
        page.touchscreen.tap(*on_page(page, PLACES["scale+0"]))
        page.wait_for_selector("#picture[data-asked='scale+4']")
        page.locator("[data-nudge='1,0']").tap()
        page.wait_for_selector("#list li")
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_an_upload_goes_on_after_the_connection_broke(browser, tmp_path):
    shutil.copy(SAMPLE / "session.toml", tmp_path)
    clip = max((SAMPLE / "clips").rglob("*.mp4"), key=lambda path: path.stat().st_size)
    large = tmp_path / "sent" / "large.mp4"
    large.parent.mkdir()
    large.write_bytes(clip.read_bytes() + bytes(3_000_000))  # several pieces; players skip what follows the film
    with served(tmp_path) as address, tab(browser, address) as page:
        broken = []

        def break_once(route):
            if len(broken) < 2 and "at=0" not in route.request.url:
                broken.append(route.request.url)
                route.abort()
            else:
                route.continue_()

        page.route("**/api/phone/uploads/*at=*", break_once)
        page.goto(address.split("/enter")[0] + "/phone")
        page.select_option("#condition", "B")
        page.fill("#shooter", "S2")
        page.set_input_files("#files", large)
        page.click("#go")
        page.wait_for_selector("text=sent, as B/S2/large.mp4")
        assert len(broken) == 2
        assert (tmp_path / "clips/B/S2/large.mp4").read_bytes() == large.read_bytes()


def test_two_tabs_deciding_on_one_shot_are_told(browser, measured):
    with served(measured) as address, tab(browser, address) as one, tab(browser, address) as other:
        one.locator("#rows tr").first.focus()
        one.keyboard.press("x")
        one.fill("#ask-line", "kicked")
        one.keyboard.press("Enter")
        one.wait_for_selector("#rows tr.aside:has-text('kicked')")
        other.locator("#rows tr").first.focus()
        other.keyboard.press("a")
        other.wait_for_selector("#wrong:has-text('somebody else has decided meanwhile')")


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [360, 1920])
def test_no_view_is_wider_than_the_screen(browser, measured, scheme, width):
    look = {"viewport": {"width": width, "height": 900}, "color_scheme": scheme}
    with served(measured) as address, tab(browser, address, **look) as page:
        for view in ("/", "/setup", "/calibrate", "/results", "/phone-help", "/phone"):
            page.goto(address.split("/enter")[0] + view)
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), view


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    """A session with made-up results and one recording."""
    folder = tmp_path_factory.mktemp("page") / "session"
    made_up_session(folder)
    clip = folder / "clips/A/S1/1.mp4"
    clip.parent.mkdir(parents=True)
    shutil.copy(SAMPLE / "clips/A/S1/0001.mp4", clip)
    return folder
