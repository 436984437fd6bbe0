"""Pages in a real browser: Chromium (Debian), beside the rules that other tests read from them."""

import re
import subprocess
from collections.abc import Iterator
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread

import pytest
from PIL import Image

from made_recalls import made_print, made_recall
from made_tickets import (
    FEW_PIXELS,
    PROPORTION,
    SENT_ALREADY,
    canvas,
    made_notice,
    made_parcel,
    made_ticket,
    panel,
    previewed,
    trimmed,
)
from platemark.intake.held import why_html
from platemark.model.sits import Sits
from platemark.parcel.recall_notice import recall_html
from platemark.parcel.ticket_html import render_ticket_html

WIDTHS = (360, 1100)
"""A telephone and a desk, CSS px."""

FRAMES = """<!doctype html><title>frames</title><body><script>
async function look(page, width) {
  const frame = document.createElement("iframe");
  frame.style.cssText = `width: ${width}px; height: 900px; border: 0`;
  frame.src = page;
  document.body.append(frame);
  await new Promise((done) => { frame.onload = done; });
  const root = frame.contentDocument.documentElement;
  const bars = width - root.clientWidth;
  return `${page} ${width}: ${root.scrollWidth + bars} px, ` +
    `${frame.contentDocument.body.innerText.length > 500 ? "shown" : "empty"}`;
}
async function all() {
  const said = [];
  for (const page of PAGES) for (const width of WIDTHS) said.push(await look(page, width));
  return said.join("; ");
}
all().then((said) => { document.body.textContent = `[${said}]`; });
</script></body>
"""


class _Quiet(SimpleHTTPRequestHandler):
    def log_message(self, format: str, *args: object) -> None:  # noqa: A002  # the name it has there
        """Say nothing."""


@pytest.fixture
def served(tmp_path: Path) -> Iterator[tuple[Path, str]]:
    """A folder, and where a server of this machine alone shows it: frames need one origin."""
    with ThreadingHTTPServer(("127.0.0.1", 0), partial(_Quiet, directory=str(tmp_path))) as server:
        thread = Thread(target=server.serve_forever)
        thread.start()
        yield tmp_path, f"http://127.0.0.1:{server.server_port}"
        server.shutdown()
        thread.join()


def said_by_chromium(address: str, folder: Path) -> tuple[str, list[str]]:
    """The page as it stands after its scripts, and every word on the console."""
    done = subprocess.run(
        [
            "chromium", "--headless=new", "--no-sandbox", "--disable-gpu", "--no-first-run",
            "--disable-background-networking", "--disable-component-update", "--disable-sync",
            "--disable-dev-shm-usage", f"--user-data-dir={folder / 'chromium'}",
            "--virtual-time-budget=20000", "--enable-logging=stderr", "--dump-dom", address,
        ],
        capture_output=True, text=True, timeout=60, check=True,
    )  # fmt: skip
    return done.stdout, re.findall(r":CONSOLE[:(].*", done.stderr)


@pytest.mark.tool("chromium")
def test_pages_fit_a_telephone_and_a_desk(served: tuple[Path, str]) -> None:
    """Neither page is wider than its window, 360 or 1100 px, and the console stays empty."""
    folder, address = served
    picture = folder / "drawing.jpg"
    Image.new("RGB", (1600, 1200), "#7799aa").save(picture)
    jpeg = picture.read_bytes()
    long_title = "a-title-without-any-space-" * 6
    tickets = (
        previewed(canvas(made_ticket(7))),
        trimmed(made_ticket(8, title=long_title, note="Pack it flat. " * 30)),
        panel(made_ticket(9, set="River", set_of=2, due=None)),
    )
    parcel = made_parcel(*tickets)
    drawings = dict.fromkeys((7, 8, 9), jpeg)
    page = render_ticket_html(parcel, drawings, {7: jpeg})
    (folder / "ticket.html").write_text(page, "utf-8")
    sits = (Sits("shadow_percent", "Shadows", "5.66", "5.7 %", "Some of it closes up. " * 9),)
    notice = made_notice(PROPORTION, FEW_PIXELS, SENT_ALREADY, name=f"{long_title}.tif", sits=sits)
    (folder / "WHY.html").write_text(why_html(notice, jpeg, jpeg), "utf-8")
    recalled = made_print(title=long_title, print_file=f"data/{'x' * 100}")
    (folder / "recall.html").write_text(recall_html(made_recall(recalled)), "utf-8")
    pages = ["ticket.html", "WHY.html", "recall.html"]
    frames = FRAMES.replace("PAGES", str(pages)).replace("WIDTHS", str(list(WIDTHS)))
    (folder / "frames.html").write_text(frames, "utf-8")
    page, console = said_by_chromium(f"{address}/frames.html", folder)
    assert console == []
    wanted = "; ".join(f"{name} {width}: {width} px, shown" for name in pages for width in WIDTHS)
    assert f"[{wanted}]" in page
