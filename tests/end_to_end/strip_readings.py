"""A stand-in for an instrument: reads a print file's strip as paper would show it, by `transicc`.

`transicc` (Debian, liblcms2-utils) is LittleCMS by its own program; it writes the CGATS text.
"""

import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import tifffile

from platemark.app.open_studio import reading
from platemark.model.patch_strip import PATCHES
from platemark.model.plain import from_plain
from platemark.model.plan import Plan


def device_values(root: Path, job: int) -> tuple[np.ndarray[Any, Any], bytes]:
    """What lies in the middle of every patch of a job's archived print file, and its profile."""
    with reading(root) as reader:
        row = reader.job(job)
        assert row is not None
        plan = from_plain(Plan, reader.body(row.examined_seq)["plan"])
        file = root / "archive" / str(row.print_sha256)[:2] / f"{row.print_sha256}.tif"
    assert plan.strip is not None
    with tifffile.TiffFile(file) as opened:
        pixels = opened.pages[0].asarray()
        profile = opened.pages[0].tags[34675].value
    scale = 257 if pixels.dtype == np.uint16 else 1
    spots = [
        pixels[box.top + 3 : box.top + box.height - 3, box.left + 3 : box.left + box.width - 3]
        for _, box in plan.strip.patches()
    ]
    # An instrument's opening takes in many pixels, so the dither evens out.
    return np.array([spot.mean(axis=(0, 1)) for spot in spots]) / scale, profile


def by_transicc(values: np.ndarray[Any, Any], profile: bytes, scratch: Path) -> str:
    """CGATS text of the Lab that a profile says of device values, ICC-absolute."""
    scratch.mkdir(parents=True, exist_ok=True)
    (scratch / "print.icc").write_bytes(profile)
    rows = [
        f'{n} "{patch.name}" ' + " ".join(f"{value:.4f}" for value in row)
        for n, (patch, row) in enumerate(zip(PATCHES, values, strict=True), 1)
    ]
    asked = [
        "CGATS.17", 'ORIGINATOR "test"', "NUMBER_OF_FIELDS 5", "BEGIN_DATA_FORMAT",
        "SAMPLE_ID SAMPLE_NAME RGB_R RGB_G RGB_B", "END_DATA_FORMAT",
        f"NUMBER_OF_SETS {len(rows)}", "BEGIN_DATA", *rows, "END_DATA", "",
    ]  # fmt: skip
    (scratch / "asked.txt").write_text("\n".join(asked))
    subprocess.run(
        ["transicc", "-i", "print.icc", "-o", "*Lab", "-t3", "-c0", "asked.txt", "answered.txt"],
        cwd=scratch, check=True, capture_output=True, timeout=60,
    )  # fmt: skip
    return (scratch / "answered.txt").read_text()


def readings(
    values: list[list[float]], *, condition: str = "M1", names: bool = True, head: str = ""
) -> str:
    """CGATS text as an instrument's program may write it, of Lab in the strip's order."""
    rows = [
        f"{n}\t"
        + (f'"{patch.name}"\t' if names else "")
        + "\t".join(map(str, patch.rgb))
        + "\t"
        + "\t".join(f"{value:.2f}" for value in lab)
        for n, (patch, lab) in enumerate(zip(PATCHES, values, strict=True), 1)
    ]
    fields = "SAMPLE_ID" + (" SAMPLE_NAME" if names else "")
    said = f'MEASUREMENT_SOURCE "MeasurementCondition={condition}"\n' if condition else ""
    return (
        f'CGATS.17\nINSTRUMENTATION "an invented one"\n{said}{head}NUMBER_OF_FIELDS '
        f"{8 if names else 7}\nBEGIN_DATA_FORMAT\n{fields} RGB_R RGB_G RGB_B LAB_L LAB_A LAB_B\n"
        f"END_DATA_FORMAT\nNUMBER_OF_SETS {len(rows)}\nBEGIN_DATA\n"
        + "\n".join(rows)
        + "\nEND_DATA\n"
    )


def lab_in(text: str) -> list[list[float]]:
    """The Lab of each patch in `transicc`'s answer."""
    rows = text.split("BEGIN_DATA\n")[1].split("END_DATA")[0].strip().splitlines()
    return [[float(value) for value in row.split()[-3:]] for row in rows]
