"""Takes spoilt pictures through the real steps, each step in a confined child of its own.

Run as `through.py FOLDER HOW PRINTED MEASURED KIND=NUMBERS …`; writes a line of JSON for each
mutant. KIND is `picture` or `profile`; NUMBERS are those of mutants, `0:500` or `7`; HOW is
`forked` for children that are forks of this process, which has loaded everything and started no
thread, or `started` for those that the service starts. Of what passes its checks, one in PRINTED is
printed and one in MEASURED measured. The calls are those of `engine`, without its record.

Run as `through.py STUDIO sweep`, it is a sweep of the service over a studio, whose children are
forks of it.
"""

from __future__ import annotations

import hashlib
import json
import os
import resource
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import imagecodecs
import independent
import mutate
import numpy as np
from driver import LOADED, Forked, HurriedClock
from harness import LAB, LAB_FILE, STUDIO, SURFACE
from made_profiles import lab_space

from platemark.app import logs
from platemark.app.context import FAULT, HELD
from platemark.app.service import sweep
from platemark.checks import run_checks
from platemark.engine.examine import _PROOF_MB
from platemark.engine.knowing import know
from platemark.engine.workshop import space_hashes
from platemark.imaging.child import Children
from platemark.imaging.icc import build_matrix_profile
from platemark.model.known import Known, ProfileStanding
from platemark.model.picture import Facts
from platemark.model.plan import Plan
from platemark.model.planning import drawing_lines, make_plan, measuring_of
from platemark.model.request import Layer, resolve
from platemark.model.work import (
    AdmitReport,
    AdmitTask,
    CheckReport,
    CheckTask,
    ChildLimits,
    Failure,
    HeaderLimits,
    MeasureReport,
    MeasureTask,
    ProbeReport,
    ProbeTask,
    RenderReport,
    RenderTask,
)
from platemark.settings.load import load_settings

HEADER = HeaderLimits(600_000_000, 65_500, 4 << 30, 1000, 100_000_000)
LIMITS = ChildLimits(memory_mb=1000, seconds=20, output_mb=200, threads=1)
_DECODING_S, _DECODING_BYTES = 20, 2 << 30

_LAB_APART, _LAB_MEAN = 400, 12
"""16-bit codes between the formulas and the tables of a Lab picture's conversion: at the edge of
what ROMM can hold, and on the whole."""


def make_settings(folder: Path) -> Any:
    """A small studio whose lab takes working spaces, so that most pictures keep their pixels."""
    for kind in ("surfaces", "labs", "profiles"):
        (folder / kind).mkdir(parents=True, exist_ok=True)
    (folder / "studio.toml").write_text(STUDIO)
    (folder / "surfaces/small-rag.toml").write_text(SURFACE)
    front, _, _ = LAB_FILE.partition("[products.profile]")
    lab = front.replace("[products.ppi]", 'working_spaces = ["adobe-rgb", "srgb"]\n[products.ppi]')
    (folder / f"labs/{LAB}.toml").write_text(lab)
    return load_settings(folder)


