"""What must hold between one value and another, and needs more than one key to see."""

from __future__ import annotations

import re
import zoneinfo
from collections.abc import Iterable
from itertools import combinations

from logger.core.description import Bay, Outlet, Station
from logger.settings.containers import check_container
from logger.settings.document import Document
from logger.settings.meters import check_meter, check_unit
from logger.settings.plates import check_scale
from logger.settings.problems import Path, did_you_mean, dotted, say_mass, show
from logger.settings.texts import DAY_MIN, NOT_WEIGHED
from logger.settings.validate import Faults

_NAME = re.compile(r"\w(?:[\w-]{0,38}\w)?")


def check(document: Document, bay: Bay, faults: Faults) -> None:
    """Every check across keys."""
    _names(document, faults)
    _time_zone(bay.time_zone, faults)
    _shifts(bay.shifts, faults)
    _instruments(document, bay, faults)
    for station in bay.stations:
        _scales_once(station, faults)
        _quantities(station, bay, faults)
        _shares(station, faults)
        _grades(station, faults)
        for outlet in station.outlets:
            check_container(station.name, outlet, document, bay, faults)


def _names(document: Document, faults: Faults) -> None:
    """Names go into topics, file names and addresses; so they hold letters, digits, - and _ only."""
    paths: list[Path] = [("instruments", name) for name in document.instruments]
    for station, table in document.stations.items():
        place: Path = ("stations", station)
        paths += [place, *((*place, "outlets", name) for name in table.outlets)]
        paths += [(*place, "water", name) for name in table.water]
        if "feed" in table.outlets:
            faults.add(
                (*place, "outlets", "feed"),
                'an outlet called "feed"',
                "any other name",
                "rename it; that name stands for what goes into the station",
            )
    for path in paths:
        name = str(path[-1])
        if not _NAME.fullmatch(name):
            faults.add(
                path,
                f"the name {show(name)}",
                "1 to 40 letters, digits, - or _ between them",
                "rename it, e.g. fine-tailings",
            )
        elif name == NOT_WEIGHED:
            faults.add(
                path, f"the name {show(name)}", "any other name", "rename it; that word means: not weighed"
            )


def _time_zone(name: str, faults: Faults) -> None:
    try:
        zoneinfo.ZoneInfo(name)
    except (KeyError, ValueError, OSError):  # what it raises depends on how the name is wrong
        known = sorted(zoneinfo.available_timezones())
        city = name.strip().replace(" ", "_").lower()
        named = next((zone for zone in known if zone.lower().endswith(f"/{city}")), name)  # a city alone
        remedy = did_you_mean(named, known, 'write region and city, e.g. "Europe/Vienna"')
        faults.add(("bay", "time_zone"), show(name), "a name of the IANA time zone database", remedy)


def _shifts(shifts: Iterable[tuple[int, int]], faults: Faults) -> None:
    for (i, first), (j, second) in combinations(enumerate(shifts), 2):
        if _minutes(first) & _minutes(second):
            faults.add(
                ("bay", "shifts", j),
                f"{_clock(second)}, which overlaps {_clock(first)}",
                "shifts that follow each other",
                f"end shift {i + 1} before shift {j + 1} begins, or the reverse",
            )


def _minutes(shift: tuple[int, int]) -> set[int]:
    start, end = shift
    return {minute % DAY_MIN for minute in range(start, end if end > start else end + DAY_MIN)}


def _clock(shift: tuple[int, int]) -> str:
    return "-".join(f"{minute // 60:02}:{minute % 60:02}" for minute in shift)


def _instruments(document: Document, bay: Bay, faults: Faults) -> None:
    for name, table in document.instruments.items():
        place: Path = ("instruments", name)
        channel = bay.channel(name)
        if table.quantity == "flow":
            if table.capacity is not None:
                faults.add(
                    (*place, "capacity"),
                    f"{faults.written((*place, 'capacity'))} for a flow meter",
                    "a capacity for scales only",
                    "take it out",
                    (*place, "quantity"),
                )
        elif table.capacity is not None and channel.resolution_kg >= table.capacity:
            faults.add(
                (*place, "resolution"),
                f"{say_mass(channel.resolution_kg)}, which is not below the capacity",
                f"less than {faults.written((*place, 'capacity'))}",
                "check both on the instrument's plate",
                (*place, "capacity"),
            )
        check_unit(place, table, faults)
        check_meter(place, table, faults)
        check_scale(place, table, channel.resolution_kg, faults)


def _scales_once(station: Station, faults: Faults) -> None:
    """An outlet can't stand on the feed's scale; containers that stand together must be of one kind."""
    used: dict[str, Outlet] = {}
    for outlet in station.outlets:
        if outlet.channel is None:
            continue
        place: Path = ("stations", station.name, "outlets", outlet.name)
        if outlet.channel == station.feed.channel:
            faults.add(
                (*place, "scale"),
                f"{show(outlet.channel)}, the scale of the feed of the same station",
                "another scale than the feed's",
                "name another scale, or scale = false and weigh its containers by hand",
            )
        other = used.setdefault(outlet.channel, outlet)
        if other.container.kind is not outlet.container.kind:
            faults.add(
                (*place, "scale"),
                f"{show(outlet.channel)}, on which the outlet {show(other.name)} stands with a container "
                f"of the kind {show(other.container.kind.value)}, this one of the kind "
                f"{show(outlet.container.kind.value)}",
                "containers of one kind together on a scale",
                "name another scale, or scale = false and weigh its containers by hand",
                (*place, "container", "kind"),
            )


def _quantities(station: Station, bay: Bay, faults: Faults) -> None:
    """Scales weigh, meters measure flow."""
    place: Path = ("stations", station.name)
    named: list[tuple[str | None, Path, str]] = [(station.feed.channel, (*place, "feed", "scale"), "mass")]
    named += [(o.channel, (*place, "outlets", o.name, "scale"), "mass") for o in station.outlets]
    named += [(w.channel, (*place, "water", w.name, "meter"), "flow") for w in station.water]
    measured = {channel.name: channel.quantity for channel in bay.channels}
    for channel, path, quantity in named:
        if channel is not None and measured.get(channel, quantity) != quantity:
            what = "a scale" if quantity == "mass" else "a flow meter"
            faults.add(
                path,
                f"{show(channel)}, which is no such instrument",
                what,
                f'name another one, or set quantity = "{quantity}" at [instruments.{channel}]',
                ("instruments", channel, "quantity"),
            )


def _shares(station: Station, faults: Faults) -> None:
    shares = [outlet.expected_share or 0.0 for outlet in station.outlets]
    if sum(shares) > 1 + 1e-9:
        place: Path = ("stations", station.name, "outlets")
        last = next(outlet.name for outlet in reversed(station.outlets) if outlet.expected_share)
        faults.add(
            (*place, last, "expected_share"),
            f"expected shares that add up to {100 * sum(shares):.6g} %",
            "100 % at the most",
            "lower them; what no share is told for is the rest",
        )


def _grades(station: Station, faults: Faults) -> None:
    if station.component is not None:
        return
    place: Path = ("stations", station.name)
    paths: list[Path] = [] if station.feed_grade is None else [(*place, "feed_grade")]
    paths += [
        (*place, "outlets", o.name, "expected_grade") for o in station.outlets if o.expected_grade is not None
    ]
    for path in paths:
        faults.add(
            path,
            "a grade, and no component it could be of",
            "a grade where the station tells its component",
            f'add component = "bronze" (or whatever counts) at [{dotted(place)}]',
            (*place, "component"),
        )
