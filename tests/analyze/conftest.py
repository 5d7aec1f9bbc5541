"""What several tests of the page share; what it takes is loaded by those alone."""

import shutil

import pytest


# Of a module and no longer: Playwright keeps an event loop running, in which other tests could not begin theirs.
@pytest.fixture(scope="module")
def browser():
    """Chromium."""
    from web_browser import chromium

    with chromium() as started:
        yield started


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    """A session with made-up results and one recording."""
    from session_samples import made_up_session
    from web_client import SAMPLE

    folder = tmp_path_factory.mktemp("page") / "session"
    made_up_session(folder)
    clip = folder / "clips/A/S1/1.mp4"
    clip.parent.mkdir(parents=True)
    shutil.copy(SAMPLE / "clips/A/S1/0001.mp4", clip)
    return folder