class Steps:
    """A studio's steps, one mutant after the other."""

    def __init__(self, folder: Path, printed: int = 1, measured: int = 1) -> None:
        """Make a studio in a folder; what passes is printed and measured so often."""
        self._folder, self._one_in, self._passed = folder, (printed, measured), 0
        self._settings = make_settings(folder / "studio")
        self._children = Children()
        self._profiles = {}
        for space in ("srgb", "adobe-rgb", "display-p3", "romm"):
            data = build_matrix_profile(space)
            path = folder / f"{space}.icc"
            path.write_bytes(data)
            self._profiles[hashlib.sha256(data).hexdigest()] = str(path)

    def picture(self, mutant: mutate.Mutant) -> dict[str, Any]:
        """What came of a spoilt picture."""
        path = self._folder / f"original{mutant.seed[-4:]}"
        path.write_bytes(mutant.data)
        probed = self._children.run(ProbeTask(str(path), path.name, HEADER), LIMITS)
        if not isinstance(probed, ProbeReport):
            return _failed("probe", probed)
        known = self._know(probed.facts, path.name)
        stops = {found.code for found in run_checks(known) if found.severity == "stop"}
        if stops:
            return {"came": "stopped", "codes": sorted(stops)}
        self._passed += 1
        prints, measures = (self._passed % every == 0 for every in self._one_in)
        if measures:
            measured = self._measured(known, path)
            if not isinstance(measured, MeasureReport):
                return _failed("measure", measured)
        if not prints:
            return {"came": "passed"}
        plan = make_plan(known, hashlib.sha256(mutant.data).hexdigest(), space_hashes())
        return self._printed(known, plan, path, mutant.data)

    def _know(self, facts: Facts, name: str) -> Known:
        surface = self._settings.surface("small-rag")
        size = "2x3in" if facts.upright_width < facts.upright_height else "3x2in"
        known = know(
            name=name, surface=surface, facts=facts, settings=self._settings,
            resolved=resolve([Layer("a folder", (("size", size), ("edge", "none")))]),
            profile=ProfileStanding("none-needed"), earlier=(), today=date(2026, 3, 2),
        )  # fmt: skip
        return replace(known, untagged="srgb-camera")

    def _measured(self, known: Known, path: Path) -> Any:
        measuring = measuring_of(known, space_hashes())
        assert measuring is not None
        task = MeasureTask(
            str(path), measuring, tuple(self._profiles.items()), str(self._folder / "proof.jpg")
        )
        return self._children.run(task, replace(LIMITS, output_mb=_PROOF_MB))

    def _printed(self, known: Known, plan: Plan, path: Path, data: bytes) -> dict[str, Any]:
        assert known.layout is not None
        profiles = tuple(self._profiles.items())
        made = [str(self._folder / name) for name in ("a.face", "print.tif", "drawing.jpg")]
        lines = drawing_lines(known.layout)
        render = RenderTask(plan, str(path), profiles, made[0], made[1], made[2], lines)
        rendered = self._children.run(render, LIMITS)
        if not isinstance(rendered, RenderReport):
            return _failed("render", rendered)
        check = CheckTask(plan, made[0], made[1], profiles, str(path))
        checked = self._children.run(check, LIMITS)
        if not isinstance(checked, CheckReport):
            return _failed("check", checked)
        if not checked.passed:
            return {"came": "check-failed", "codes": list(checked.reasons)}
        face = np.fromfile(made[0], np.uint16)
        told = apart_from(lambda: list(differences(data, known.facts, plan, face)))
        return {"came": "accepted", "differs": told, "facts": str(known.facts.mode)}

    def profile(self, mutant: mutate.Mutant) -> dict[str, Any]:
        """What came of a spoilt profile that a lab is said to have sent."""
        path = self._folder / "lab.icc"
        path.write_bytes(mutant.data)
        admitted = self._children.run(AdmitTask(str(path), "RGB"), LIMITS)
        if not isinstance(admitted, AdmitReport):
            return _failed("admit", admitted)
        if not admitted.accepted:
            return {"came": "refused", "codes": [reason[:60] for reason in admitted.reasons]}
        return {"came": "accepted", "differs": apart_from(lambda: list(insane(mutant.data)))}


def _failed(step: str, outcome: object) -> dict[str, Any]:
    assert isinstance(outcome, Failure), outcome
    said = {"sentence": outcome.sentence, "trace": outcome.trace[-1500:]}
    return {"came": "failed", "codes": [f"{step}: {outcome.kind}"], **said}


def differences(data: bytes, facts: Facts, plan: Plan, face: Any) -> Iterator[str]:
    """Why no other decoder agrees with a face; nothing where one does."""
    if plan.resample != "none":
        yield "resampled, not compared"
        return
    width, height = plan.placed.width, plan.placed.height
    bands = face.size // (width * height)
    face = face.reshape(height, width, bands)
    crop = plan.crop
    found = []
    for name, stored in independent.readings(data):
        turned = independent.upright(stored, plan.orientation)
        part = turned[crop.top : crop.top + crop.height, crop.left : crop.left + crop.width]
        if part.shape[:2] != (height, width):
            found.append(f"{name} reads {turned.shape[1]} × {turned.shape[0]} px")
            continue
        if facts.mode == "lab":
            wanted = independent.romm_of_lab(part, icc=facts.lab_encoding == "icc")
            most = np.abs(wanted - face.astype(np.float64))
            if most.mean() <= _LAB_MEAN:
                return
        else:
            wanted = independent.in_16_bit(part, bands)
            # Pillow keeps the upper eight of sixteen bits.
            halved = facts.bits == 16 and part.dtype.itemsize == 1
            mine = face // 256 * 257 if halved else face
            most = np.abs(wanted.astype(np.int64) - mine)
            if not most.any():
                return
        found.append(
            f"{name}: {np.count_nonzero(most.any(axis=2))} of {width * height} px differ, by up "
            f"to {most.max():.0f}, on the whole {most.mean():.2f}"
        )
    yield "; ".join(found) or "no other decoder reads it whole"


