"""From the `Document` to the bay's description: defaults filled in, names joined to what they name.

Faults are told and something harmless put in their place, so that one pass finds them all; the
caller throws the result away when there were any.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from logger.core.description import (
    Bay,
    Channel,
    Container,
    ContainerKind,
    Feed,
    FeedKind,
    Outlet,
    Station,
    Water,
    ZeroTracking,
)
from logger.settings.document import ContainerTable, Document, FeedTable, StationTable
from logger.settings.meters import shown_as
from logger.settings.problems import Path, did_you_mean, one_of, show
from logger.settings.quantities import Measured
from logger.settings.registers import step_of, wraps_at
from logger.settings.texts import NOT_WEIGHED
from logger.settings.validate import Faults
from logger.settings.wires import POLL_S, mode_of

FEED = "feed"
"""The instrument under the feed, where the feed's table names none."""


@dataclass(frozen=True, slots=True)
class Use:
    """A station's need of a channel: where it is said, what for, and the resolution it brings."""

    path: Path
    station: str
    quantity: str
    resolution: Measured | None = None


@dataclass(slots=True)
class Uses:
    """Who uses which channel. Without any [instruments], the channels are those that are named."""

    declared: tuple[str, ...]
    by_channel: dict[str, list[Use]] = field(default_factory=dict)

    @property
    def implied(self) -> bool:
        return not self.declared

    def has(self, name: str) -> bool:
        return self.implied or name in self.declared

    def add(self, name: str, use: Use, faults: Faults) -> str:
        """Note the use; tell it where the instrument does not exist."""
        if self.has(name):
            self.by_channel.setdefault(name, []).append(use)
        else:
            remedy = did_you_mean(
                name, self.declared, f"add a table [instruments.{name}], or name another one"
            )
            faults.add(
                use.path,
                f"{show(name)}, which is no instrument",
                one_of(self.declared),
                remedy,
                ("instruments", name),
            )
        return name


def build(document: Document, faults: Faults) -> Bay:
    """The bay as the fold needs to know it."""
    uses = Uses(tuple(document.instruments))
    stations = tuple(_station(name, table, uses, faults) for name, table in document.stations.items())
    if not stations:
        faults.add(
            ("stations",),
            "no station",
            "at least one table [stations.NAME]",
            "add e.g. [stations.table] with resolution, target and outlets",
        )
    bay = document.bay
    channels = _channels(document, uses, faults)
    return Bay(bay.name, stations, channels, bay.units, bay.time_zone, tuple(bay.shifts))


def _station(name: str, table: StationTable, uses: Uses, faults: Faults) -> Station:
    place: Path = ("stations", name)
    feed = _feed(name, table, uses, faults)
    outlets = tuple(_outlet(name, key, table, uses, faults) for key in table.outlets)
    if not outlets:
        faults.add(
            (*place, "outlets"),
            "no outlet",
            "at least one",
            'name them: outlets = ["concentrate", "tailings"]',
        )
    water = []
    for key, line in table.water.items():
        path = (*place, "water", key, "meter")
        meter = uses.add(line.meter or key, Use(path, name, "flow"), faults)
        low, high = line.band or (None, None)
        water.append(Water(key, meter, low, high, line.to))
    return Station(name, feed, outlets, tuple(water), table.component, table.feed_grade, table.feed_grade_u)


def _feed(name: str, station: StationTable, uses: Uses, faults: Faults) -> Feed:
    place: Path = ("stations", name)
    table = station.feed
    target = station.target
    if table is not None and table.target is not None:
        if target is not None:
            faults.add(
                (*place, "feed", "target"),
                "a second target, beside the station's own",
                "one target",
                f"keep this one and take out {'.'.join(('stations', name, 'target'))}, or the other way",
            )
        target = table.target
    if table is None:
        kind, channel = _feed_untold(name, target, uses, faults)
    else:
        kind, channel = _feed_told(name, table, uses, faults)
    if channel is not None:
        path = (*place, "feed", "scale") if table is not None else (*place, "target")
        uses.add(channel, Use(path, name, "mass", station.resolution), faults)
    density = table.density if table is not None and table.density is not None else station.density
    table = table or FeedTable()
    return Feed(kind, channel, target, table.band, density, table.most_solids)


def _feed_untold(name: str, target: float | None, uses: Uses, faults: Faults) -> tuple[FeedKind, str | None]:
    """How it is fed, and the channel that weighs the feed, where the station has no table for it."""
    place: Path = ("stations", name)
    if FEED in uses.declared or (uses.implied and target is not None):
        return FeedKind.HOPPER, FEED
    if target is not None:
        faults.add(
            (*place, "target"),
            "a target for a feed that nothing weighs",
            "a target where the feed's scale is told",
            f'add [stations.{name}.feed] with scale = "…", or with kind = "unweighed"',
            ("instruments", FEED),
            (*place, "feed"),
        )
    return FeedKind.UNWEIGHED, None


