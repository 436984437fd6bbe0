"""The word to the service manager, as a manager hears it on a real socket (sd_notify(3))."""

import socket
import threading
from collections.abc import Iterator
from itertools import count
from pathlib import Path

import pytest

from platemark import durable
from platemark.app import notify
from platemark.app.notify import Notifier


@pytest.fixture(params=["path", "abstract"])
def manager(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[socket.socket, str]]:
    """A listening manager, and what it writes into NOTIFY_SOCKET."""
    told = (
        str(tmp_path / "told")
        if request.param == "path"
        else f"@platemark-{tmp_path.name}-{id(request)}"
    )
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
        heard.bind(told.replace("@", "\0") if told.startswith("@") else told)
        heard.settimeout(0.2)
        yield heard, told


def all_of(heard: socket.socket) -> list[str]:
    found = []
    while True:
        try:
            found.append(heard.recv(4096).decode())
        except TimeoutError:
            return found


def test_what_a_manager_hears(manager: tuple[socket.socket, str]) -> None:
    """Ready, news once and in one line, the watchdog a few times within its patience, the end."""
    heard, address = manager
    environment = {"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "20000000", "PATH": "/bin"}
    notifier = Notifier(environment)
    assert environment == {"PATH": "/bin"}
    assert notifier.watchdog_s == 20
    notifier.ready()
    notifier.status("2 in\nwork")
    notifier.status("2 in work")
    notifier.alive()
    notifier.alive()
    notifier.stopping()
    notifier.close()
    notifier.ready()
    ready, status, fed, end = all_of(heard)
    assert (ready, status, fed) == ("READY=1", "STATUS=2 in work", "WATCHDOG=1")
    assert end.startswith("STOPPING=1\n")


def test_only_the_services_own_thread_feeds(
    manager: tuple[socket.socket, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What other threads move says nothing of a service that hangs; time makes another due."""
    heard, address = manager
    notifier = Notifier({"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "20000000"})
    other = threading.Thread(target=notifier.alive)
    other.start()
    other.join()
    assert all_of(heard) == []
    notifier.alive()
    now = notify.time.monotonic()
    monkeypatch.setattr(notify.time, "monotonic", lambda: now + 6)
    notifier.alive()
    assert all_of(heard) == ["WATCHDOG=1", "WATCHDOG=1"]
    notifier.close()


def test_bytes_that_move_feed(
    manager: tuple[socket.socket, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A parcel that takes longer than the patience: each part of a file that goes through feeds."""
    heard, address = manager
    notifier = Notifier({"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "20000000"})
    slow = count(0, 6)
    monkeypatch.setattr(notify.time, "monotonic", lambda: next(slow))
    (tmp_path / "print.tif").write_bytes(bytes(4 << 20))
    durable.tell_progress(notifier.alive)
    try:
        durable.hash_file(tmp_path / "print.tif")
        assert len(all_of(heard)) == 4
        durable.copy_out(tmp_path / "print.tif", tmp_path / "copy.tif")
        assert len(all_of(heard)) >= 2
    finally:
        durable.tell_progress(None)
        notifier.close()


def test_without_a_manager_nothing_is_said() -> None:
    """No socket, one of an unknown kind, one that is gone, a watchdog for another process."""
    for environment in (
        {}, {"NOTIFY_SOCKET": "vsock:2:1"}, {"NOTIFY_SOCKET": "/nowhere/told"},
        {"NOTIFY_SOCKET": "@nobody-here", "WATCHDOG_USEC": "1000000", "WATCHDOG_PID": "1"},
    ):  # fmt: skip
        notifier = Notifier(environment)
        assert notifier.watchdog_s == 0
        notifier.ready()
        notifier.alive()
        notifier.close()
