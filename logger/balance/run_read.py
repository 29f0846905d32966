"""What the books and the tally of one run make of its feed and its products."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from logger.balance.document import Composition
from logger.balance.material import Json, Material
from logger.core.description import Bay, Outlet, Station
from logger.core.expected_grades import FEED, Grades, origin

LIVE = frozenset({"wet", "solids", "with water", "as shown"})
WIDE_HOLD_UP = 0.5
"""Standard uncertainty of a hold-up that was declared or judged without one, as a share of it: assumed."""


@dataclass(slots=True)
class RunRead:
    """A run on its way into a weigh-up. ``products`` and ``unsampled`` stand by the names of their streams.

    ``unsampled``: products that are like the feed, more or less. ``of_outlet``: outlet -> name of its stream.
    ``sources``: the streams it is fed with, where those are products of other runs.
    """

    run: Json
    until: str  # when it ended, or up to when it is told
    station: Station
    feed: Material
    products: dict[str, Material] = field(default_factory=dict)
    unsampled: dict[str, Material] = field(default_factory=dict)
    of_outlet: dict[str, str] = field(default_factory=dict)
    feed_names: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        return str(self.run["run"])

    @property
    def fed_with(self) -> tuple[str, ...]:
        """The products of other runs that it was fed with, as the books name them."""
        named = self.run["feed_from"] or ()
        return (named,) if isinstance(named, str) else tuple(named)


class Reader:
    """Reads runs of a bay. ``stream`` gives a stream's name in the document, by run and what it is.

    ``expected``: what earlier lots of the material tell, by run; it stands in place of what is configured.
    """

    def __init__(
        self, bay: Bay, stream: Callable[[Json, str], str], expected: Mapping[str, Grades] | None = None
    ) -> None:
        self._bay, self._stream, self._grades = bay, stream, expected or {}

    def read(self, run: Json, tally: Json) -> RunRead:
        """The feed and all products of a run."""
        station = next(each for each in self._bay.stations if each.name == run["station"])
        read = RunRead(run, tally["end"], station, self._feed(run, tally, station))
        for key, told in tally["outlets"].items():
            outlet = next(each for each in station.outlets if each.name == told["name"])
            for name, outlets, material in self._outlet(run, key, told, outlet):
                stream = self._stream(run, name)
                read.products[stream] = material
                read.of_outlet |= dict.fromkeys(outlets, stream)
        read.unsampled = self._unsampled(run, tally)
        return read

    def _feed(self, run: Json, tally: Json, station: Station) -> Material:
        feed = Material()
        if run["end"] is None:
            feed.notes.append(f"run {run['run']} is still open; its masses are those up to now")
        if tally.get("taken", "") is None:
            feed.notes.append(
                f"run {run['run']} was said too late for its masses to be known from the scales"
            )
        elif run["end"] is not None and (tally["start"], tally["end"]) != (run["start"], run["end"]):
            span = f"{tally['start']} to {tally['end']}"
            feed.notes.append(f"run {run['run']} was corrected late; masses are those from {span}")
        if tally["feed_kg"] is not None:
            feed.take_net(tally["feed_kg"], tally["feed_u_kg"], self._scale(station.feed.channel))
        samples = [each for each in run["samples"] if each["outlet"] is None]
        feed.take_samples(samples)
        feed.take_moistures([m for m in run["moistures"] if m["outlet"] is None], samples, None)
        told = (None, None) if run["feed_from"] else (station.feed_grade, station.feed_grade_u)
        self._expect(feed, run, FEED, told)
        return feed

    def _expect(
        self, material: Material, run: Json, name: str, configured: tuple[float | None, float | None]
    ) -> None:
        """Add the grade that is expected: by earlier lots, else as configured; beside what was measured."""
        component = next(each for each in self._bay.stations if each.name == run["station"]).component
        if component is None:
            return
        grades, (grade, u) = self._grades.get(run["run"], {}), configured
        if name in grades:
            grade, u = grades[name].grade, grades[name].u
            material.notes.append(origin(grades, name, component))
        if grade is not None:
            material.compositions.append(Composition(expected={component: grade}, u=u))

    def _outlet(
        self, run: Json, channel: str, told: Json, outlet: Outlet
    ) -> list[tuple[str, tuple[str, ...], Material]]:
        """The products of an outlet: stream name, the outlets it is of, and the material."""
        by_hand = {} if run["end"] is None else run["products"]
        members = outlet.members
        if members and all(_all_weighed(by_hand.get(each, ())) for each in members):
            return [
                (each, (each,), self._product(run, (each,), by_hand[each], None, outlet)) for each in members
            ]
        names = (outlet.name, *members)
        live = (channel, told) if told["says"] in LIVE else None
        return [
            (
                outlet.name,
                names,
                self._product(run, names, by_hand.get(outlet.name, ()), live, outlet),
            )
        ]

    def _product(
        self,
        run: Json,
        names: tuple[str, ...],
        by_hand: Sequence[Json],
        live: tuple[str, Json] | None,
        outlet: Outlet,
    ) -> Material:
        product = Material()
        samples = [each for each in run["samples"] if each["outlet"] == names[0]]
        moistures = [each for each in run["moistures"] if each["outlet"] == names[0]]
        apart = [each["sample"] for each in run["samples"] if each["outlet"] in names[1:]]
        if apart:
            product.notes.append(
                f"sample {', '.join(apart)} is of one of the outlets that stood together; left out"
            )
        if not product.take_containers(by_hand, "weighed by hand") and live is not None:
            self._live(product, *live, moist=bool(moistures))
        elif live is not None and live[1]["delivered_kg"] is not None:
            product.notes.append(
                f"weighed by hand; its scale told {live[1]['delivered_kg']:.6g} kg {live[1]['says']}"
            )
        product.take_samples(samples)
        product.take_moistures(moistures, samples, None)
        self._expect(product, run, names[0], (outlet.expected_grade, outlet.expected_grade_u))
        return product

    def _live(self, product: Material, channel: str, told: Json, *, moist: bool) -> None:
        """The net from the tally, as far as what the scale said is the product's mass."""
        kg, says = told["delivered_kg"], told["says"]
        if kg is None:
            return
        if says == "with water" and not moist:
            product.notes.append(
                f"its container keeps all its water: {kg:.6g} kg with it; not taken for its mass. Decant and "
                "weigh it (weigh-product), or say the moisture of what was weighed"
            )
            return
        product.take_net(kg, told["u_kg"], self._scale(channel))
        product.dry = says == "solids"
        if says == "solids":
            product.notes.append("solids, by what they displaced in a container full of water")
        if says == "as shown":
            product.notes.append(
                "its kind of container is not told; taken for wet solids as the scale showed"
            )
        if told["estimated_kg"]:
            product.notes.append(f"{told['estimated_kg']:.3g} kg of it passed unweighed and are estimated")

    # ------------------------------------------------------------------ products that nobody samples

    def _unsampled(self, run: Json, tally: Json) -> dict[str, Material]:
        """What stayed on the deck, was swept up, or came while no container stood there."""
        found: dict[str, Material] = {}
        hold_up = self._hold_up(tally)
        if hold_up is not None:
            found[self._stream(run, "hold-up")] = hold_up
        swept = Material()
        if swept.take_containers(run.get("swept_up", ()), "swept up"):
            found[self._stream(run, "swept up")] = swept
            return found
        for told in tally["outlets"].values():
            if told["not_caught_kg"]:
                missed = Material(notes=["came while no container stood there; estimated"])
                missed.take_net(told["not_caught_kg"], WIDE_HOLD_UP * told["not_caught_kg"], None)
                found[self._stream(run, f"{told['name']} not caught")] = missed
        return found

    @staticmethod
    def _hold_up(tally: Json) -> Material | None:
        kg, how = tally["hold_up_kg"], tally["hold_up_how"]
        if not kg or how == "emptied":
            return None
        u_kg = None if tally["hold_up"] is None else tally["hold_up"]["u_kg"]
        material = Material(notes=[f"on the deck at the end: {how}"])
        material.take_net(kg, u_kg or WIDE_HOLD_UP * kg, None)
        return material

    def _scale(self, channel: str | None) -> str | None:
        known = any(each.name == channel for each in self._bay.channels)
        return channel if known else None


def _all_weighed(containers: Sequence[Json]) -> bool:
    return bool(containers) and all(each["net_kg"] is not None for each in containers)
