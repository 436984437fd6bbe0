"""The assistant's and the photographer's ways through the page, in Debian's Chromium."""

import hashlib
import os
import re
import signal
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
import skimage.data
import tifffile
from at_page import Shown, served, shown
from at_work import jobs
from harness import LAB
from playwright.sync_api import Browser, Locator, expect
from playwright.sync_api import Page as Tab

from platemark.app.page.keys import FORM_S
from platemark.imaging.icc import build_matrix_profile

pytestmark = pytest.mark.tool("chromium")
PATIENCE_MS = 60_000
HOT = "hot/small-rag/2x3in"


@pytest.fixture
def tab(browser: Browser) -> Iterator[Tab]:
    """A tab of a browser that nobody used before."""
    context = browser.new_context()
    tab = context.new_page()
    tab.set_default_timeout(PATIENCE_MS)
    yield tab
    context.close()


def closes_each(studio: Path) -> None:
    """Have the lab get a parcel for each job."""
    lab = studio / "labs" / f"{LAB}.toml"
    lab.write_text(lab.read_text().replace('rule = "quiet"\nminutes = 600', 'rule = "each"'))


def is_drawn(picture: Locator) -> None:
    """Wait until a browser has a picture; the page's policy forbids to wait for an expression."""
    picture.scroll_into_view_if_needed()
    expect(picture).to_have_js_property("complete", True, timeout=PATIENCE_MS)
    assert picture.evaluate("(each) => each.naturalWidth") > 100


def test_the_assistants_way(full: Path, tab: Tab) -> None:
    """A file is dropped and held; it is seen, understood and answered on the page, and sent."""
    closes_each(full)
    with served(full), shown(full) as page:
        tab.goto(page.address)
        picture = np.ascontiguousarray(skimage.data.astronaut()[:, :340])
        tifffile.imwrite(full / HOT / "portrait.tif", picture, photometric="rgb")
        # The open page tells of it by itself.
        tab.get_by_text("portrait.tif has no colour profile").wait_for()
        tab.get_by_role("link", name="portrait.tif").click()
        expect(tab.get_by_role("heading", level=1)).to_have_text("portrait.tif")
        # Its page is complete once the drawing is made.
        drawing = tab.locator("figure img").first
        deadline = time.monotonic() + 60
        while drawing.count() == 0:
            assert time.monotonic() < deadline
            tab.reload()
        is_drawn(drawing)
        assert "A photographer may accept it" in tab.inner_text("main")
        tab.get_by_label("Accept: colour untagged").check()
        tab.get_by_label("Who decides").select_option(label="Mira, photographer")
        tab.get_by_label("Why").fill("it comes from the web shop, so sRGB")
        tab.get_by_role("button", name="Answer").click()
        tab.get_by_text("The answer was taken.").wait_for()
        tab.get_by_role("link", name="Now", exact=True).first.click()
        tab.get_by_role("link", name=f"{LAB}-000002").wait_for()
        tab.get_by_role("link", name=f"{LAB}-000002").click()
        assert "portrait.tif" in tab.inner_text("main")
    (told,) = [each for each in jobs(full) if each["original_name"] == "portrait.tif"]
    assert told["parcel"] == f"{LAB}-000002"


def test_the_photographers_way(page: Shown, tab: Tab) -> None:
    """A job is found by all that one may remember; what exactly the lab got stands there."""
    (told,) = [each for each in jobs(page.studio) if each["original_name"] == "good.tif"]
    for asked in ("good.tif", "good", "Alder", told["original_sha256"][:10], f"{LAB}-000001"):
        tab.goto(f"{page.address}/search")
        tab.get_by_label("Look for").fill(asked)
        tab.get_by_role("button", name="Search").click()
        tab.get_by_role("link", name=f"{told['job']:06d}").wait_for()
    tab.get_by_role("link", name=f"{told['job']:06d}").click()
    expect(tab.get_by_role("heading", level=1)).to_have_text("good.tif")
    is_drawn(tab.locator("figure img").first)
    text = tab.inner_text("main")
    files = [each for each in (page.studio / "at-the-lab").rglob("*.tif") if each.is_file()]
    hashes = {hashlib.sha256(each.read_bytes()).hexdigest() for each in files}
    assert {each for each in re.findall(r"\b[0-9a-f]{64}\b", text) if each in hashes}
    tab.get_by_role("link", name="the ticket that the lab reads").click()
    tab.wait_for_url("**/ticket.html")
    assert "Small Rag" in tab.inner_text("body")
    assert "2" in tab.inner_text("body")


