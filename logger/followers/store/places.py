"""Which channel is what: by the configuration that was in force when an entry was made."""

from __future__ import annotations

import logging
from bisect import bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from logger.core.description import Bay
from logger.journal.reader import JournalReader
from logger.settings import SettingsError, bay_of

log = logging.getLogger("tallydeck.followers")


class Place(NamedTuple):
    """What a channel measures at a station. ``role`` is ``feed``, ``outlet`` or ``water``, "" of a bare
    scale; ``name`` the outlet's or the water line's."""

    station: str = ""
    role: str = ""
    name: str = ""

    @property
    def outlet(self) -> str:
        """The outlet's name; "" of anything else."""
        return self.name if self.role == "outlet" else ""


BARE = (Place(),)
"""Of a channel that serves no station."""


@dataclass(frozen=True, slots=True)
class Layout:
    """A bay as it is wired, for the entries [from_seq, until_seq); None: until now.

    A scale may serve two stations, so a channel may have several places. ``stations``: all that a tally tells
    of at each, with a channel or without.
    """

    from_seq: int
    until_seq: int | None
    places: Mapping[str, tuple[Place, ...]]
    channels: Mapping[Place, str] = field(default_factory=dict)
    stations: Mapping[str, tuple[Place, ...]] = field(default_factory=dict)

    def of(self, channel: str) -> tuple[Place, ...]:
        return self.places.get(channel, BARE)


class Places:
    """``pieces``: from which entry on which description was in force; the first also for what came before."""

    def __init__(self, pieces: Iterable[tuple[int, Bay]]) -> None:
        told = sorted(pieces, key=lambda piece: piece[0])
        starts = [0, *(seq for seq, _ in told[1:])]
        ends: list[int | None] = [*starts[1:], None]
        self.layouts = [_layout(bay, a, b) for (_, bay), a, b in zip(told, starts, ends, strict=False)]
        if not self.layouts:
            self.layouts = [Layout(0, None, {})]
        self._starts = [layout.from_seq for layout in self.layouts]

    def at(self, seq: int) -> Mapping[str, tuple[Place, ...]]:
        """Channel -> its places, for an entry."""
        return self.layout(seq).places

    def layout(self, seq: int) -> Layout:
        return self.layouts[max(bisect_right(self._starts, seq) - 1, 0)]


def _layout(bay: Bay, from_seq: int, until_seq: int | None) -> Layout:
    places: dict[str, list[Place]] = {channel.name: [] for channel in bay.channels}
    channels: dict[Place, str] = {}
    stations: dict[str, tuple[Place, ...]] = {}
    for station in bay.stations:
        named: list[tuple[Place, str | None]] = [(Place(station.name, "feed"), station.feed.channel)]
        named += [(Place(station.name, "outlet", outlet.name), outlet.channel) for outlet in station.outlets]
        named += [(Place(station.name, "water", line.name), line.channel) for line in station.water]
        stations[station.name] = tuple(place for place, _ in named)
        for place, channel in named:
            if channel is not None:
                places.setdefault(channel, []).append(place)
                channels[place] = channel
    found = {name: tuple(mine) or BARE for name, mine in places.items()}
    return Layout(from_seq, until_seq, found, channels, stations)


def places_of(reader: JournalReader, present: Bay) -> Places:
    """As the journal tells it; ``present`` is in force now, and stands in for what can't be read any more."""
    pieces: list[tuple[int, Bay]] = []
    known: dict[str, Bay] = {}
    for told in reader.circumstances("configuration"):
        digest = told.subject
        if digest not in known:
            known[digest] = _described(reader.configuration(digest), digest, present)
        if not pieces or pieces[-1][1] != known[digest]:
            pieces.append((told.seq, known[digest]))
    if not pieces or pieces[-1][1] != present:
        pieces.append((reader.last_seq + 1, present))
    return Places(pieces)


def _described(text: str | None, digest: str, present: Bay) -> Bay:
    try:
        if text is not None:
            return bay_of(text)
    except SettingsError as error:
        log.warning(
            "store: a configuration of before (%s) can't be read, the present one stands in: %s",
            digest,
            error,
        )
    return present
