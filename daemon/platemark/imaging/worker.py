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

from platemark.imaging.sandbox import Orphaned, confine, memory_is_spent

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
    if message["step"] == "strip":
        # The library of colour science would load these for what is not asked: half of its start.
        missing: dict[str, Any] = dict.fromkeys(("scipy", "matplotlib", "pandas", "networkx"))
        sys.modules.update(missing)
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
    except BaseException as error:  # a child never raises across
        return {"failure": to_plain(_failure(error, message["limits"]["memory_mb"]))}
    return {"report": to_plain(report)}


def _dispatch(step: str, data: object) -> Report:
    """Load what one step needs and do it; every import is late, so that a step loads no more."""
    from platemark.imaging.steps import STEPS
    from platemark.model.plain import from_plain

    task: Task = from_plain(STEPS[step][0], data)
    return _RUNNERS[step](task)


def _probe(task: Any) -> Report:
    _prepare_vips()
    from platemark.imaging.probe import probe

    return probe(task)


def _measure(task: Any) -> Report:
    _prepare_vips()
    from platemark.imaging.measure import measure

    return measure(task)


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
    from pathlib import Path

    from platemark.imaging.admission import admit_profile
    from platemark.model.work import AdmitReport

    found = admit_profile(Path(task.path).read_bytes(), task.colour_space, intent=task.intent)
    return AdmitReport(
        accepted=found.accepted,
        reasons=found.reasons,
        description=found.description,
        version=found.version,
        black_l=_figure(found.black_lab_absolute[0] if found.black_lab_absolute else None),
        round_trip_mean=_figure(found.round_trip_mean),
        round_trip_p95=_figure(found.round_trip_p95),
    )


def _gamut(task: Any) -> Report:
    from platemark.imaging.gamut_drawing import draw_gamut

    return draw_gamut(task)


def _beside(task: Any) -> Report:
    _prepare_vips()
    from platemark.imaging.beside import draw_beside

    return draw_beside(task)


def _draw(task: Any) -> Report:
    _prepare_vips()
    from platemark.imaging.then_and_now import draw_from_print

    return draw_from_print(task)


def _then_now(task: Any) -> Report:
    _prepare_vips()
    from platemark.imaging.then_and_now import compare_prints

    return compare_prints(task)


def _make(task: Any) -> Report:
    _prepare_vips()
    from platemark.imaging.make import make

    return make(task)


def _papers(task: Any) -> Report:
    from platemark.imaging.paper import draw_papers

    return draw_papers(task)


def _strip(task: Any) -> Report:
    from platemark.imaging.strip_report import report_strip

    return report_strip(task)


def _trend(task: Any) -> Report:
    from platemark.imaging.trend_drawing import draw_trend

    return draw_trend(task)


def _figure(value: float | None) -> str:
    return "" if value is None else f"{value:.2f}"


_RUNNERS = {
    "probe": _probe,
    "measure": _measure,
    "render": _render,
    "check": _check,
    "preview": _preview,
    "admit": _admit,
    "gamut": _gamut,
    "beside": _beside,
    "draw": _draw,
    "then-now": _then_now,
    "make": _make,
    "papers": _papers,
    "strip": _strip,
    "trend": _trend,
}


def _prepare_vips() -> None:
    """Let the pixel library read TIFF, JPEG and PNG and nothing else, and keep nothing."""
    import pyvips

    pyvips.operation_block_set("VipsForeignLoad", True)
    for loader in ("Tiff", "Jpeg", "Png"):
        pyvips.operation_block_set(f"VipsForeignLoad{loader}", False)
    # A cached result would be that of a file's old content.
    pyvips.cache_set_max(0)


def _failure(error: BaseException, memory_mb: int) -> Failure:
    from platemark.imaging.steps import (
        THREAD_SENTENCE,
        PictureFault,
        memory_sentence,
        tells_of_memory,
        tells_of_threads,
    )
    from platemark.model.work import Failure

    trace = "".join(traceback.format_exception(error))
    text = str(error)
    if isinstance(error, PictureFault):
        return Failure("picture", text, trace)
    no_thread = tells_of_threads(text)
    if no_thread and not memory_is_spent():
        return Failure("world", THREAD_SENTENCE, trace)
    if no_thread or isinstance(error, MemoryError) or tells_of_memory(text):
        return Failure("memory", memory_sentence(memory_mb), trace)
    number = getattr(error, "errno", None)
    if _TOO_LARGE in text or number == errno.EFBIG:
        return Failure(
            "picture",
            "The file to be written is larger than one picture may make. Raise the limit in "
            "studio.toml, or order a smaller print.",
            trace,
        )
    if number in _WORLD_ERRNOS or any(words in text for words in _NO_ROOM):
        return Failure("world", f"The disk would not take or give a file: {text}.", trace)
    last = (text.strip().splitlines() or ["no reason was given"])[-1].strip()
    if type(error).__module__.startswith("pyvips"):
        return Failure("picture", f"The picture cannot be worked on: {last}.", trace)
    if type(error).__name__ == "CmsError":
        return Failure("picture", f"Its colours cannot be read by its profile: {last}.", trace)
    return Failure("bug", f"{type(error).__name__}: {last}", trace)


if __name__ == "__main__":
    main()