def insane(data: bytes) -> Iterator[str]:
    """What LittleCMS makes of an admitted profile, both ways, that is not finite or no colour."""
    ramp = np.linspace(0, 1, 9, dtype=np.float32)
    codes = np.stack(np.meshgrid(ramp, ramp, ramp), -1).reshape(1, -1, 3)
    space = lab_space()
    given: dict[str, Any] = {"outdtype": "float32", "intent": 1}
    lab = imagecodecs.cms_transform(
        codes, data, space, colorspace="rgb", outcolorspace="lab", **given
    )
    if not np.isfinite(lab).all():
        yield "colours of it are not finite"
    elif lab[..., 0].min() < -1 or lab[..., 0].max() > 101 or np.abs(lab[..., 1:]).max() > 200:
        yield f"L* from {lab[..., 0].min():.0f} to {lab[..., 0].max():.0f}, a and b beyond all"
    # As a grey wedge through it must get darker from paper to black, as prints do.
    wedge = np.zeros((1, 11, 3), np.float32)
    wedge[..., 0] = np.linspace(100, 0, 11)
    back = imagecodecs.cms_transform(
        wedge, space, data, colorspace="lab", outcolorspace="rgb", **given
    )
    if not np.isfinite(back).all() or back.min() < -0.01 or back.max() > 1.01:
        yield f"codes of it from {back.min():.2f} to {back.max():.2f}"


def apart_from(work: Any) -> list[str]:
    """Do something in a process of its own, for a foreign decoder may crash, too."""
    reads, writes = os.pipe()
    pid = os.fork()
    if pid == 0:
        try:
            resource.setrlimit(resource.RLIMIT_CPU, (_DECODING_S, _DECODING_S))
            resource.setrlimit(resource.RLIMIT_AS, (_DECODING_BYTES, _DECODING_BYTES))
            os.write(writes, json.dumps(work()).encode()[:4000])
            os._exit(0)
        except BaseException as error:
            os.write(writes, json.dumps([f"the comparison failed: {error!r}"[:300]]).encode())
        os._exit(1)
    os.close(writes)
    with os.fdopen(reads, "rb") as stream:
        said = stream.read()
    _, status = os.waitpid(pid, 0)
    if not said:
        return [f"the other decoder broke down ({os.waitstatus_to_exitcode(status)})"]
    answer: list[str] = json.loads(said)
    return answer


def main() -> None:
    """Take each mutant through, and tell how it went and how long it took."""
    assert LOADED
    folder, how, *rest = sys.argv[1:]
    if how != "started":
        subprocess.Popen = Forked  # type: ignore[assignment, misc]
    if how == "sweep":
        logs.configure("json", quiet=True)
        swept = sweep(Path(folder), HurriedClock())
        sys.exit(FAULT if swept.fault else HELD if swept.held or swept.sheets else 0)
    printed, measured, *wanted = rest
    steps = Steps(Path(folder), int(printed), int(measured))
    for kind, number in chosen(wanted):
        make = mutate.picture_mutant if kind == "picture" else mutate.profile_mutant
        mutant = make(number)
        began = time.monotonic()
        came = steps.picture(mutant) if kind == "picture" else steps.profile(mutant)
        took = round(time.monotonic() - began, 3)
        told = {"kind": kind, "number": number, "seed": mutant.seed, "how": mutant.how}
        print(json.dumps({**told, "took": took, **came}), flush=True)


def chosen(wanted: Sequence[str]) -> Iterator[tuple[str, int]]:
    """Kind and number of every mutant that is asked for."""
    for each in wanted:
        kind, _, numbers = each.partition("=")
        first, _, end = numbers.partition(":")
        for number in range(int(first), int(end or int(first) + 1)):
            yield kind, number


if __name__ == "__main__":
    main()