@contextmanager
def stopped(studio: Path) -> Iterator[None]:
    """Stops the process that makes a picture in the middle of its pixels, until the block ends."""
    deadline = time.monotonic() + 120
    sizes: list[int] = []
    while not sizes or max(sizes) < 1 << 20:
        assert time.monotonic() < deadline
        time.sleep(0.001)
        try:
            sizes = [each.stat().st_size for each in (studio / "work/faces").glob(".child-*/*")]
        except FileNotFoundError:
            sizes = []
    children = Path(f"/proc/{os.getpid()}/task")
    pids = {int(pid) for task in children.glob("*/children") for pid in task.read_text().split()}
    workers = [
        pid
        for pid in pids
        if b"platemark.imaging.worker" in Path(f"/proc/{pid}/cmdline").read_bytes()
    ]
    for pid in workers:
        os.kill(pid, signal.SIGSTOP)
    try:
        yield
    finally:
        for pid in workers:
            os.kill(pid, signal.SIGCONT)


def test_progress_is_seen_live(full: Path, tab: Tab) -> None:
    """A real picture in a real process of its own, stopped halfway: the open page says how far."""
    lab = full / "labs" / f"{LAB}.toml"
    said = lab.read_text()
    lab.write_text(said.replace("target = 100\nhighest = 200", "target = 1200\nhighest = 2400"))
    # A photograph, each of its pixels eight times as wide and high: 7.5 megapixels.
    picture = np.kron(skimage.data.rocket()[:420, :280], np.ones((8, 8, 1)))
    srgb = build_matrix_profile("srgb")
    with shown(full) as page, served(full, apart=True):
        tab.goto(page.address)
        tab.get_by_text("Nothing is being prepared just now.").wait_for()
        path = full / HOT / "rocket.tif"
        tifffile.imwrite(path, picture.astype(np.uint8), photometric="rgb", iccprofile=srgb)
        with stopped(full):
            note = tab.get_by_text(re.compile(r"its pixels are being made: [1-9]\d? %"))
            note.wait_for()
            done = int(re.findall(r"\d+", note.inner_text())[0])
            bar = tab.locator("ul[data-list=working] progress")
            assert bar.evaluate("(each) => each.value") == done
            assert bar.is_visible()
        tab.get_by_text("waits for its parcel to close").wait_for()
        tab.get_by_text("Nothing is being prepared just now.").wait_for()


def test_a_page_left_open_overnight(page: Shown, tab: Tab, monkeypatch: pytest.MonkeyPatch) -> None:
    """The form has run out: the page says so plainly, keeps what was typed, and takes it then."""
    tab.goto(f"{page.address}/job/2")
    tab.get_by_label("Withdraw").check()
    tab.get_by_label("Who decides").select_option("Mira")
    tab.get_by_label("Why").fill("typed last night")
    evening = time.time()
    monkeypatch.setattr("platemark.app.page.keys.time.time", lambda: evening + FORM_S + 1)
    tab.get_by_role("button", name="Answer").click()
    expect(tab.get_by_role("alert")).to_contain_text("This page was open for long")
    expect(tab.get_by_label("Why")).to_have_value("typed last night")
    expect(tab.get_by_label("Who decides")).to_have_value("Mira")
    expect(tab.get_by_label("Withdraw")).to_be_checked()
    tab.get_by_role("button", name="Answer").click()
    tab.wait_for_url("**/outcome/*")
    assert len(list((page.studio / "decisions").glob("*.json"))) == 1
