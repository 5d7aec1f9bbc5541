"""The page in a browser: a session from nothing to its report, a wrong click mended, touch, uploads, two tabs."""

import shutil

import cv2
import numpy as np
import pytest
from session_samples import made_up_shot, record_of
from web_browser import PATIENCE_MS, served, tab
from web_client import PLACES, SAMPLE

from analyze.session.folder import open_session
from analyze.session.store import Store
from analyze.web.pairing import network_address
from calibrate.marks import read_marks


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


@pytest.mark.slow
def test_a_session_from_nothing_to_its_report_on_the_page_alone(browser, tmp_path):
    folder = tmp_path / "session"
    with served(folder) as address, tab(browser, address) as page:
        page.fill("#name", "From nothing")
        page.select_option("#units", "mm")
        page.fill("#spot_mm", "762")
        page.click("text=Make the session")
        page.wait_for_selector("text=No recordings yet")
        page.goto(address.split("/enter")[0] + "/phone")
        page.select_option("#condition", "A")
        page.fill("#shooter", "S1")
        page.set_input_files("#files", SAMPLE / "clips/A/S1/0001.mp4")
        page.click("#go")
        page.wait_for_selector("text=sent, as A/S1/0001.mp4")
        sent = folder / "clips/A/S1/0001.mp4"
        assert sent.read_bytes() == (SAMPLE / "clips/A/S1/0001.mp4").read_bytes()

        page.goto(address.split("/enter")[0] + "/calibrate")
        page.wait_for_selector("#picture[data-size][data-asked='scale+0']")
        asked = [click_asked(page) for _ in range(3)]
        asked.append(click_asked(page, PLACES["right-3"]))  # a wrong mark: right-2 is asked for
        asked += [click_asked(page) for _ in range(3)]
        assert asked[3] == "right-2"
        # One wrong mark of seven is too many to be told apart for sure; two more sights name it.
        clicks = 7
        while page.locator("#list li.wrong").count() == 0 and clicks < 10:
            click_asked(page)
            clicks += 1
            page.wait_for_selector("#verdict:not(.old)")
        assert page.locator("#list li.wrong button").first.inner_text() == "right-2"
        page.locator("#list li.wrong button").first.click()
        page.click("#whole")
        page.mouse.click(*on_page(page, PLACES["right-2"]))
        page.wait_for_selector("#take:not([disabled])")
        page.click("#take")
        page.wait_for_selector("#said:has-text('taken from the picture')")
        page.wait_for_selector("#done:not([disabled])")
        assert page.locator("#list li.wrong").count() == 0
        assert page.locator("#list li").count() >= 16
        page.click("#done")
        page.click("text=To the shots")

        page.click("[data-work=measure]")
        # Ten seconds of processor time, in a process that lets all others go first: most of it is waiting for them.
        page.wait_for_selector("#rows tr[data-state=measured], #wrong button", timeout=5 * PATIENCE_MS)
        assert page.inner_text("#wrong") == ""
        page.wait_for_selector("#work-says:text-is('Done.')")
        page.click("#rows a.open")
        page.wait_for_selector("#stage[data-ready=yes]")
        frame = int(page.get_attribute("#stage", "data-frame"))
        page.keyboard.press("ArrowLeft")
        page.wait_for_selector(f"#stage[data-frame='{frame - 1}']")
        assert page.locator("#residuals circle.across").count() > 20
        page.keyboard.press("x")
        page.fill("#ask-line", "ball was touched")
        page.keyboard.press("Enter")
        page.wait_for_selector(".verdict.aside:has-text('ball was touched')")
        # It was loaded anew: keys count once its script is there, and the frame is the one that was looked at.
        page.wait_for_selector(f"#stage[data-frame='{frame - 1}']")
        page.keyboard.press("u")
        page.wait_for_selector(".verdict.measured")

        page.click("nav >> text=Results")
        page.wait_for_selector("#answer .lead")
        page.goto(address.split("/enter")[0] + "/report")
        assert "From nothing" in page.content()
    assert len(read_marks(open_session(folder).marks_path)) >= 16


