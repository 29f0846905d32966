"""What a person wants explained, and where it is found in the record."""

from __future__ import annotations

from dataclasses import dataclass

from logger.explain.probe import Subject
from logger.explain.record import ExplainError, Past
from logger.explain.spells import NS, Spell


@dataclass(frozen=True, slots=True)
class Wanted:
    """What to explain: an alarm by its id, or, with ``at_ns``, an outlet, the feed or an instrument."""

    what: str
    at_ns: int | None = None
    before_s: int = 600
    after_s: int = 300


def find(past: Past, wanted: Wanted, known: list[Spell]) -> tuple[Subject, str, Spell | None]:
    """The subject, the kind of alarm ("" for the one that fits it best), and the spell if one is meant."""
    if "/" in wanted.what:
        return _alarm(past, wanted, known)
    subject = _subject(past, wanted.what)
    if wanted.at_ns is None:
        ids = ", ".join(sorted({s.id for s in known if s.subject == subject.name})) or "no alarm of it"
        raise ExplainError(
            f'"{wanted.what}" alone is no alarm: say a time with --at to hear why none came then, or name an '
            f"alarm; there is {ids}"
        )
    return subject, "", None


def _alarm(past: Past, wanted: Wanted, known: list[Spell]) -> tuple[Subject, str, Spell | None]:
    mine = [spell for spell in known if spell.id == wanted.what]
    parts = wanted.what.split("/")
    subject = _of_id(past, parts[0] if len(parts) == 3 else "", parts[-1])
    if not mine and (wanted.at_ns is None or subject is None or len(parts) not in (2, 3)):
        ids = sorted({spell.id for spell in known})
        there = "it holds " + ", ".join(ids) if ids else "it holds no alarm at all"
        raise ExplainError(f'there is no alarm "{wanted.what}" in {past.name}; {there}')
    if subject is None:
        raise ExplainError(
            f'the alarm "{wanted.what}" is not about an outlet, a feed, a water line or an instrument of '
            f"this configuration: no figures are kept of it. It said: {mine[-1].what} {mine[-1].do}"
        )
    if wanted.at_ns is None:
        return subject, mine[-1].kind, mine[-1]
    stood = [spell for spell in mine if spell.stood(wanted.at_ns, 60 * NS)]
    return subject, parts[-2], stood[-1] if stood else None


def _of_id(past: Past, station: str, name: str) -> Subject | None:
    """The subject of an alarm: an instrument that serves an outlet stands for that outlet."""
    for each in past.bay.stations:
        if station not in ("", each.name):
            continue
        if station and name in _of_station(past, each.name):
            return Subject(each.name, name)
        served = [("feed", each.feed.channel)] + [(o.name, o.channel) for o in each.outlets]
        served += [(line.name, line.channel) for line in each.water]
        for subject, channel in served:
            if channel == name:
                return Subject(each.name, subject)
    return Subject("", name) if any(channel.name == name for channel in past.bay.channels) else None


def _subject(past: Past, name: str) -> Subject:
    found = [
        Subject(station.name, name)
        for station in past.bay.stations
        if name in _of_station(past, station.name)
    ]
    if len(found) > 1:
        names = ", ".join(s.station for s in found)
        raise ExplainError(
            f'"{name}" is at several stations ({names}); name an alarm of it, like '
            f"{found[0].station}/outlet-not-delivering/{name}"
        )
    if found:
        return found[0]
    if any(channel.name == name for channel in past.bay.channels):
        return Subject("", name)
    there = sorted({n for s in past.bay.stations for n in _of_station(past, s.name)})
    raise ExplainError(f'there is no alarm and no outlet "{name}"; there is {", ".join(there)}')


def _of_station(past: Past, station_name: str) -> list[str]:
    station = next(s for s in past.bay.stations if s.name == station_name)
    feed = [] if station.feed.channel is None else ["feed"]
    return feed + [o.name for o in station.outlets] + [line.name for line in station.water]
