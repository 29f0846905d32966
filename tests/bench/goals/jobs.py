"""What is done with one bay: its undisturbed hours, and its trace through Tallydeck and all peers."""

from __future__ import annotations

from tests.bench.goals.kept import Bay, Calm, Job, Part
from tests.bench.peers.adapt import as_played, at_feed_stops, feed_stream, judged, streams
from tests.bench.peers.all_of import PEERS
from tests.bench.peers.calibrate import BATCHES, Hour, calm, critical
from tests.bench.peers.contract import LEARN_S, Peer, Stream
from tests.bench.peers.feed import FEED_PEERS
from tests.bench.testbay.plan import plan
from tests.bench.testbay.play import play
from tests.bench.testbay.regimes import REGIMES
from tests.bench.testbay.score import score
from tests.bench.testbay.trace import Trace, make

OURS = "ours"
FEED = "feed"
Parameters = dict[tuple[str, str], float]  # (peer, outlet or feed) -> its parameter


def asked(what: str, hand: bool) -> tuple[bool, bool]:
    """Whether the peers are asked about the outlets of a bay of that class, and about its feed.

    They weigh nothing; and beside scoops a change of the feed can't be told by such means.
    """
    return what not in ("drift", "mass"), what == "drift" and not hand


def shown(trace: Trace) -> dict[str, tuple[dict[str, Peer], Stream]]:
    """What the peers are asked about: by outlet or feed, the peers and what they see."""
    outlets, feed = asked(trace.plan.what, trace.plan.hand)
    found = {name: (PEERS, each) for name, each in streams(trace).items()} if outlets else {}
    return {**found, FEED: (FEED_PEERS, feed_stream(trace))} if feed else found


def undisturbed(job: Job, batches: dict[str, int]) -> Calm:
    """Critical parameters of the peers in the undisturbed hours of a bay."""
    drawn = plan(job.seed, REGIMES[job.set], job.what)
    found: list[Hour] = []
    numbered = [batch for batch in BATCHES for _ in range(batches[batch])]
    for number, batch in enumerate(numbered, 1):
        for subject, (peers, stream) in shown(calm(drawn, number)).items():
            found += [Hour(name, job.bay, subject, batch, critical(p, stream)) for name, p in peers.items()]
    return Calm(job, found)


def own_calm(job: Job, hours: int) -> list[str]:
    """The kinds of alarms that Tallydeck raises in undisturbed hours of a bay."""
    drawn = plan(job.seed, REGIMES[job.set], job.what)
    traces = (calm(drawn, number) for number in range(1, hours + 1))
    return [alarm.kind for trace in traces for alarm in play(trace).alarms if alarm.at_s >= LEARN_S]


def through_all(job: Job, parameters: Parameters, calm_hours: int) -> Bay:
    """One trace, made once, through Tallydeck and each peer that has parameters; and undisturbed hours."""
    trace = make(job.seed, job.set, job.what)
    own = play(trace)
    parts = [Part(OURS, score(trace, own), *at_feed_stops(trace, own))]
    seen = shown(trace)
    for name in PEERS:
        times = {
            subject: list(peers[name].alarms(peers[name].look(stream), parameters[name, subject]))
            for subject, (peers, stream) in seen.items()
            if (name, subject) in parameters
        }
        if not times:
            continue
        theirs = as_played(times)
        parts.append(Part(name, judged(trace, theirs), *at_feed_stops(trace, theirs)))
    outlets = len(trace.plan.outlets)
    return Bay(job, parts, float(calm_hours * outlets), float(calm_hours), own_calm(job, calm_hours))
