"""The child's side: confine this process, do one step, say what came of it.

Started as `python -I -m platemark.imaging.worker` with one JSON object on its standard input, and
answers with one on its standard output. Whatever goes wrong is a value in that answer; only a
broken process says nothing.
"""

from __future__ import annotations

import errno
import json
import os
import sys
import traceback
from typing import TYPE_CHECKING, Any

from platemark.imaging.sandbox import Orphaned, confine

if TYPE_CHECKING:
    from platemark.model.work import Failure, Report, Task

_WORLD_ERRNOS = {errno.ENOSPC, errno.EDQUOT, errno.EIO, errno.EROFS, errno.EAGAIN, errno.EMFILE}
_NO_ROOM = ("No space left", "Disk quota exceeded", "Input/output error", "Read-only file system")
_TOO_LARGE = "File too large"


def main() -> None:
    """Read a task, do it, print the answer."""
    answer_pipe = _own_answer_pipe()
    try:
        message = json.loads(sys.stdin.buffer.read())
        confine(**message["limits"])
    except Orphaned:
        return
    answer = _do(message)
    with os.fdopen(answer_pipe, "w", encoding="ascii") as stream:
        json.dump(answer, stream)
    sys.stderr.flush()
    # Nothing is left to do, and a library's tidying at exit could still crash.
    os._exit(0)


def _own_answer_pipe() -> int:
    """Keep standard output for the answer alone; what a library prints goes to the trace."""
    kept = os.dup(1)
    os.dup2(2, 1)
    return kept


def _do(message: dict[str, Any]) -> dict[str, Any]:
    from platemark.model.plain import to_plain

    try:
        report = _dispatch(message["step"], message["task"])
    except BaseException as error:  # noqa: BLE001 - a child never raises across
        return {"failure": to_plain(_failure(error, message["limits"]["memory_mb"]))}
    return {"report": to_plain(report)}


def _dispatch(step: str, data: object) -> Report:
    """Load what one step needs and do it; every import is late, so that a step loads no more."""
    from platemark.imaging.child import STEPS
    from platemark.model.plain import from_plain

    task: Task = from_plain(STEPS[step][0], data)
    return _RUNNERS[step](task)


def _probe(task: Any) -> Report:
    _prepare_vips()
    from platemark.imaging.probe import probe

    return probe(task)


def _render(task: Any) -> Report:
    _prepare_vips()
    from platemark.imaging.render import render

    return render(task)


def _check(task: Any) -> Report:
    _prepare_vips()
    from platemark.imaging.check import check

    return check(task)


def _preview(task: Any) -> Report:
    _prepare_vips()
    from platemark.imaging.preview import preview

    return preview(task)


def _admit(task: Any) -> Report:
    from platemark.imaging.admission import admit_profile

    return admit_profile(task)


def _make(task: Any) -> Report:
    _prepare_vips()
    from platemark.imaging.made_pictures import make_demo_file

    return make_demo_file(task)


_RUNNERS = {
    "probe": _probe,
    "render": _render,
    "check": _check,
    "preview": _preview,
    "admit": _admit,
    "make": _make,
}


def _prepare_vips() -> None:
    """Let the pixel library read TIFF, JPEG and PNG and nothing else, and keep nothing."""
    import pyvips

    pyvips.operation_block_set("VipsForeignLoad", True)
    for loader in ("Tiff", "Jpeg", "Png"):
        pyvips.operation_block_set(f"VipsForeignLoad{loader}", False)
    # Our own converted strips come back through the raw loader, which parses nothing.
    pyvips.operation_block_set("VipsForeignLoadRaw", False)
    # A cached result would be that of a file's old content.
    pyvips.cache_set_max(0)


def _failure(error: BaseException, memory_mb: int) -> Failure:
    from platemark.imaging.child import memory_sentence
    from platemark.model.work import Failure

    trace = "".join(traceback.format_exception(error))
    text = str(error)
    if _is_lack_of_memory(error, text):
        return Failure("memory", memory_sentence(memory_mb), trace)
    if _is_thread_trouble(text):
        return Failure("world", "The system would not let a child process start a thread.", trace)
    if _TOO_LARGE in text or getattr(error, "errno", None) == errno.EFBIG:
        return Failure(
            "picture",
            "The file to be written is larger than one picture may make. Raise the limit in "
            "studio.toml, or order a smaller print.",
            trace,
        )
    if getattr(error, "errno", None) in _WORLD_ERRNOS or any(word in text for word in _NO_ROOM):
        return Failure("world", f"The disk would not take or give a file: {text}.", trace)
    sentence = getattr(error, "picture_sentence", "")
    if sentence:
        return Failure("picture", sentence, trace)
    first = text.strip().splitlines()
    if type(error).__module__.startswith("pyvips"):
        said = first[-1].strip() if first else "no reason was given"
        return Failure("picture", f"The picture cannot be worked on: {said}.", trace)
    return Failure("bug", f"{type(error).__name__}: {first[0] if first else ''}", trace)


def _is_lack_of_memory(error: BaseException, text: str) -> bool:
    lowered = text.lower()
    return isinstance(error, MemoryError) or any(
        words in lowered for words in ("out of memory", "unable to allocate", "cannot allocate")
    )


def _is_thread_trouble(text: str) -> bool:
    lowered = text.lower()
    return any(
        words in lowered
        for words in ("start a thread", "start new thread", "create thread", "creating thread")
    )


if __name__ == "__main__":
    main()
