"""Where what is published: the names of topics below the root. `deploy/broker/TOPICS.md` tells of them.

A name of a station, an outlet or an alarm's subject is one level: small letters, digits and hyphens. Two
names never share a level: the one that comes second carries a mark made from the name itself.
"""

from __future__ import annotations

import hashlib
import re

from logger.core.description import Bay


def plain(name: str) -> str:
    """A name as one level of a topic, as far as it can be said so."""
    return re.sub(r"[^a-z0-9]+", "-", name.lower())[:40].strip("-")


class Levels:
    """Names as levels: each name has one, and no two names the same."""

    def __init__(self) -> None:
        self._level_of: dict[str, str] = {}

    def of(self, name: str) -> str:
        """The level of a name; the same each time."""
        level = self._level_of.get(name)
        if level is None:
            level = self._level_of[name] = self._new(name)
        return level

    def _new(self, name: str) -> str:
        taken, level = set(self._level_of.values()), plain(name) or "unnamed"
        mark, length = hashlib.sha256(name.encode()).hexdigest(), 6
        first = level
        while level in taken:
            level = f"{first}-{mark[:length]}"
            length += 1
        return level


class Topics:
    """The topics of one bay. ``root`` has no slash behind."""

    def __init__(self, root: str, bay: Bay) -> None:
        self.root = root
        self.status = f"{root}/status"
        self.record = f"{root}/record"
        self.unacknowledged = f"{root}/alarms/unacknowledged"
        self.standing = f"{root}/alarms/standing"
        self.beacon = f"{root}/beacon"
        self.sounder = f"{root}/sounder"
        self._stations = Levels()
        self._outlets: dict[str, Levels] = {}
        self._subjects: dict[tuple[str, str], Levels] = {}
        for station in bay.stations:
            self._stations.of(station.name)
            levels = self._outlets[station.name] = Levels()
            for outlet in station.outlets:
                levels.of(outlet.name)

    def station(self, station: str) -> str:
        return f"{self.root}/station/{self._stations.of(station)}"

    def station_beacon(self, station: str) -> str:
        return f"{self.station(station)}/beacon"

    def outlet(self, station: str, outlet: str) -> str:
        levels = self._outlets.setdefault(station, Levels())
        return f"{self.station(station)}/outlet/{levels.of(outlet)}"

    def alarm(self, alarm_id: str, station: str) -> str:
        """Of an alarm: with its station where it has one, else without that level."""
        kind, _, subject = alarm_id.removeprefix(f"{station}/").partition("/")
        level = self._subjects.setdefault((station, kind), Levels()).of(subject)
        own = f"{self._stations.of(station)}/" if station else ""
        return f"{self.root}/alarm/{own}{kind}/{level}"

    def event(self, kind: str) -> str:
        return f"{self.root}/event/{kind}"
