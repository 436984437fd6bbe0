"""The page in Debian's Chromium: axe-core, the keyboard, a phone, hostile names."""

import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from at_page import Shown
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser

from platemark.app.page.child import PageChild
from platemark.model.page import Page

pytestmark = pytest.mark.tool("chromium")
VIEWS = (
    "/", "/held", "/held/together?job=2&job=5", "/job/2", "/job/3", "/parcels",
    "/parcel/brindlewick-000001", "/search?q=heron", "/record", "/record/3", "/nothing",
)  # fmt: skip
PHONE = {"width": 360, "height": 740}


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_serious_finding_and_no_view_too_wide(
    page: Shown, browser: Browser, scheme: str
) -> None:
    """axe-core has nothing serious or critical to say of any view; each fits a phone."""
    serious, wide, said = [], [], []
    for path in VIEWS:
        context = browser.new_context(color_scheme=scheme, viewport=PHONE)  # type: ignore[arg-type]
        tab = context.new_page()
        tab.on("pageerror", lambda error: said.append(str(error)))
        tab.goto(page.address + path)
        # The ticket in its frame is judged for itself: axe must not run where no script may.
        found = Axe().run(tab, options={"iframes": False}).response["violations"]
        serious += [
            (path, each["id"]) for each in found if each["impact"] in ("serious", "critical")
        ]
        if tab.evaluate("document.documentElement.scrollWidth") > PHONE["width"]:
            wide.append(path)
        context.close()
    assert serious == []
    assert wide == []
    assert said == []


def test_hostile_names_run_nothing(page: Shown, browser: Browser) -> None:
    """No script of a name runs: titles are ours, and no element was made of a name."""
    tab = browser.new_page()
    for path in ("/", "/held", "/search", "/parcel/brindlewick-000001"):
        tab.goto(page.address + path)
        assert tab.title().endswith("Test studio")
        assert tab.locator("img[src=x]").count() == 0
    tab.close()


def test_an_answer_by_keyboard_alone(page: Shown, browser: Browser) -> None:
    """From the list to the handed-in answer without a mouse."""
    tab = browser.new_page()
    tab.goto(f"{page.address}/job/5")
    tab.get_by_label("Withdraw").focus()
    tab.keyboard.press("Space")
    tab.get_by_label("Who decides").focus()
    tab.keyboard.type("Mira")
    tab.get_by_label("Why").focus()
    tab.keyboard.type("not wanted")
    tab.keyboard.press("Enter")
    tab.wait_for_url("**/outcome/*")
    assert "No service is running" in tab.inner_text("main")
    assert len(list((page.studio / "decisions").glob("*.json"))) == 1
    tab.close()


def test_the_ticket_stands_in_its_frame(page: Shown, browser: Browser) -> None:
    """The sandboxed frame shows the ticket of that parcel."""
    tab = browser.new_page()
    tab.goto(f"{page.address}/parcel/brindlewick-000001")
    frame = tab.frame_locator("iframe")
    frame.locator("body").wait_for()
    assert "brindlewick-000001" in frame.locator("body").inner_text()
    tab.close()


def test_lost_contact_is_said(page: Shown, browser: Browser) -> None:
    """An open first view says so itself when nobody answers any more."""
    tab = browser.new_page()
    tab.goto(page.address)
    page.process.kill()
    tab.get_by_text("has had no answer since").wait_for(timeout=15_000)
    tab.close()


def test_a_page_that_dies_is_started_anew(tmp_path: Path, show: Callable[..., Shown]) -> None:
    """Each end is followed by a new start after a pause; stopping ends it, and off is never on."""
    del show
    marks = tmp_path / "starts"
    code = f"import sys; open({str(marks)!r}, 'a').write('x'); sys.exit(1)"
    child = PageChild(
        tmp_path, Page(on=True), command=(sys.executable, "-c", code), first_pause_s=0.1
    )
    child.start()
    deadline = time.monotonic() + 30
    while not marks.exists() or len(marks.read_text()) < 3:
        assert time.monotonic() < deadline
        time.sleep(0.05)
    child.stop()
    assert child.pid is None
    off = PageChild(tmp_path, Page(on=False))
    off.start()
    assert off.pid is None
    off.stop()
