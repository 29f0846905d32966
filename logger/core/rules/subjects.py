"""What each kind of alarm can be about, so that every alarm has its id before it is ever raised.

A kind that is missing here works all the same; its alarms are known once they were judged. A test sees to
it that none is missing.
"""

from __future__ import annotations

from collections.abc import Iterable

from logger.core.description import Station

ABOUT = {
    "container-missing": "outlets",
    "container-near-full": "outlets",
    "feed-contradicted": "feed",
    "feed-drift": "feed",
    "feed-pulsing": "feed",
    "feed-stopped": "feed",
    "feed-too-thick": "feed",
    "masses-not-closing": "feed",
    "no-run-open": "feed",
    "outlet-not-delivering": "outlets",
    "outlet-slow": "outlets",
    "outlet-surging": "outlets",
    "product-astray": "outlets",
    "water-out-of-band": "water",
}
"""Of a station's rules; an instrument's is about its channel. ``outlets``: each one that is weighed."""


def station_subjects(station: Station, kinds: Iterable[str]) -> list[tuple[str, str, str]]:
    """(kind, subject, channel) of every alarm that rules of those kinds could raise at a station."""
    named = {
        "feed": [("feed", station.feed.channel or "")],
        "outlets": [(each.name, each.channel) for each in station.outlets if each.channel is not None],
        "water": [(each.name, each.channel) for each in station.water],
        "": [],
    }
    return [(kind, subject, channel) for kind in kinds for subject, channel in named[ABOUT.get(kind, "")]]
