"""Records with real entries, of any length, made quickly; and what each of their tables holds."""

import hashlib
import json
import sqlite3
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from platemark.ledger.store import Ledger

BEGAN = datetime(2026, 5, 1, 12, 0, 0, 123456, tzinfo=UTC)


class Clock:
    """A clock that goes a second with each look."""

    def __init__(self) -> None:
        self.at = BEGAN

    def __call__(self) -> datetime:
        """The next second."""
        self.at += timedelta(seconds=1)
        return self.at


def sha(*what: object) -> str:
    return hashlib.sha256(repr(what).encode()).hexdigest()


def claimed(job: int) -> dict[str, Any]:
    return {
        "state": "claimed", "name": f"heron-{job:06d}.tif",
        "drop": {
            "surface_folder": "smooth-rag", "path_hex": f"{job:020x}", "size": 1000 + job,
            "mtime_ns": 1_760_000_000_000_000_000 + job, "inode": job, "device": 66306,
        },
        "original": {"sha256": sha("o", job), "extension": "tif", "bytes": str(1000 + job)},
        "sidecar_hex": None, "sidecar_identity": None,
        "layers": [{"source": "folder “16x20in”", "kind": "statement",
                    "values": [["size", "16x20in"], ["copies", "2"]]}],
        "troubles": [],
    }  # fmt: skip


def examined(job: int, order: object, finding: str = "picture-small") -> dict[str, Any]:
    return {
        "facts": {"format": "tiff", "width": 6000, "height": 7500, "bits": 16, "mode": "RGB",
                  "notes": ["metadata left aside"], "bytes": 270_000_000},
        "request": {"size": "16x20in", "copies": 2, "order": order, "note": None,
                    "title": f"Heron {job}"},
        "sources": [["size", "folder “16x20in”"], ["copies", "sidecar"]],
        "findings": [{"code": finding, "severity": "caution", "message": "It is small. " * 4,
                      "next": "", "accept": "assistant", "figures": [["px", "200"]]}],
        "accepted": [], "lab": "brindlewick", "product": "Small Rag",
        "summary": {"lab": "brindlewick", "purpose": "final", "size": "16x20in", "copies": 2,
                    "due": None, "request_key": sha("k", job), "order": order, "set": None},
        "plan": {"width_px": 4800, "height_px": 6000, "ppi": "300", "dither_seed": 2**63 + job,
                 "face_box": {"left": 0, "top": 0, "width": 4800, "height": 6000}},
        "measures": {"size": "16x20in", "sheet": "16x20in", "border": "none", "wrap": "none"},
        "proof_sha256": sha("p", job),
    }  # fmt: skip


def rendered(job: int) -> dict[str, Any]:
    return {
        "state": "rendered",
        "print_file": {"sha256": sha("r", job), "bytes": "173000000", "extension": "tif"},
        "check": {"passed": True, "mean": "0.02", "p99": "0.05", "largest": "0.31"},
        "changes": [{"code": "read", "text": "Read the original, 6000x7500 TIFF 16 bit.",
                     "before": "a", "after": "b"}],
        "engine": "one library 8.18.7, another 2.19", "source_profile": "sRGB",
    }  # fmt: skip


def parcel(lab: str, number: int, jobs: list[int]) -> dict[str, Any]:
    name = f"{lab}-{number:06d}"
    return {
        "parcel": name, "lab": lab, "number": number, "jobs": jobs,
        "tagmanifest_sha256": sha("t", lab, number), "staging": f"{name}.ab12",
    }  # fmt: skip


def fill(ledger: Ledger, jobs: int, first: int = 1, in_one: int = 4) -> None:
    """Add jobs, one of ten held, the others delivered in parcels of so many."""
    ready: list[int] = []
    for job in range(first, first + jobs):
        with ledger.transaction() as transaction:
            word = transaction.word(f"Order {job % 97}")
            transaction.append("claimed", claimed(job), job=job)
            if job % 10 == 0:
                body = {"state": "held", **examined(job, word, "size-proportion")}
                transaction.append("held", body, job=job)
                continue
            transaction.append("examined", {"state": "examined", **examined(job, word)}, job=job)
            transaction.append("let-go", {"outcome": "taken", "taken": f"{job:x}"}, job=job)
            transaction.append("rendered", rendered(job), job=job)
        ready.append(job)
        if len(ready) == in_one:
            _deliver(ledger, job, ready)
            ready = []


def _deliver(ledger: Ledger, number: int, jobs: list[int]) -> None:
    about = parcel("brindlewick", number, jobs)
    short = {key: about[key] for key in ("parcel", "lab", "jobs", "tagmanifest_sha256")}
    with ledger.transaction() as transaction:
        transaction.append("parcel-sealed", about)
        transaction.append("parcel-closed", short)
        for job in jobs:
            body = {"state": "parcelled", "summary": {"parcel": about["parcel"]}}
            transaction.append("parcelled", body, job=job)
        delivery = {"parcel": about["parcel"], "delivery": sha("d", number)}
        transaction.append("parcel-delivered", {**delivery, "how": "revealed"})
        for job in jobs:
            body = {"state": "delivered", "parcel": about["parcel"]}
            transaction.append("delivered", body, job=job)


def make(path: Path, jobs: int) -> Path:
    """A record of so many jobs that was proved at a start."""
    ledger = Ledger(path, Clock())
    fill(ledger, jobs)
    ledger.verify_from_checkpoint()
    ledger.close()
    return path


def contents(path: Path) -> dict[str, Any]:
    """Everything that a record says, with the kind of each value; what is no record is left out."""
    connection = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro&immutable=1", uri=True)
    connection.text_factory = bytes
    try:
        names = connection.execute(
            "SELECT type, name, tbl_name, sql FROM sqlite_master ORDER BY name"
        ).fetchall()
        found: dict[str, Any] = {"schema": names}
        for kind, name, *_ in names:
            if kind == b"table" and name != b"attempts":
                rows = connection.execute(f"SELECT * FROM {name.decode()}").fetchall()
                found[name.decode()] = sorted(json.dumps([repr(v) for v in row]) for row in rows)
        found["form"] = connection.execute("PRAGMA user_version").fetchone()
        return found
    finally:
        connection.close()
