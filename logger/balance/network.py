"""Which stream goes where: streams between passes, each pass a node whose dry mass in equals that out.

A stream is product of at most one pass and feed of at most one; several products together may be one pass's
feed. A material that is split between two passes is two streams.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from logger.balance.document import WeighUp

FEED = "feed"
WHOLE = "the run"
"""The name of the one node of a document without passes."""


class NetworkError(ValueError):
    """The passes contradict each other or the streams."""


@dataclass(frozen=True, slots=True)
class Node:
    """One pass: the positions of its feed streams and of its products in `Network.streams`."""

    name: str
    ins: tuple[int, ...]
    outs: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Network:
    """Streams, and the nodes they run between."""

    streams: tuple[str, ...]
    nodes: tuple[Node, ...]

    @property
    def incidence(self) -> NDArray[Any]:
        """Shape (nodes, streams): +1 where a stream goes in, -1 where it comes out."""
        table = np.zeros((len(self.nodes), len(self.streams)))
        for row, node in zip(table, self.nodes, strict=True):
            row[list(node.ins)] += 1.0
            row[list(node.outs)] -= 1.0
        return table

    @property
    def sources(self) -> tuple[int, ...]:
        """The lot's feed: streams that no pass made."""
        made = {s for node in self.nodes for s in node.outs}
        return tuple(s for s in range(len(self.streams)) if s not in made)

    @property
    def sinks(self) -> tuple[int, ...]:
        """Final products: streams that go into no pass."""
        used = {s for node in self.nodes for s in node.ins}
        return tuple(s for s in range(len(self.streams)) if s not in used)

    def parts(self) -> list[set[int]]:
        """The streams, grouped by what hangs together through passes."""
        return [{s for node in part for s in (*node.ins, *node.outs)} for part in _parts(self)]

    def role(self, stream: int) -> str:
        """ "feed", "product" (final) or "between" (goes over again)."""
        if stream in self.sources:
            return "feed"
        return "product" if stream in self.sinks else "between"

    def column(self, stream: int, component: int, components: int) -> int:
        """Where the grade of a component in a stream stands among the variables (masses come first)."""
        return len(self.streams) + stream * components + component


def network(document: WeighUp) -> Network:
    """The network of a document.

    Without passes the stream "feed" gives all others; where the document has none, it is added (unmeasured),
    as the first stream. NetworkError where a pass names an unknown stream, a stream is made or used twice, a
    stream belongs to no pass, or a part of the network has no feed or no final product.
    """
    names = tuple(document.streams)
    if not document.passes:
        if FEED not in names:
            names = (FEED, *names)
        if len(names) == 1:
            raise NetworkError(f'the only stream is "{FEED}": name what came out of it as further streams')
        feed = names.index(FEED)
        rest = tuple(s for s in range(len(names)) if s != feed)
        return Network(names, (Node(WHOLE, (feed,), rest),))
    return connect(names, {name: (one.feed, one.products) for name, one in document.passes.items()})


def connect(streams: Sequence[str], passes: Mapping[str, tuple[Sequence[str], Sequence[str]]]) -> Network:
    """A network from names: each pass with its feed and its products. Raises as `network` does."""
    at = {name: s for s, name in enumerate(streams)}
    for name, (feed, products) in passes.items():
        _known(name, (*feed, *products), at)
        both = set(feed) & set(products)
        if both:
            raise NetworkError(
                f"pass {name}: {_listed(both)} goes in and comes out of the same pass, which says nothing; "
                "leave it out, or give what came out a name of its own"
            )
    _once("made by", {name: products for name, (_, products) in passes.items()}, "only one pass can make it")
    _once(
        "fed to",
        {name: feed for name, (feed, _) in passes.items()},
        "if it was split, each part is a stream of its own",
    )
    nodes = tuple(
        Node(name, tuple(at[s] for s in feed), tuple(at[s] for s in products))
        for name, (feed, products) in passes.items()
    )
    found = Network(tuple(streams), nodes)
    _whole(found)
    return found


def _known(name: str, used: Iterable[str], at: Mapping[str, int]) -> None:
    unknown = [stream for stream in used if stream not in at]
    if unknown:
        raise NetworkError(
            f"pass {name} names {_listed(unknown)}, which is not among the streams ({_listed(at)}); "
            "add it, with nothing in it where nothing was measured"
        )


def _once(word: str, passes: Mapping[str, Sequence[str]], so: str) -> None:
    for stream, times in Counter(s for many in passes.values() for s in many).items():
        if times > 1:
            by = [name for name, many in passes.items() for s in many if s == stream]
            raise NetworkError(f"{stream} is {word} {_listed(by)}: {so}")


def _whole(found: Network) -> None:
    """Every stream belongs to a pass; every connected part has a feed and a final product."""
    touched = {s for node in found.nodes for s in (*node.ins, *node.outs)}
    alone = [name for s, name in enumerate(found.streams) if s not in touched]
    if alone:
        raise NetworkError(
            f"{_listed(alone)}: neither feed nor product of a pass; add it to one, or leave it out"
        )
    ends = {"feed from outside": set(found.sources), "final product": set(found.sinks)}
    for part in _parts(found):
        held = {s for node in part for s in (*node.ins, *node.outs)}
        for word, those in ends.items():
            if not held & those:
                raise NetworkError(f"the passes {_listed(node.name for node in part)} have no {word}")


def _parts(found: Network) -> list[list[Node]]:
    """The nodes, grouped by what hangs together through streams."""
    parts: list[tuple[set[int], list[Node]]] = []
    for node in found.nodes:
        held, members = {*node.ins, *node.outs}, [node]
        for part in [p for p in parts if p[0] & held]:
            parts.remove(part)
            held |= part[0]
            members = part[1] + members
        parts.append((held, members))
    return [members for _, members in parts]


def _listed(names: Iterable[str]) -> str:
    return ", ".join(dict.fromkeys(names))
