"""Makes the demonstration studio's files: printer profiles, invented pictures, bad files."""

from __future__ import annotations

from pathlib import Path

from platemark.imaging import print_model
from platemark.imaging.icc import build_matrix_profile
from platemark.imaging.made.files import make_demo_file
from platemark.model.work import MakeReport, MakeTask

PRINTERS = {
    "smooth-rag": print_model.MATTE_RAG,
    "etching-rag": print_model.MATTE_ETCHING,
    "baryta": print_model.BARYTA,
    "canvas-wrap": print_model.CANVAS,
}


def make(task: MakeTask) -> MakeReport:
    """Make one file where the task says."""
    target = Path(task.path)
    if task.kind == "profile":
        target.write_bytes(print_model.make_printer_profile(PRINTERS[task.name]))
        return MakeReport(task.path, target.stat().st_size)
    profile = task.profile
    if task.space:
        beside = target.parent / f".{target.name}.icc"
        beside.write_bytes(build_matrix_profile(task.space))
        profile = str(beside)
    try:
        made = make_demo_file(
            {
                "kind": task.kind,
                "name" if task.kind == "picture" else "bad": task.name,
                "path": task.path,
                "width": task.width,
                "height": task.height,
                "form": task.form,
                "space": task.space,
                "profile_path": profile or None,
                "ppi": float(task.ppi),
            }
        )
    finally:
        if task.space:
            Path(profile).unlink()
    return MakeReport(str(made["path"]), int(made["bytes"]))
