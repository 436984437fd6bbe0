"""`/metrics` in the OpenMetrics text format, and what `/healthz` says."""

from __future__ import annotations

import shutil
from collections.abc import Iterable
from datetime import UTC, datetime

from prometheus_client.core import (
    CounterMetricFamily,
    GaugeMetricFamily,
    InfoMetricFamily,
    Metric,
)
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.registry import Collector, CollectorRegistry

from platemark import __version__
from platemark.app.page.guard import Guard
from platemark.app.page.studio_seen import StudioSeen, is_served
from platemark.app.page.words import PARCEL_STATES, STATES
from platemark.ledger.keeping import Keeping
from platemark.ledger.read import Reader
from platemark.model.errors import PlatemarkError

CONTENT_TYPE = CONTENT_TYPE_LATEST


class _Figures(Collector):
    """What the record and the disk say at the moment of being asked."""

    def __init__(self, seen: StudioSeen, reader: Reader, guard: Guard | None) -> None:
        self._seen = seen
        self._reader = reader
        self._guard = guard

    def collect(self) -> Iterable[Metric]:
        """Every figure, once."""
        yield InfoMetricFamily("platemark", "The program", value={"version": __version__})
        served = is_served(self._seen.root)
        if served is not None:
            yield GaugeMetricFamily(
                "platemark_service_running", "Whether a service has the studio", int(served)
            )
        yield from self._of_jobs()
        yield from self._of_record()
        free = shutil.disk_usage(self._seen.root)
        disk = GaugeMetricFamily(
            "platemark_disk_bytes", "The studio's disk", labels=["what"], unit="bytes"
        )
        disk.add_metric(["free"], free.free)
        disk.add_metric(["size"], free.total)
        yield disk
        if self._guard is not None:
            yield _counter("platemark_page_answers", "Answers of the page", self._guard.answered)
            yield _counter("platemark_page_refused", "Requests refused", self._guard.refused)

    def _of_jobs(self) -> Iterable[Metric]:
        search = self._seen.search(self._reader)
        counts, parcels = search.counts(), search.parcel_counts()
        jobs = GaugeMetricFamily("platemark_jobs", "Jobs by their state", labels=["state"])
        for state in STATES:
            jobs.add_metric([state], counts.get(state, 0))
        yield jobs
        closed = GaugeMetricFamily("platemark_parcels", "Parcels by their state", labels=["state"])
        for state in PARCEL_STATES:
            closed.add_metric([state], parcels.get(state, 0))
        yield closed
        oldest = search.in_state("held", 1)
        age = _age(oldest[0].moved_at) if oldest else 0.0
        yield GaugeMetricFamily(
            "platemark_oldest_held_seconds", "How long the first held job waits", age,
            unit="seconds",
        )  # fmt: skip

    def _of_record(self) -> Iterable[Metric]:
        head = self._reader.head()
        yield CounterMetricFamily("platemark_entries", "Entries of the record", head.seq)
        newest = self._reader.entry(head.seq)
        if newest is not None:
            yield GaugeMetricFamily(
                "platemark_last_entry_timestamp_seconds", "When the newest entry was written",
                datetime.fromisoformat(newest.at).timestamp(), unit="seconds",
            )  # fmt: skip
        keeping = Keeping(self._reader)
        damages = len(keeping.damages())
        yield GaugeMetricFamily("platemark_damaged_files", "Files found damaged", damages)


def _counter(name: str, words: str, counts: dict[str, int]) -> CounterMetricFamily:
    family = CounterMetricFamily(name, words, labels=["kind"])
    for kind, count in sorted(counts.items()):
        family.add_metric([kind], count)
    return family


def _age(stamp: str) -> float:
    return max(0.0, (datetime.now(UTC) - datetime.fromisoformat(stamp)).total_seconds())


def metrics_text(seen: StudioSeen, reader: Reader, guard: Guard | None) -> bytes:
    """Everything that is measured, in OpenMetrics text 1.0."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Figures(seen, reader, guard))
    text: bytes = generate_latest(registry)  # type: ignore[no-untyped-call]
    return text


def health(seen: StudioSeen) -> tuple[bool, str]:
    """Whether the record can be read and a service is at work, and a sentence that says so."""
    try:
        with seen.reading() as reader:
            seq = reader.head().seq
    except PlatemarkError as error:
        return False, error.sentence
    served = is_served(seen.root)
    if served is False:
        return False, "No service is running."
    return True, f"The record can be read, up to entry {seq}."
