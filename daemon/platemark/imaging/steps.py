"""The steps that a child process does, and how one that failed is told to a person."""

from __future__ import annotations

from platemark.model.work import (
    AdmitReport,
    AdmitTask,
    BesideReport,
    BesideTask,
    CheckReport,
    CheckTask,
    DrawReport,
    DrawTask,
    GamutReport,
    GamutTask,
    MakeReport,
    MakeTask,
    MeasureReport,
    MeasureTask,
    PapersReport,
    PapersTask,
    PreviewReport,
    PreviewTask,
    ProbeReport,
    ProbeTask,
    RenderReport,
    RenderTask,
    Report,
    StripReport,
    StripTask,
    Task,
    ThenNowReport,
    ThenNowTask,
    TrendReport,
    TrendTask,
)

STEPS: dict[str, tuple[type[Task], type[Report]]] = {
    "probe": (ProbeTask, ProbeReport),
    "measure": (MeasureTask, MeasureReport),
    "render": (RenderTask, RenderReport),
    "check": (CheckTask, CheckReport),
    "preview": (PreviewTask, PreviewReport),
    "admit": (AdmitTask, AdmitReport),
    "gamut": (GamutTask, GamutReport),
    "beside": (BesideTask, BesideReport),
    "draw": (DrawTask, DrawReport),
    "then-now": (ThenNowTask, ThenNowReport),
    "make": (MakeTask, MakeReport),
    "papers": (PapersTask, PapersReport),
    "strip": (StripTask, StripReport),
    "trend": (TrendTask, TrendReport),
}
"""Name of each step, with its task and its report."""

# Words of libvips, GLib, NumPy and CPython, for want of codes.
_OUT_OF_MEMORY = (
    "memoryerror",
    "out of memory",
    "failed to allocate",
    "unable to allocate",
    "cannot allocate",
    "insufficient memory",
    "memory allocation still failed",
    "failed to map segment",
)
_NO_THREAD = ("start a thread", "start new thread", "create thread", "creating thread")


class PictureFault(ValueError):
    """A picture cannot be worked on as its plan says; the text is one sentence for a person."""


def tells_of_memory(text: str) -> bool:
    """Whether an error's text says that memory ran out."""
    lowered = text.lower()
    return any(words in lowered for words in _OUT_OF_MEMORY)


def tells_of_threads(text: str) -> bool:
    """Whether an error's text says that the system would not start a thread."""
    lowered = text.lower()
    return any(words in lowered for words in _NO_THREAD)


def memory_sentence(memory_mb: int) -> str:
    """Say that a picture needs more memory than it may have."""
    return (
        f"This picture needs more than the {memory_mb} MB of memory that one picture may use. "
        "Raise the limit in studio.toml, or save the picture smaller or not progressive."
    )


THREAD_SENTENCE = "The system would not let a child process start a thread."
