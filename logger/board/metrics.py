"""GET /metrics: what the daemon tells of itself, in the text format of Prometheus.

Every name is explained in deploy/observe/METRICS.md. Names of instruments and followers come from the
configuration, reasons, kinds and states from the program, so that the number of series is bounded.
Rates, tallies and masses are no metrics: they go to the store, with lot and run.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Iterable, Iterator
from functools import partial
from typing import TYPE_CHECKING, Any, TypeAlias

from fastapi import FastAPI
from starlette.responses import Response

from logger.board.observed import FollowerSeen, Instrument, Observed, Observer, Written
from logger.board.problems import problem
from logger.core.alarm_states import State

if TYPE_CHECKING:
    from prometheus_client.metrics_core import Metric

MEDIA_TYPE = "text/plain; version=0.0.4; charset=utf-8"
STATES = ("starting", "live", "behind", "retrying", "paused")
"""Of a follower; see `followers.contract.Standing`."""

InThread: TypeAlias = Callable[[Callable[[], Any]], Awaitable[Any]]
Labels: TypeAlias = tuple[str, ...]


def add_metrics_route(app: FastAPI, observer: Observer, in_thread: InThread) -> None:
    """Add it to an application that is guarded already."""

    @app.get("/metrics")
    async def metrics() -> Response:
        try:
            body = await in_thread(partial(_scrape, observer))
        except TimeoutError as error:
            return problem(
                503,
                f"The daemon's figures can't be had: {error}.",
                "Look at /readyz and at the daemon's log.",
                code="no-figures",
            )
        return Response(body, headers={"Content-Type": MEDIA_TYPE})


def _scrape(observer: Observer) -> bytes:
    return exposition(observer.observe())


def exposition(seen: Observed) -> bytes:
    """The text of a scrape."""
    from prometheus_client import CollectorRegistry, generate_latest  # 40 ms: only for who is scraped

    class Collector:
        def collect(self) -> Iterator[Metric]:
            return families(seen)

    registry = CollectorRegistry()
    registry.register(Collector())
    return generate_latest(registry)


def families(seen: Observed) -> Iterator[Metric]:
    """All that is measured, in the order of METRICS.md."""
    yield _gauge("build_info", "The version that runs; always 1.", ("version",), [((seen.version,), 1)])
    yield from _instruments(seen.instruments)
    yield from _journal(seen)
    yield from _room(seen)
    yield from _followers(seen.followers)
    yield from _alarms(seen)
    difference = [(("frames",), seen.frames_difference)]
    difference += [((each.name,), each.difference) for each in seen.followers]
    yield _gauge(
        "ledger_difference",
        "Pieces that are not accounted for, by ledger; anything but 0 is a fault of the program.",
        ("ledger",),
        difference,
    )


def _instruments(instruments: Iterable[Instrument]) -> Iterator[Metric]:
    label = ("instrument",)
    for make, name, text, what in (
        (_gauge, "instrument_up", "Whether an instrument's link is up.", "up"),
        (_counter, "instrument_received_bytes", "Bytes read from an instrument's wire.", "bytes_in"),
        (_counter, "frames_read", "Readings that a port has read and handed on.", "frames"),
        (_counter, "frames_rejected", "Pieces that a port could not read and handed on.", "rejected"),
    ):
        yield make(name, text, label, [((each.name,), getattr(each, what)) for each in instruments])


def _journal(seen: Observed) -> Iterator[Metric]:
    written = seen.written
    entered = {"reading": written.readings, "garbage": sum(written.garbage.values())} | dict(written.others)
    yield _counter(
        "entries_journalled",
        "Entries committed to the journal, by type.",
        ("type",),
        [((name,), count) for name, count in sorted(entered.items())],
    )
    yield _counter(
        "garbage_journalled",
        "Pieces that could not be read and are in the journal, by instrument and reason.",
        ("instrument", "reason"),
        sorted(written.garbage.items()),
    )
    yield _gauge(
        "entries_waiting",
        "Entries that wait: inbox, to be taken by the loop; held, to be written.",
        ("where",),
        [(("inbox",), seen.inbox), (("held",), written.held)],
    )
    yield _gauge(
        "frames_held",
        "Readings and unreadable pieces that wait to be written.",
        (),
        [((), written.held_frames)],
    )
    yield _counter("entries_lost", "Entries given up for want of memory.", (), [((), written.lost)])
    yield _counter(
        "frames_lost",
        "Readings and unreadable pieces among the entries lost.",
        (),
        [((), written.lost_frames)],
    )
    yield _commits(written)
    yield _gauge("journal_writable", "Whether the journal can be written.", (), [((), not written.failing)])
    yield _gauge("live", "Whether live figures and alarms are at hand.", (), [((), seen.live)])
    yield _gauge("newest_seq", "Number of the newest entry committed.", (), [((), written.newest_seq)])


def _commits(written: Written) -> Metric:
    from prometheus_client.core import HistogramMetricFamily

    counts, buckets = 0, []
    for bound, count in zip((*map(str, written.bounds_s), "+Inf"), written.commits, strict=True):
        counts += count
        buckets.append((bound, counts))
    family = HistogramMetricFamily("tallydeck_commit_duration_seconds", "How long commits took.")
    family.add_metric([], buckets, written.commits_s)
    return family


def _room(seen: Observed) -> Iterator[Metric]:
    for name, text, value in (
        ("journal_bytes", "Size of the journal's file.", seen.journal_bytes),
        ("journal_wal_bytes", "Size of the journal's write-ahead log.", seen.wal_bytes),
        ("disk_free_bytes", "Room left where the journal is.", seen.free_bytes),
    ):
        yield _gauge(name, text, (), [] if value is None else [((), value)])


def _followers(followers: Iterable[FollowerSeen]) -> Iterator[Metric]:
    label = ("follower",)
    for make, name, text, what in (
        (_gauge, "follower_known_entries", "Entries that a follower knows of.", "known"),
        (_gauge, "follower_pending_entries", "Entries that it has still to deliver.", "pending"),
        (_counter, "follower_again_entries", "Entries put back to be sent again.", "again"),
        (_counter, "follower_delivered_entries", "Entries delivered, or with nothing to send.", "delivered"),
        (_counter, "follower_aside_entries", "Entries set aside, which its receiver never takes.", "aside"),
        (_counter, "follower_gone_entries", "Entries that the journal has no more.", "gone"),
        (_gauge, "follower_lag_seconds", "Age of the oldest entry of now not delivered.", "lag_s"),
        (_gauge, "follower_backlog_seconds", "Age of the oldest entry not delivered.", "behind_s"),
    ):
        yield make(name, text, label, [((each.name,), getattr(each, what)) for each in followers])
    yield _gauge(
        "follower_state",
        "1 for the state that a follower is in.",
        ("follower", "state"),
        [((each.name, state), state == each.state) for each in followers for state in STATES],
    )
    yield _counter(
        "follower_counted",
        "What else a follower counts since the start: points, bytes, retries and the like.",
        ("follower", "what"),
        [((each.name, what), count) for each in followers for what, count in sorted(each.counts.items())],
    )


def _alarms(seen: Observed) -> Iterator[Metric]:
    known = seen.alarms or {}
    kinds = sorted({kind for kind, _ in known})
    yield _gauge(
        "alarms",
        "Alarms that there could be, by kind and state.",
        ("kind", "state"),
        [((kind, state), known.get((kind, state), 0)) for kind in kinds for state in State],
    )
    yield _counter(
        "alarms_raised",
        "Alarms raised since the start, by kind.",
        ("kind",),
        [((kind,), seen.raised.get(kind, 0)) for kind in sorted({*kinds, *seen.raised})],
    )


def _gauge(name: str, text: str, labels: Labels, values: Iterable[tuple[Labels, float]]) -> Metric:
    from prometheus_client.core import GaugeMetricFamily

    family = GaugeMetricFamily(f"tallydeck_{name}", text, labels=labels)
    for each, value in values:
        family.add_metric(each, value)
    return family


def _counter(name: str, text: str, labels: Labels, values: Iterable[tuple[Labels, float]]) -> Metric:
    from prometheus_client.core import CounterMetricFamily

    family = CounterMetricFamily(f"tallydeck_{name}", text, labels=labels)
    for each, value in values:
        family.add_metric(each, value)
    return family
