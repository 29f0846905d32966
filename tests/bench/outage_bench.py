"""Faults of a store and a broker while readings flow: what was lost, what is there that nobody wrote, how
long it took to be well again, and what memory it took. Run by hand; about ten minutes:

    python -m tests.bench.outage_bench [part of a fault's name]

Each row is a daemon of its own on a simulated bay at five times life's speed (`tests/faults/outages.py`).
``lost`` and ``strange`` come from comparing the journal with what is outside, as sets; ``again`` is what was
sent more than once, which a store overwrites and a listener drops by `seq`. Points that a store never takes
are set aside, counted and listed; they are in the column of that name and not lost.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from tests.faults.outages import Scene, frozen, killed, killed_often, scene, set_aside, stopped
from tests.followers.store.stub import DROP, DROP_AFTER, GARBAGE, HANG, Say, StoreStub
from tests.servers import Influx, VictoriaMetrics

Fault = Callable[[Scene], Callable[[], None]]
AWAY_S = 20.0


def real(at: Scene) -> VictoriaMetrics | Influx:
    assert isinstance(at.store, (VictoriaMetrics, Influx))
    return at.store


def stub(at: Scene) -> StoreStub:
    assert isinstance(at.store, StoreStub)
    return at.store


def answering(*told: Say | str) -> Fault:
    """The store answers so, once each, and waits until all were used up."""

    def of(at: Scene) -> Callable[[], None]:
        def fault() -> None:
            stub(at).answers.extend(told)
            end_s = time.monotonic() + 60.0
            while stub(at).answers and time.monotonic() < end_s:
                time.sleep(0.05)

        return fault

    return of


def refusing(status: int, seconds: float) -> Fault:
    """Every answer is this one for so long."""

    def of(at: Scene) -> Callable[[], None]:
        def fault() -> None:
            stub(at).always = Say(status)
            time.sleep(seconds)
            stub(at).always = None

        return fault

    return of


def too_large(at: Scene) -> Callable[[], None]:
    def fault() -> None:
        stub(at).most_lines = 40
        time.sleep(3.0)

    return fault


def never(line: str) -> bool:
    """About one reading in 500 of one scale, the same whenever it is asked."""
    return line.startswith("reading") and "channel=concentrate" in line and line.endswith("37")


def poisoned(at: Scene) -> Callable[[], None]:
    def fault() -> None:
        stub(at).poison = never
        time.sleep(AWAY_S)

    return fault


def daemon_killed(at: Scene) -> Callable[[], None]:
    def fault() -> None:
        real(at).kill()
        time.sleep(3.0)
        assert at.daemon is not None
        at.daemon.kill()
        at.begin()
        time.sleep(3.0)
        real(at).start()

    return fault


def broker(of: Callable[[Scene], Callable[[], None]]) -> Fault:
    """With something said before and after, so that there are events."""

    def at_broker(at: Scene) -> Callable[[], None]:
        def fault() -> None:
            assert at.client is not None
            at.client.submit({"action": "note", "text": "before"})
            of(at)()
            at.client.submit({"action": "note", "text": "after"})

        return fault

    return at_broker


def _server(at: Scene) -> object:
    assert at.broker is not None
    return at.broker


FAULTS: list[tuple[str, str, Fault]] = [
    ("nothing", "victoria", lambda at: lambda: time.sleep(3.0)),
    ("killed, away 2 s", "victoria", lambda at: killed(real(at), 2.0)),
    ("killed, away 2 s", "influx", lambda at: killed(real(at), 2.0)),
    ("killed five times", "victoria", lambda at: killed_often(real(at), 5)),
    ("killed five times", "influx", lambda at: killed_often(real(at), 5)),
    ("frozen for 20 s", "victoria", lambda at: frozen(real(at), AWAY_S)),
    ("refuses for 20 s", "influx", lambda at: stopped(real(at), AWAY_S)),
    ("the daemon killed meanwhile", "influx", daemon_killed),
    ("hangs once", "stub", answering(HANG)),
    ("hangs up unread, twice", "stub", answering(DROP, DROP)),
    ("takes, then hangs up, twice", "stub", answering(DROP_AFTER, DROP_AFTER)),
    ("answers no HTTP", "stub", answering(GARBAGE)),
    ("400 to one point in 500", "stub", poisoned),
    ("401 for 5 s", "stub", refusing(401, 5.0)),
    ("404 for 5 s", "stub", refusing(404, 5.0)),
    ("413 above 40 lines", "stub", too_large),
    ("422 once, all taken", "stub", answering(Say(422, "", (), stored=True))),
    ("429 with a time", "stub", answering(Say(429, "", (("Retry-After", "1"),)))),
    ("503 three times", "stub", answering(*[Say(503)] * 3)),
    ("killed, away 2 s", "broker", broker(lambda at: killed(_server(at), 2.0))),  # type: ignore[arg-type]
    ("killed five times", "broker", broker(lambda at: killed_often(_server(at), 5))),  # type: ignore[arg-type]
    ("frozen for 20 s", "broker", broker(lambda at: frozen(_server(at), AWAY_S))),  # type: ignore[arg-type]
    ("refuses for 20 s", "broker", broker(lambda at: stopped(_server(at), AWAY_S))),  # type: ignore[arg-type]
]


def rows(part: str) -> Iterator[str]:
    for name, receiver, fault in FAULTS:
        if part not in f"{name} {receiver}":
            continue
        with tempfile.TemporaryDirectory() as home:
            kind = {"store": "" if receiver == "broker" else receiver, "broker": receiver == "broker"}
            with scene(Path(home), **kind) as at:  # type: ignore[arg-type]
                result = at.run_through(fault(at), 180.0)
                aside = 0 if receiver == "broker" else set_aside(at, lambda line: True)
                yield (
                    f"{name:<28} {receiver:<9} {result.lost - aside:>5} {aside:>6} {result.strange:>8} "
                    f"{result.again:>6} {result.recovery_s:>8.1f} {result.peak_mb:>7.0f} "
                    f"{result.grown_mb:>7.1f}  {'balanced' if result.balanced else 'NOT BALANCED'}"
                )


def main() -> None:
    heads = ("lost", "aside", "strange", "again", "well, s", "peak MB", "grown")
    print(f"{'fault':<28} {'at':<9} {heads[0]:>5} {heads[1]:>6} {heads[2]:>8} {heads[3]:>6} {heads[4]:>8} "
          f"{heads[5]:>7} {heads[6]:>7}  ledger")  # fmt: skip
    for row in rows(" ".join(sys.argv[1:])):
        print(row, flush=True)


if __name__ == "__main__":
    main()