def _feed_told(name: str, table: FeedTable, uses: Uses, faults: Faults) -> tuple[FeedKind, str | None]:
    """How it is fed, and the channel that weighs the feed, as the feed's table tells."""
    path: Path = ("stations", name, "feed", "scale")
    if table.kind == "unweighed" or (table.kind is None and table.scale == NOT_WEIGHED):
        if table.scale not in (None, NOT_WEIGHED):
            faults.add(
                path,
                f'{show(table.scale)} for a feed of the kind "unweighed"',
                "no scale",
                "take out the scale, or choose the kind hopper or tub",
            )
        return FeedKind.UNWEIGHED, None
    kind = FeedKind(table.kind or "hopper")
    channel = FEED if table.scale is None and uses.has(FEED) else table.scale
    if channel is None or channel == NOT_WEIGHED:
        faults.add(
            path,
            f"no scale for a feed of the kind {show(kind.value)}",
            one_of(uses.declared) or "a name for its readings",
            'name its scale, or choose kind = "unweighed"',
            ("instruments", FEED),
        )
        return kind, None
    return kind, channel


def _outlet(station: str, name: str, table: StationTable, uses: Uses, faults: Faults) -> Outlet:
    outlet = table.outlets[name]
    channel = outlet.scale if outlet.scale is not None else (name if uses.has(name) else NOT_WEIGHED)
    weighed = channel != NOT_WEIGHED
    if weighed:
        path: Path = ("stations", station, "outlets", name, "scale")
        uses.add(channel, Use(path, station, "mass", table.resolution), faults)
    density = outlet.density if outlet.density is not None else table.density
    return Outlet(
        name,
        channel if weighed else None,
        _container(outlet.container, table.container),
        density,
        outlet.lag,
        outlet.expected_share,
        outlet.expected_grade,
        outlet.expected_grade_u,
    )


def _container(own: ContainerTable | None, common: ContainerTable | None) -> Container:
    """The outlet's container: what its own table leaves out, the station's says."""
    own, common = own or ContainerTable(), common or ContainerTable()
    low, high = own.tare_range or common.tare_range or (None, None)
    return Container(
        ContainerKind(own.kind or common.kind or "unknown"),
        own.tare if own.tare is not None else common.tare,
        low,
        high,
        own.full if own.full is not None else common.full,
    )


def _channels(document: Document, uses: Uses, faults: Faults) -> tuple[Channel, ...]:
    if uses.implied:
        return tuple(_implied(name, used, faults) for name, used in uses.by_channel.items())
    channels = []
    for name, table in document.instruments.items():
        place: Path = ("instruments", name)
        used = uses.by_channel.get(name, [])
        own = table.resolution or (None if any(use.resolution for use in used) else step_of(table))
        resolution = _resolution((*place, "resolution"), own, shown_as(table), used, faults)
        interval = POLL_S if table.interval is None and mode_of(table) == "poll" else table.interval
        channels.append(
            Channel(
                name,
                table.quantity,
                table.unit,
                resolution,
                table.capacity,
                ZeroTracking(table.zero_tracking),
                table.shows,
                interval,
                name,
                table.pulses_per_l,
                wraps_at(table),
                table.most,
                table.accuracy,
                table.accuracy_class,
                table.verification_interval,
                table.tolerance,
                table.repeatability,
            )
        )
    return tuple(channels)


def _implied(name: str, used: list[Use], faults: Faults) -> Channel:
    """A channel that is only named: in a short configuration, for readings from a file."""
    quantity = used[0].quantity
    if quantity == "flow":
        return Channel(name, "flow")
    place: Path = ("stations", used[0].station, "resolution")
    return Channel(name, "mass", resolution_kg=_resolution(place, None, "mass", used, faults))


def _resolution(path: Path, own: Measured | None, quantity: str, used: list[Use], faults: Faults) -> float:
    """The instrument's own resolution, else the one its stations give; kg, for a flow L/min, a volume L."""
    fallback = Channel("").resolution_kg
    given = {use.resolution for use in used if use.resolution is not None}
    if own is None and len(given) > 1:
        faults.add(
            path,
            "no resolution, and two stations that use the scale give different ones",
            "one resolution",
            'give it where the instrument is: resolution = "5 g"',
        )
        return fallback
    measured = own if own is not None else next(iter(given), None)
    example = {"mass": "5 g", "flow": "0.05 L/min", "volume": "1 L"}[quantity]
    if measured is None and quantity == "volume":
        return 0.0  # a total or a count has the step of its last digit
    if measured is None:
        needs = [("stations", use.station, "resolution") for use in used]
        faults.add(
            path,
            "no resolution",
            "the step between two numbers the instrument can show",
            f'read it off the plate or the display and add resolution = "{example}"',
            *needs,
        )
        return fallback
    if measured.dimension != quantity:
        where = path if own is not None else ("stations", used[0].station, "resolution")
        faults.add(
            where,
            f"{faults.written(where)} for an instrument "
            + ("that shows a total" if quantity == "volume" else f"whose quantity is {show(quantity)}"),
            f"a resolution of a {quantity}",
            f'write it like "{example}", or set {_remedy(quantity, measured.dimension)}',
            ("instruments", str(path[1]), "quantity"),
        )
    return measured.value


def _remedy(quantity: str, dimension: str) -> str:
    """What to set so that a resolution of that dimension fits."""
    if quantity != "mass" and dimension != "mass":
        return 'unit = "L", or whatever it shows' if dimension == "volume" else 'unit = "L/min"'
    return f'quantity = "{"mass" if dimension == "mass" else "flow"}"'
