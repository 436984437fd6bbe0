"""What an entry says of a job that comes from a ticket, a held folder or a damaged table."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from platemark.engine.examine import PROOF
from platemark.engine.knowing import ANY_REQUEST, broad_key
from platemark.engine.rescue_look import FoundParcel, archived_as
from platemark.ledger.approvals import APPROVED_BY
from platemark.ledger.edition_tables import EDITION
from platemark.ledger.store import Transaction
from platemark.ledger.threads import REMAKE_OF, REPRINT_OF
from platemark.model.edition import TOGETHER
from platemark.model.job import shown_name
from platemark.model.plain import to_plain
from platemark.model.request import PERSONAL_KEYS
from platemark.model.ticket import Ticket, TicketEdition
from platemark.model.units import BadSize, parse_full_size

SENT = ("parcelled", "delivered")
_REMAINS = "what was left of the record"
_LINKS = {"approved-test": APPROVED_BY, "remake": REMAKE_OF, "reprint": REPRINT_OF}
"""What a ticket tells of earlier prints, as links of the record."""


def as_claimed(surface: str, name: str) -> dict[str, Any]:
    """What an entry of a claimed file has, where nothing more is known of the drop."""
    path = os.fsencode(f"{surface}/{name.replace('/', '_')}")
    return {
        "name": shown_name(os.fsencode(name)),
        "surface": surface,
        "drop": {
            "surface_folder": surface,
            "path_hex": path.hex(),
            "size": 0,
            "mtime_ns": 0,
            "inode": 0,
            "device": 0,
        },
        "sidecar_hex": None,
        "sidecar_identity": None,
        "layers": [],
        "troubles": [],
    }


def body_of_ticket(
    archive: Path, transaction: Transaction, parcel: FoundParcel, ticket: Ticket, state: str
) -> dict[str, Any]:
    """A job of a parcel, as its ticket tells it."""
    original, printed = ticket.original, ticket.print_file
    request = to_plain(ticket.request)
    for key in (*PERSONAL_KEYS, "set"):
        if request.get(key) is not None:
            request[key] = transaction.word(request[key])
    usual = {"TIFF": "tif", "JPEG": "jpg", "PNG": "png"}.get(original.format, "bin")
    return {
        "state": state,
        "from": "ticket",
        **as_claimed(ticket.request.surface, original.name),
        "original": {
            "sha256": original.sha256,
            "extension": archived_as(archive, original.sha256) or usual,
            "bytes": str(original.bytes),
        },
        "print_file": {
            "sha256": printed.sha256,
            "extension": archived_as(archive, printed.sha256) or printed.path.rpartition(".")[2],
            "bytes": str(printed.bytes),
        },
        "changes": to_plain(ticket.changes),
        "engine": ticket.colour.engine,
        "source_profile": ticket.colour.source_profile,
        "request": request,
        "lab": parcel.lab,
        "product": ticket.request.product,
        "measures": {key: request[key] for key in ("size", "sheet", "border", "wrap")},
        "findings": [
            {"code": f.code, "severity": f.severity, "message": f.message, "next": ""}
            for f in ticket.findings
        ],
        "accepted": [],
        "links": [{"other": each.job, "kind": _LINKS[each.kind]} for each in ticket.thread],
        **({PROOF: ticket.proof.sha256} if ticket.proof is not None else {}),
        **({EDITION: _edition_of(ticket.edition)} if ticket.edition is not None else {}),
        "summary": {
            "lab": parcel.lab,
            "purpose": ticket.request.purpose,
            "size": ticket.request.size,
            "copies": ticket.request.copies,
            "due": ticket.request.due,
            "request_key": _key_of(parcel.lab, ticket),
            "order": request["order"],
            "set": request["set"],
            "parcel": parcel.name,
        },
    }


def body_of_row(archive: Path, row: Mapping[str, Any]) -> dict[str, Any] | None:
    """A job as a damaged table tells it; None where the row makes no sense.

    One that was not sent by then comes back as claimed, and is held for a person's word.
    """
    name, surface, sha256 = row["original_name"], row["surface"], row["original_sha256"]
    if not all(isinstance(text, str) and text for text in (name, surface, sha256)):
        return None
    state = row["state"] if row["state"] in (*SENT, "withdrawn") else "claimed"
    summary = {
        key: row[key] for key in ("lab", "purpose", "size", "due", "request_key", "parcel")
        if isinstance(row[key], str)
    }  # fmt: skip
    if isinstance(row["copies"], int):
        summary["copies"] = row["copies"]
    words = {"order": row["order_word"], "set": row["set_word"]}
    summary |= {key: {"word": word} for key, word in words.items() if isinstance(word, str)}
    asked = [
        [key, str(summary[key])] for key in ("size", "copies", "lab", "purpose", "due")
        if key in summary
    ]  # fmt: skip
    asked += [[key, summary[key]] for key in ("order", "set") if key in summary]
    printed = row["print_sha256"]
    body = {
        "state": state,
        "from": "damaged-table",
        **as_claimed(surface, name),
        "layers": [{"source": _REMAINS, "kind": "statement", "values": asked}],
        "original": {"sha256": sha256, "extension": archived_as(archive, sha256) or "bin"},
        "findings": [],
        "accepted": [],
        "summary": summary if state != "claimed" else {},
    }
    if state != "claimed":
        size = summary.get("size", "unknown")
        body["measures"] = {"size": size, "sheet": size, "border": "none", "wrap": "none"}
        body |= {"lab": summary.get("lab"), "product": None}
        body["request"] = {
            "copies": summary.get("copies", 1),
            "purpose": summary.get("purpose", "final"),
            "title": None,
            "order": summary.get("order"),
        }
    if state != "claimed" and isinstance(printed, str):
        extension = archived_as(archive, printed) or "tif"
        body["print_file"] = {"sha256": printed, "extension": extension}
    return body


def _edition_of(edition: TicketEdition) -> dict[str, Any]:
    """The numbers that a lost record gave; they are not given again."""
    return {
        "id": edition.id,
        "name": edition.name or edition.id,
        "of": edition.of,
        "part": edition.size or TOGETHER,
        "kind": edition.kind,
        "numbers": list(edition.numbers),
    }


def _key_of(lab: str, ticket: Ticket) -> str:
    request = ticket.request
    try:
        size, sheet = parse_full_size(request.size), parse_full_size(request.sheet)
    except BadSize:
        return ANY_REQUEST
    return broad_key(request.surface, lab, size, sheet, request.purpose)
