"""Makes a studio worth looking at, shows its page, and asks it as a browser and as none would."""

import http.client
import os
import re
import socket
import subprocess
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import numpy as np
import skimage.data
import tifffile
from at_work import PLATEMARK, ask_here, jobs
from harness import LAB, drop_pictures, make_studio
from recalled_studio import in_this_process, opened, swept
from strip_readings import device_values, readings
from test_settled import SteppedClock

from platemark.app.open_studio import open_studio
from platemark.app.page.guard import BROWSER
from platemark.app.page.serve import make_server
from platemark.imaging.icc import build_matrix_profile
from platemark.imaging.strip_report import predicted_lab
from platemark.model.page import Page

SCRIPT_NAME = "<script>document.title='taken'<ǃ--.tif"
"""The slash of an ending tag can be in no file name; a letter stands for it."""
TURNED_NAME = "heron\u202egnp.tif"
"""A mark that would have it read from right to left."""
IMG_NAME = '"><img src=x onerror=document.title=1>.tif'


@dataclass(frozen=True)
class Shown:
    """A page that answers."""

    address: str
    port: int
    studio: Path

    def get(self, path: str, **headers: str) -> tuple[int, Mapping[str, str], str]:
        """Ask without a browser."""
        return self.ask("GET", path, headers=headers)

    def ask(
        self, method: str, path: str, body: str | bytes = b"",
        headers: Mapping[str, str] | None = None, host: str = "",
    ) -> tuple[int, Mapping[str, str], str]:  # fmt: skip
        """Ask anything: status, headers in small letters, text."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        try:
            connection.putrequest(method, path, skip_host=True)
            connection.putheader("Host", host or f"127.0.0.1:{self.port}")
            for name, value in (headers or {}).items():
                connection.putheader(name.replace("_", "-"), value)
            data = body.encode() if isinstance(body, str) else body
            told_before = {each.lower() for each in headers or {}}
            if data and not told_before & {"content-length", "transfer-encoding"}:
                connection.putheader("Content-Length", str(len(data)))
            connection.endheaders(data)
            answer = connection.getresponse()
            told = {name.lower(): value for name, value in answer.getheaders()}
            return answer.status, told, answer.read().decode("utf-8", "replace")
        finally:
            connection.close()

    def form_of(self, path: str) -> tuple[dict[str, str], str]:
        """The hidden fields of the form on a view, and the mark of the browser that got it."""
        status, headers, text = self.get(path)
        assert status == 200
        hidden = dict(
            re.findall(r'<input type="hidden" name="(mark|nonce|job)" value="([^"]+)">', text)
        )
        browser = re.search(rf"{BROWSER}=([0-9a-f]+)", headers.get("set-cookie", ""))
        assert browser is not None
        return hidden, browser[1]

    def send(
        self, fields: list[tuple[str, str]], browser: str, **headers: str
    ) -> tuple[int, Mapping[str, str], str]:
        """Send a form as a browser would."""
        usual = {
            "Origin": f"http://127.0.0.1:{self.port}",
            "Content-Type": "application/x-www-form-urlencoded",
            "Cookie": f"{BROWSER}={browser}",
        }
        body = urlencode(fields, errors="replace")
        return self.ask("POST", "/answer", body, {**usual, **headers})


def free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


@contextmanager
def shown(studio: Path, **changes: Any) -> Iterator[Shown]:
    """Show a studio's page until the block ends: the real server, in a thread of this process."""
    server, taken = make_server(studio, Page(**{"port": 0, **changes}))
    port = int(taken.getsockname()[1])
    thread = threading.Thread(target=server.run, kwargs={"sockets": [taken]})
    thread.start()
    deadline = time.monotonic() + 30
    while not server.started:
        assert thread.is_alive()
        assert time.monotonic() < deadline
        time.sleep(0.01)
    try:
        yield Shown(f"http://127.0.0.1:{port}", port, studio)
    finally:
        server.should_exit = True
        thread.join(20)
        taken.close()
        assert not thread.is_alive()


@contextmanager
def shown_apart(
    studio: Path, *words: str, env: Mapping[str, str] | None = None
) -> Iterator[tuple[Shown, "subprocess.Popen[str]"]]:
    """The command `page` on a studio, as a process of its own."""
    port = free_port()
    process = subprocess.Popen(
        [str(PLATEMARK), "--studio", str(studio), "page", "--port", str(port), *words],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1", **(env or {})},
    )  # fmt: skip
    try:
        assert process.stdout is not None
        assert "status page is at" in process.stdout.readline()
        found = Shown(f"http://127.0.0.1:{port}", port, studio)
        deadline = time.monotonic() + 30
        while True:
            try:
                found.get("/healthz")
                break
            except ConnectionError:
                assert time.monotonic() < deadline
                time.sleep(0.05)
        yield found, process
    finally:
        process.terminate()
        process.communicate(timeout=20)


@contextmanager
def served(studio: Path, *, apart: bool = False) -> Iterator[None]:
    """A studio at work until the block ends: the engine's turns, in a thread of this process.

    A picture's steps are done here as well, or apart: in processes of their own, as ever.
    """
    ends, begun, faults = threading.Event(), threading.Event(), []

    def work() -> None:
        try:
            how = open_studio(studio, SteppedClock()) if apart else opened(studio)
            with how as at_work:
                begun.set()
                clock: Any = at_work.workshop.clock
                while not ends.is_set():
                    at_work.dispatch.turn()
                    clock.steps += 0.5
                    ends.wait(0.02)
                at_work.dispatch.stop()
        except BaseException as fault:
            faults.append(fault)
            raise
        finally:
            begun.set()

    thread = threading.Thread(target=work)
    thread.start()
    assert begun.wait(60)
    try:
        yield
    finally:
        ends.set()
        thread.join(60)
        assert faults == []


def make_full_studio(root: Path, profile: bytes) -> None:
    """Three jobs delivered, one held for its profile, one for its proportion; hostile names."""
    make_studio(root, profile)
    lab = root / "labs" / f"{LAB}.toml"
    lab.write_text(lab.read_text().replace("sizes = []", 'sizes = ["2x3in", "3x3in"]'))
    drop_pictures(root)
    srgb = build_matrix_profile("srgb")
    # Real photographs, square and wide, where the size stands upright: their proportion differs.
    for number, name in enumerate((SCRIPT_NAME, TURNED_NAME, IMG_NAME)):
        picture = (skimage.data.astronaut(), skimage.data.coffee(), skimage.data.chelsea())[number]
        path = root / "hot/small-rag/2x3in" / name
        tifffile.imwrite(path, np.ascontiguousarray(picture), photometric="rgb", iccprofile=srgb)
    asked = root / "hot/small-rag/2x3in/good.tif.toml"
    asked.write_text(f'{asked.read_text()}strip = "patches"\n')
    swept(root)
    _measure_strip(root)


def _measure_strip(root: Path) -> None:
    """Hand in what an instrument may have read of a strip: a little darker than predicted."""
    job = next(row["job"] for row in jobs(root) if row["original_name"] == "good.tif")
    values, icc = device_values(root, job)
    codes = np.rint(values * 257).astype(np.uint16)
    lab = predicted_lab(icc, codes, absolute=True) - [0.4, 0, 0.2]
    file = root.parent / "strip.txt"
    file.write_text(readings(lab.tolist()))
    words = ("read", str(file), "--job", str(job), "--by", "Asa", "--because", "it came back")
    with in_this_process():
        code, text = ask_here(root, "strip", *words)
    assert code == 0, text
