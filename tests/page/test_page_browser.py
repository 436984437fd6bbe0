"""The page in Debian's Chromium: axe-core, the keyboard, a phone, hostile names."""

import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from at_page import Shown, shown_apart
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser
from playwright.sync_api import Page as Tab
from playwright.sync_api import TimeoutError as TooLate
from recalled_studio import opened

from platemark.app.page.child import PageChild
from platemark.ledger.mornings import TOLD, WRITTEN
from platemark.model.page import Page
from platemark.telling.credentials import PASSWORD

pytestmark = pytest.mark.tool("chromium")
Show = Callable[..., Shown]
VIEWS = (
    "/", "/held", "/held/together?job=2&job=5", "/job/2", "/job/3", "/parcels", "/strips",
    "/parcel/brindlewick-000001", "/search?q=heron", "/record", "/record/3", "/nothing",
    f"/outcome/{'0' * 32}?jobs=2",
)  # fmt: skip
PHONE = {"width": 360, "height": 740}
FOCUS = """(what) => {
    const here = document.activeElement, box = here.getBoundingClientRect();
    const top = document.elementFromPoint(box.x + box.width / 2, box.y + box.height / 2);
    const isSeen = getComputedStyle(here).outlineStyle !== "none" && top !== null
        && (here.contains(top) || top.contains(here));
    return [here.matches(what), isSeen];
}"""
"""Whether what has the focus fits a selector, and whether it can be seen that it has it."""
LOADED = "[...document.images].every((each) => each.complete && each.naturalWidth > 0)"


def serious(tab: Tab, **options: object) -> list[tuple[str, str]]:
    """What axe-core calls serious or critical; the ticket in its frame is judged for itself."""
    # axe must not run where no script may.
    found = Axe().run(tab, options={"iframes": False, **options}).response["violations"]
    return [(tab.url, each["id"]) for each in found if each["impact"] in ("serious", "critical")]


def test_no_serious_finding_and_no_view_too_wide(show: Show, browser: Browser) -> None:
    """axe-core has nothing serious to say of any view, light or dark, and each fits a phone.

    Dark and light differ in colours alone, so of dark the contrast is looked at. Pictures that are
    loaded when they are scrolled to are there then.
    """
    found, wide, said, missing = [], [], [], []
    page, asking = show(), show(host="0.0.0.0")
    context = browser.new_context(viewport=PHONE)  # type: ignore[arg-type]
    tab = context.new_page()
    tab.on("pageerror", lambda error: said.append(str(error)))
    for address in (*(page.address + path for path in VIEWS), f"{asking.address}/enter"):
        tab.emulate_media(color_scheme="light")
        tab.goto(address)
        found += serious(tab)
        tab.emulate_media(color_scheme="dark")
        found += serious(tab, runOnly=["color-contrast"])
        if tab.evaluate("document.documentElement.scrollWidth") > PHONE["width"]:
            wide.append(address)
        for picture in tab.locator("img").all():
            picture.scroll_into_view_if_needed()
        try:
            tab.wait_for_function(LOADED, timeout=5000)
        except TooLate:
            missing.append(address)
    context.close()
    assert (found, wide, said, missing) == ([], [], [], [])


def test_hostile_names_run_nothing(page: Shown, browser: Browser) -> None:
    """No script of a name runs: titles are ours, and no element was made of a name."""
    tab = browser.new_page()
    for path in ("/", "/held", "/search", "/parcel/brindlewick-000001"):
        tab.goto(page.address + path)
        assert tab.title().endswith("Test studio")
        assert tab.locator("img[src=x]").count() == 0
    tab.close()


def tab_to(tab: Tab, what: str) -> None:
    """Press Tab until something has the focus that a selector fits; all on the way can be seen."""
    for _ in range(60):
        tab.keyboard.press("Tab")
        # A picture that is loaded only now moves what is below it.
        until = time.monotonic() + 5
        while not (seen := tab.evaluate(FOCUS, what))[1] and time.monotonic() < until:
            time.sleep(0.05)
        assert seen[1], tab.evaluate("document.activeElement.outerHTML")
        if seen[0]:
            return
    raise AssertionError(what)


def test_an_answer_by_keyboard_alone(page: Shown, browser: Browser) -> None:
    """From the first view to the handed-in answer without a mouse, by Tab, Space and Enter."""
    tab = browser.new_page()
    tab.goto(page.address)
    tab_to(tab, 'nav a[href="/held"]')
    tab.keyboard.press("Enter")
    tab.wait_for_url("**/held")
    # What is ticked brings the button that follows; it hides nothing that has the focus.
    tab_to(tab, 'input[name="job"]')
    tab.keyboard.press("Space")
    tab_to(tab, 'a[href="/job/5#answer"]')
    tab.keyboard.press("Enter")
    tab.wait_for_url("**/job/5#answer")
    tab_to(tab, 'input[name="withdraw"]')
    tab.keyboard.press("Space")
    tab_to(tab, 'select[name="by"]')
    tab.keyboard.type("Mira")
    tab_to(tab, 'input[name="because"]')
    tab.keyboard.type("not wanted")
    tab_to(tab, "form.answer button")
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


def digest_not_sent(studio: Path) -> None:
    """Record what a digest that no mail server takes leaves behind."""
    day = datetime.now(UTC).date().isoformat()
    with opened(studio) as at_work, at_work.workshop.ledger.transaction() as transaction:
        counts = {"late": False, "missed": 0, "upto": 1, "lines": {}}
        entry = transaction.append(WRITTEN, {"local_date": day, **counts})
        tried = {"way": "mail", "outcome": "unreachable", "tries": 6, "last": True}
        transaction.append(TOLD, {"of": entry.seq, "local_date": day, **tried})


def test_trouble_and_lost_contact_are_said(full: Path, browser: Browser) -> None:
    """An open first view says so itself: a digest was not sent; nobody answers any more."""
    tab = browser.new_page()
    with shown_apart(full) as (page, process):
        tab.goto(page.address)
        tab.locator("#count-every", has_text="2").wait_for()
        assert tab.locator("#troubles p").count() == 0
        digest_not_sent(full)
        tab.get_by_text("was not sent (mail): the other end cannot be reached").wait_for()
        process.kill()
    tab.get_by_text("has had no answer since").wait_for(timeout=15_000)
    tab.close()


def test_a_page_that_dies_is_started_anew(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each end is followed by a new start after a pause; stopping ends it, and off is never on.

    What answers a network is not given the mail's password.
    """
    monkeypatch.setenv(PASSWORD, "quite-a-secret-word")
    marks = tmp_path / "starts"
    code = (
        f"import os, sys; open({str(marks)!r}, 'a')"
        f".write('!' if {PASSWORD!r} in os.environ else 'x'); sys.exit(1)"
    )
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
    assert set(marks.read_text()) == {"x"}
    off = PageChild(tmp_path, Page(on=False))
    off.start()
    assert off.pid is None
    off.stop()
