"""A real browser on the page of a session, for tests: Debian's Chromium, driven by Playwright."""

import shutil
import threading
import time
from contextlib import contextmanager

import pytest
import uvicorn

from analyze.web.app import page_app
from analyze.web.serve import address_of, desk_at, listen

FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip
PATIENCE_MS = 120_000  # on a machine with much else to do; nothing here is timed
# What tests themselves bring about on the console.
BROUGHT_ABOUT = ("409 (Conflict)", "404 (Not Found)", "422 (Unprocessable", "ERR_FAILED", "ERR_CONNECTION")


@contextmanager
def chromium():
    """Start Chromium; skips the test where there is none."""
    api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed: no browser tests")
    found = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if found is None:
        pytest.skip("no Chromium is installed here: apt-get install chromium, to test the page in a browser")
    with api.sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=found, args=FLAGS)
        yield started
        started.close()


@contextmanager
def served(folder, *, network=""):
    """Serve the page of a folder in a thread; gives the address with its token."""
    with listen(0, network=network) as listening:
        desk = desk_at(folder, listening.getsockname()[1], network=network)
        config = uvicorn.Config(page_app(desk), log_level="error", timeout_graceful_shutdown=1)
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
        thread.start()
        while not server.started:
            time.sleep(0.02)
        try:
            yield address_of(desk.keys)
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
    unexpected = [text for text in said if not any(part in text for part in BROUGHT_ABOUT)]
    assert unexpected == []
