"""What axe-core finds on the page: nothing serious or critical, on any view, light or dark, wide or narrow."""

import pytest
from web_browser import served, tab

axe_core = pytest.importorskip(
    "axe_playwright_python.sync_playwright", reason="axe-playwright-python is not installed: no check by axe-core"
)
GRAVE = ("serious", "critical")


def complaints(page, view):
    """What is grave on the page as it stands: the view, the rule, the place, and axe-core's own words."""
    response = axe_core.Axe().run(page).response
    assert "color-contrast" in [one["id"] for one in response["passes"]], view  # it did look
    found = response["violations"]
    return [
        (view, one["id"], node["target"], node["failureSummary"])
        for one in found
        if one["impact"] in GRAVE
        for node in one["nodes"]
    ]


@pytest.mark.parametrize(("scheme", "width"), [("light", 1280), ("dark", 390)])
def test_axe_finds_nothing_grave_on_any_view(browser, measured, scheme, width):
    look = {"viewport": {"width": width, "height": 900}, "color_scheme": scheme}
    found = []
    with served(measured) as address, tab(browser, address, **look) as page:
        home = address.split("/enter")[0]
        found += complaints(page, "shots")
        page.locator("#rows tr").first.focus()
        page.keyboard.press("x")
        found += complaints(page, "a question")
        page.keyboard.press("Escape")
        if page.is_visible("#keys-button"):  # narrow screens have no keys to explain
            page.click("#keys-button")
        page.goto(home + page.get_attribute("#rows tr:has-text('A/S1/1.mp4') a.open", "href"))
        page.wait_for_selector("#stage[data-frame]")
        found += complaints(page, "one shot")
        page.goto(f"{home}/calibrate")
        page.wait_for_selector("#picture[data-size][data-asked='scale+0']")
        page.keyboard.press("s")
        page.wait_for_selector("#list li")
        found += complaints(page, "camera")
        page.keyboard.press("u")
        page.wait_for_selector("#picture[data-asked='scale+0']")
        page.goto(f"{home}/results")
        page.wait_for_selector("#answer .lead")
        found += complaints(page, "results")
        for view in ("setup", "phone-help", "phone", "pair"):
            page.goto(f"{home}/{view}")
            found += complaints(page, view)
    assert found == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_grave_where_there_is_nothing_yet(browser, tmp_path, scheme):
    found = []
    with served(tmp_path / "new") as address, tab(browser, address, color_scheme=scheme) as page:
        home = address.split("/enter")[0]
        found += complaints(page, "a new session")
        page.click("text=Make the session")
        page.wait_for_selector("text=No recordings yet")
        found += complaints(page, "no shots")
        for view in ("calibrate", "results", "shot/none/1"):
            page.goto(f"{home}/{view}")
            found += complaints(page, view)
    assert found == []