def test_a_finger_sets_a_mark_and_moves_it(browser, tmp_path):
    shutil.copy(SAMPLE / "session.toml", tmp_path)
    (tmp_path / "clips/A/S1").mkdir(parents=True)
    shutil.copy(SAMPLE / "clips/A/S1/0001.mp4", tmp_path / "clips/A/S1")
    phone = {"viewport": {"width": 390, "height": 800}, "has_touch": True, "is_mobile": True}
    with served(tmp_path) as address, tab(browser, address + "&to=calibrate", **phone) as page:
        page.wait_for_selector("#picture[data-size][data-asked='scale+0']")
        page.touchscreen.tap(*on_page(page, PLACES["scale+0"]))
        page.wait_for_selector("#picture[data-asked='scale+4']")
        asked = page.inner_text("#ask-what")
        x, y = on_page(page, PLACES["right-2"])
        fingers = page.context.new_cdp_session(page)
        fingers.send("Input.synthesizePinchGesture", {"x": x, "y": y, "scaleFactor": 2.5})
        page.mouse.move(x, y)
        page.mouse.wheel(0, -300)
        assert page.inner_text("#ask-what") == asked  # looking closer sets nothing and loses nothing
        assert page.locator("#list li").count() == 1
        page.locator("#whole").tap()
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


def test_a_phone_is_let_in_by_the_code_in_the_picture_and_sees_what_its_shot_reads(browser, tmp_path):
    network = network_address()
    if not network:
        pytest.skip("this machine is in no network: there is no second address to open the page at")
    shutil.copy(SAMPLE / "session.toml", tmp_path)
    phone_like = {"viewport": {"width": 360, "height": 640}, "has_touch": True, "is_mobile": True}
    with served(tmp_path, network=network) as address, tab(browser, address) as desk:
        home = address.split("/enter")[0]
        desk.goto(f"{home}/phone-help")
        drawn = desk.locator("img[alt^='QR code']").screenshot()
        picture = cv2.imdecode(np.frombuffer(drawn, np.uint8), cv2.IMREAD_COLOR)
        scanned, _, _ = cv2.QRCodeDetector().detectAndDecode(picture)
        outside = f"http://{network}:{home.rsplit(':', 1)[1]}"
        code = desk.inner_text(".code")
        assert scanned == f"{outside}/pair#{code}"
        with tab(browser, scanned, **phone_like) as phone:
            phone.wait_for_selector("#send")  # it was paired by the address alone
            for path in ("/", "/setup", "/api/rows", "/report", "/phone-help"):
                assert phone.request.get(outside + path).status == 401, path
            again = phone.request.post(f"{outside}/pair", data={"code": code}, headers={"Origin": outside})
            assert again.status == 403
            phone.select_option("#condition", "B")
            phone.fill("#shooter", "S2")
            phone.set_input_files("#files", SAMPLE / "clips/B/S2/0001.mp4")
            phone.locator("#go").tap()
            phone.wait_for_selector("text=sent, as B/S2/0001.mp4")
            session = open_session(tmp_path)
            shot = made_up_shot(session.clip_path("B/S2/0001.mp4"), launch_rad=-0.018, swerve_m=0.01)
            with Store(session.store_path) as store:  # as if it had been measured
                store.save_clip("B/S2/0001.mp4", record_of("B/S2/0001.mp4"), [shot])
            # 1.87 tan(-0.018) + 0.010 m
            phone.wait_for_selector("#last .reading:has-text('\N{MINUS SIGN}23.7')")
            assert phone.evaluate("document.documentElement.scrollWidth <= innerWidth")
        desk.set_viewport_size({"width": 360, "height": 640})
        desk.reload()
        assert desk.evaluate("document.documentElement.scrollWidth <= innerWidth")
        assert desk.inner_text("dt:text-is('Phones paired') + dd") == "1"


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
