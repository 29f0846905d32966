"""A made-up bay of a hopper and some outlets, small and fast, for properties of the whole fold.

Masses in whole grams, times in whole milliseconds, so that the same readings can be shown in another unit or
at another time without any rounding.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from logger.core import actions
from logger.core.bay import Bay
from logger.core.description import Bay as BayDescription
from logger.core.description import Channel, Container, ContainerKind, Feed, FeedKind, Outlet, Station
from logger.core.entries import Action, Entry, Finding, Reading

NS = 10**9
T0_S = 1_772_431_200
D_G = 5
FLOW_KINDS = frozenset(
    {
        "outlet-not-delivering",
        "outlet-slow",
        "outlet-surging",
        "product-astray",
        "feed-drift",
        "feed-stopped",
    }
)


@dataclass(frozen=True)
class Trouble:
    """What happens at an outlet (or to the feed: outlet None) between two seconds."""

    kind: str  # clog, bump, change, feed-stop
    outlet: int | None
    at_s: int
    until_s: int


@dataclass(frozen=True)
class Made:
    """How a bay runs: 60 kg/h, shares of the outlets, seconds, 2 readings a second."""

    seed: int = 1
    shares: tuple[float, ...] = (0.5, 0.3, 0.2)
    length_s: int = 900
    fed_s: tuple[int, int] = (40, 10**6)
    run_s: tuple[int, int | None] = (2, None)
    lag_s: int = 12
    target_kg_h: float = 60.0
    troubles: tuple[Trouble, ...] = field(default=())


def described(made: Made) -> BayDescription:
    outlets = [Outlet(f"out{k}", f"out{k}", Container(ContainerKind.DRAINS)) for k in range(len(made.shares))]
    channels = [Channel(name, resolution_kg=D_G / 1000) for name in ("feed", *(o.name for o in outlets))]
    feed = Feed(FeedKind.HOPPER, "feed", made.target_kg_h)
    return BayDescription("made", (Station("table", feed, tuple(outlets)),), tuple(channels))


def weights_g(made: Made) -> dict[str, np.ndarray]:
    """What each scale shows, twice a second, in whole grams."""
    rng = np.random.default_rng(made.seed)
    t = np.arange(2 * made.length_s) / 2.0
    fed = (made.target_kg_h / 3.6 / 2.0) * ((t >= made.fed_s[0]) & (t < made.fed_s[1])).astype(float)
    for e in made.troubles:
        if e.kind == "feed-stop":
            fed[(t >= e.at_s) & (t < e.until_s)] = 0.0
    shown = {"feed": 40_000.0 - np.cumsum(fed)}
    came = np.concatenate([np.zeros(2 * made.lag_s), fed])[: len(fed)]
    for k, share in enumerate(made.shares):
        flow = rng.poisson(came * share / 4.0) * 4.0
        for e in made.troubles:
            if e.kind == "clog" and e.outlet == k:
                flow[(t >= e.at_s) & (t < e.until_s)] = 0.0
        level = 1_200.0 + np.cumsum(flow)
        for e in made.troubles:
            if e.outlet != k:
                continue
            on, after = (t >= e.at_s) & (t < e.until_s), t >= e.until_s
            if e.kind == "bump":
                level[on] += 6_000.0
            elif e.kind == "change":
                level[after] += 1_000.0 - level[after][0] if after.any() else 0.0
                level[on] = 0.0
        shown[f"out{k}"] = level
    return {
        name: (np.round((w + rng.normal(0.0, 2.5, len(w))) / D_G) * D_G).astype(int)
        for name, w in shown.items()
    }


def entries(made: Made) -> list[Entry]:
    """Numbered entries in order of time: the run's begin and end, and all readings, in grams."""
    found: list[Entry] = []
    for k, (name, grams) in enumerate(weights_g(made).items()):
        for i, gram in enumerate(grams.tolist()):
            at_ns = T0_S * NS + i * NS // 2 + (20 + 10 * k) * 10**6
            found.append(Reading(at_ns, name, gram, 0, "g", None))
    found.append(Action((T0_S + made.run_s[0]) * NS, actions.StartRun()))
    if made.run_s[1] is not None:
        found.append(Action((T0_S + made.run_s[1]) * NS, actions.EndRun()))
    found.sort(key=lambda entry: entry.at_ns)
    return [entry._replace(seq=number) for number, entry in enumerate(found, 1)]


def folded(made: Made, listed: list[Entry] | None = None) -> list[Finding]:
    bay = Bay(described(made))
    found: list[Finding] = []
    for entry in entries(made) if listed is None else listed:
        found += bay.apply(entry)
    return found


def raised(found: list[Finding], kinds: frozenset[str] = FLOW_KINDS) -> list[tuple[str, str, float]]:
    """(kind, subject, second) of each alarm of those kinds that was raised."""
    return [
        (f.data["kind"], f.data["subject"], f.at_ns / NS - T0_S)
        for f in found
        if f.kind == "alarm" and f.data["state"] == "raised" and f.data["kind"] in kinds
    ]
