"""How many series the books and the configuration imply in the store, against a budget.

A series is a measurement with one set of tags; a store that knows single values only keeps one for each of
its fields besides. Alarms are left out: only those that were ever raised make a series, one for each run.
"""

from __future__ import annotations

from collections import Counter

from logger.core.tagging import Spans
from logger.followers.store.places import Place, Places


def series(spans: Spans, places: Places) -> int:
    """The number of series of readings, rates, tallies and runs."""
    runs = Counter(station for station, *_ in spans.runs.values())
    wired: set[tuple[str, Place]] = set()
    told: set[Place] = set()
    for layout in places.layouts:
        wired |= {(channel, place) for channel, mine in layout.places.items() for place in mine}
        told |= {place for mine in layout.stations.values() for place in mine}
    readings = sum(runs[place.station] + 1 for _, place in wired)
    rates = sum(runs[place.station] for _, place in wired)
    tallies = sum(runs[place.station] for place in told)  # the station's own stands for its feed
    return readings + rates + tallies + sum(runs.values())
