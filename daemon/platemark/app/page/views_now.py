"""The first view: what is being prepared, what waits its turn, what is held, what went out last."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from platemark.app.coming_words import wait_words
from platemark.app.page.progress import UnderWay, under_way
from platemark.app.page.site import Site, View
from platemark.app.page.studio_seen import StudioSeen, is_served
from platemark.app.page.words import (
    PARCEL_SHAPES,
    STATES,
    asked_words,
    count_words,
    moment_words,
    parcel_words,
)
from platemark.engine.morning_state import morning_troubles
from platemark.intake.plain_text import flat
from platemark.ledger.read import JobRow, ParcelRow, Reader
from platemark.ledger.search import Search
from platemark.model.job import State, job_number

SHOWN = 8
PARCELS = 10


def now(site: Site, request: Request) -> Response:
    """The first view."""
    return site.show(request, "now", **_state(site.seen))


def now_json(site: Site, _: Request) -> Response:
    """The same for the script that keeps it current."""
    return JSONResponse(_state(site.seen))


def _state(seen: StudioSeen) -> dict[str, Any]:
    with seen.reading() as reader:
        search = seen.search(reader)
        counts = search.counts()
        working = under_way(reader, seen.folders.work)
        busy = {each.row.job for each in working}
        waiting = [item for state in _STATES for item in _waiting(seen, search, state, busy)]
        held = search.in_state("held", SHOWN, newest=True)
        waiting_count = sum(counts.get(each, 0) for each in _STATES) - len(busy)
        return {
            "said": f"As of {seen.now():%H:%M:%S}",
            "service": _service_words(seen),
            "troubles": [
                flat(f"{line.text} {line.next}").replace("`", "")
                for line in morning_troubles(reader, seen.settings, datetime.now(UTC))
            ],
            "counts": {
                "working": _pictures(len(working)),
                "waiting": _pictures(waiting_count),
                "held": _pictures(counts.get("held", 0)),
                "every": str(counts.get("held") or ""),
                "unshown": _unshown(waiting_count - len(waiting)),
            },
            "lists": {
                "working": [_working_item(seen, each) for each in working],
                "waiting": waiting,
                "held": [_item(seen, row, _why(reader, row)) for row in held],
                "parcels": [
                    _parcel_item(seen, reader, row) for row in search.newest_parcels(PARCELS)
                ],
            },
        }


_STATES: tuple[State, ...] = ("rendered", "examined", "claimed")
_WAITS_FOR = {
    "claimed": "waits to be looked at",
    "examined": "waits to be prepared",
    "rendered": "waits for its parcel to close",
}


def _service_words(seen: StudioSeen) -> str:
    served = is_served(seen.root)
    if served is None:
        return ""
    if served:
        return "The service is at work."
    return "No service is running: nothing goes on until platemark run or sweep is started."


def _pictures(count: int) -> str:
    return count_words(count, "picture", "pictures") if count > 0 else ""


def _unshown(count: int) -> str:
    return f"And {count:,} more; Search finds each of them." if count > 0 else ""


def _waiting(
    seen: StudioSeen, search: Search, state: State, busy: set[int]
) -> list[dict[str, Any]]:
    rows = [row for row in search.in_state(state, SHOWN + len(busy)) if row.job not in busy]
    waits = {row.job: wait_words(seen.settings, row, datetime.now(UTC)) for row in rows[:SHOWN]}
    return [
        _item(seen, row, f"waits {waits[row.job]}" if waits[row.job] else _WAITS_FOR[state])
        for row in rows[:SHOWN]
    ]


def _working_item(seen: StudioSeen, each: UnderWay) -> dict[str, Any]:
    stage = each.stage if each.done is None else f"{each.stage}: {each.done} %"
    return _item(seen, each.row, stage) | {"done": each.done}


def _item(seen: StudioSeen, row: JobRow, note: str) -> dict[str, Any]:
    return {
        "href": f"/job/{row.job}",
        "number": job_number(row.job),
        "name": flat(row.original_name),
        "note": flat(note),
        "asked": asked_words(row, seen.surface_name(row.surface), seen.lab_name(row.lab)),
        "state": row.state,
        "word": STATES[row.state],
        "when": moment_words(seen.local(row.moved_at), seen.now()),
    }


def _why(reader: Reader, row: JobRow) -> str:
    findings = reader.body(row.held_seq).get("findings", [])
    stops = [each["message"] for each in findings if each["severity"] == "stop"]
    more = f" And {count_words(len(stops) - 1, 'reason', 'reasons')} more." if stops[1:] else ""
    return f"{stops[0]}{more}" if stops else "It waits for a word."


def parcel_count(reader: Reader, name: str) -> int:
    """How many jobs a parcel holds."""
    return int(reader.ask("jobs", "SELECT count(*) FROM jobs WHERE parcel = ?", name)[0][0])


def _parcel_item(seen: StudioSeen, reader: Reader, row: ParcelRow) -> dict[str, Any]:
    entry = reader.entry(row.seq)
    at = moment_words(seen.local(entry.at), seen.now()) if entry is not None else ""
    count = parcel_count(reader, row.name)
    what = count_words(count, "job", "jobs") if count else "a notice"
    return {
        "href": f"/parcel/{row.name}",
        "number": "",
        "name": row.name,
        "note": parcel_words(row, entry),
        "asked": f"{what} for {flat(seen.lab_name(row.lab))}",
        "state": PARCEL_SHAPES.get(row.state, "claimed"),
        "word": parcel_words(row, entry),
        "when": at,
    }


VIEWS: tuple[tuple[str, View], ...] = (("/", now), ("/now.json", now_json))
