"""From the books to a weigh-up: the document of a run, or of a lot over all its runs.

It takes the JSON that `core.books` and the tallies give, so it can be used on what the API answers, too. What
becomes of it:

- Each outlet is a product: its net from the live tally, or from containers weighed by hand, which count
  first. Outlets that stand together on one scale are one stream, unless each was weighed by hand.
- The feed is what the hopper lost, or what was booked in; where there are both, ``booked`` is a stream of its
  own, and a node ``booking`` says that it became the feed: two measurements of one material.
- What stayed on the deck, what was swept up, and what came while no container stood there are products, too.
- A run that is fed with products of earlier ones: those streams are its feed; where the hopper weighed them
  again, or several runs share them, a node ``... over again`` joins them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from logger.balance.document import CheckWeight, Pass, Scale, Stream, WeighUp
from logger.balance.for_sale import for_sale
from logger.balance.material import Json, Material, components_of, wide
from logger.balance.run_read import Reader, RunRead
from logger.core.description import Bay
from logger.core.expected_grades import Grades

BOOKED = "booked"
BOOKING = "booking"
LEFT = 0.05
"""Part of a lot that may be missing from what was fed while it still counts as all of it: drying on the way,
dust, other scales. Assumed, no source."""
CHECKS = 50
"""Check weights of each scale that go into a weigh-up, the newest."""
_LONGEST = 80


def of_run(
    bay: Bay,
    run: Json,
    tally: Json,
    *,
    lot: Json | None = None,
    whole_lot: bool = True,
    sources: Sequence[Json] = (),
    checks: Mapping[str, Sequence[Json]] | None = None,
    expected: Mapping[str, Grades] | None = None,
) -> WeighUp:
    """The weigh-up of one run. ``whole_lot``: whether all that was booked in as ``lot`` was fed to this run.

    ``sources``: the runs whose products it was fed with. ``checks``: check weights by scale.
    ``expected``: what earlier lots of the material tell, by run (`core.expected_grades`).
    """
    known = {each["run"]: each for each in (*sources, run)}
    return _Gathering(
        bay, known, {run["run"]: tally}, (lot, whole_lot), checks or {}, expected=expected
    ).document()


def of_lot(
    bay: Bay,
    lot: Json,
    runs: Sequence[Json],
    tallies: Mapping[str, Json],
    *,
    whole_lot: bool = True,
    checks: Mapping[str, Sequence[Json]] | None = None,
    expected: Mapping[str, Grades] | None = None,
) -> WeighUp:
    """The weigh-up of a lot over all its ``runs``, in the order they were run; ``tallies`` by run.

    ``whole_lot``: whether all that was booked in was fed by now. ``expected``: as in `of_run`.
    """
    known = {run["run"]: run for run in runs}
    return _Gathering(bay, known, tallies, (lot, whole_lot), checks or {}, expected=expected).document()


class _Gathering:
    """One document on its way."""

    def __init__(
        self,
        bay: Bay,
        known: Mapping[str, Json],
        tallies: Mapping[str, Json],
        lot: tuple[Json | None, bool],
        checks: Mapping[str, Sequence[Json]],
        *,
        expected: Mapping[str, Grades] | None,
    ) -> None:
        self._bay, self._known, self._checks = bay, known, checks
        self._lot, self._whole = lot
        self._alone = len(tallies) == 1
        self._names: set[str] = {BOOKED} if self._lot is not None else set()
        self._materials: dict[str, Material] = {}
        self._passes: dict[str, Pass] = {}
        reader = Reader(bay, self._stream, expected)
        self._runs = [reader.read(known[name], tally) for name, tally in tallies.items()]

    def document(self) -> WeighUp:
        """All of it. Streams stand in the order of the work: booked, feed, products, run by run."""
        for run in self._runs:
            run.sources = self._sources(run)
        self._feeds()
        by_pass = {self._fresh(run.name): run for run in self._runs}
        for name, run in by_pass.items():
            self._passes[name] = Pass(feed=run.feed_names, products=(*run.products, *run.unsampled))
            self._materials |= run.products | run.unsampled
        components, complete = self._components()
        streams = {name: material.stream() for name, material in self._materials.items()}
        return WeighUp(
            lot="" if self._lot is None else self._lot["lot"],
            material="" if self._lot is None else self._lot["material"],
            units="lb" if self._bay.units == "lb" else "kg",
            components=components,
            complete=complete,
            wanted=next((r.station.component for r in self._runs if r.station.component in components), None),
            scales=self._scales(streams),
            streams=streams,
            passes=self._passes,
            at=max((run.run["end"] for run in self._runs if run.run["end"] is not None), default=None),
            settings=self._settings(),
            **for_sale(by_pass, components),
        )

    def _settings(self) -> dict[str, str]:
        """The settings of a run by itself; one that was changed in its course shows all its values."""
        if not self._alone:
            return {}
        found: dict[str, list[str]] = {}
        for told in self._runs[0].run["settings"]:
            for name, value in told["values"].items():
                values = found.setdefault(name, [])
                if value not in values[-1:]:
                    values.append(value)
        return {name: ", then ".join(values)[:_LONGEST] for name, values in found.items()}

    # ------------------------------------------------------------------ feeds

    def _sources(self, run: RunRead) -> tuple[str, ...]:
        """The streams of this document that a run was fed with."""
        found = []
        for named in run.fed_with:
            before, _, outlet = named.rpartition("/")
            other = next((each for each in self._runs if each.name == before), None)
            if other is not None and outlet in other.of_outlet:
                found.append(other.of_outlet[outlet])
            elif before in self._known and len(run.fed_with) == 1:  # of another run, whose samples are of use
                earlier = self._known[before]["samples"]
                run.feed.take_samples([each for each in earlier if each["outlet"] == outlet])
        return tuple(dict.fromkeys(found))

    def _feeds(self) -> None:
        """Name every run's feed, and join what are two measurements of one material."""
        self._book_in([run for run in self._runs if not run.fed_with])
        for run in self._runs:
            if not run.feed_names and not run.sources:
                self._name_feed(run)
        waiting = [run for run in self._runs if run.sources]
        while waiting:
            together, sources = [waiting.pop(0)], set[str]()
            while not sources.issuperset(more := {each for run in together for each in run.sources}):
                sources = more
                together += [run for run in waiting if sources & set(run.sources)]
                waiting = [run for run in waiting if run not in together]
            self._over_again(together)

    def _name_feed(self, run: RunRead) -> str:
        name = self._stream(run.run, "feed")
        self._materials[name] = run.feed
        run.feed_names = (name,)
        return name

    def _book_in(self, firsts: Sequence[RunRead]) -> None:
        """What was booked in is the feed, or became it."""
        lot = self._lot
        if lot is None or not firsts:
            return
        booked = Material()
        if self._whole:
            self._booked_net(booked, lot)
            self._left_over(booked, firsts)
        booked.take_samples(lot["samples"])
        booked.take_moistures(lot["moistures"], lot["samples"], lot["moisture"])
        if not booked.weighed and not booked.compositions:
            for run in firsts:
                run.feed.moisture = run.feed.moisture or booked.moisture
            return
        if len(firsts) == 1 and not (booked.weighed and firsts[0].feed.weighed):
            _join(firsts[0].feed, booked)
            return
        for run in firsts:
            run.feed.moisture = run.feed.moisture or booked.moisture
        self._materials[BOOKED] = booked
        booked.notes.append("taken to have been fed as a whole")
        self._passes[self._fresh(BOOKING)] = Pass(
            feed=(BOOKED,), products=tuple(self._name_feed(run) for run in firsts)
        )

    @staticmethod
    def _left_over(booked: Material, firsts: Sequence[RunRead]) -> None:
        """Where plainly less was fed than booked in, the rest lies there still: that mass says nothing."""
        fed = [run.feed.kg for run in firsts]
        if booked.kg is None or None in fed:
            return
        total = sum(kg for kg in fed if kg is not None)
        if total < (1.0 - LEFT) * booked.kg:
            firsts[0].feed.notes.append(
                f"{booked.kg:.4g} kg were booked in and {total:.4g} kg fed: the rest was taken to lie there "
                "still, and the booked mass was not used"
            )
            booked.net_kg, booked.containers = None, ()

    @staticmethod
    def _booked_net(booked: Material, lot: Json) -> None:
        weighed = lot["containers"]
        if not weighed and lot["gross_kg"] is not None:
            tare = lot["tare_kg"]
            if tare is None:
                booked.notes.append(
                    "no tare was told when the lot was booked in: the gross is taken for the net"
                )
            one = {"container": "the lot", "gross_kg": lot["gross_kg"], "tare_kg": tare or 0.0}
            weighed = [one | {"net_kg": lot["net_kg"], "scale": None}]
        booked.take_containers(weighed, "booked in")

    def _over_again(self, runs: Sequence[RunRead]) -> None:
        """Products that are fed again: as they are, or weighed again, or shared between runs."""
        sources = tuple(dict.fromkeys(each for run in runs for each in run.sources))
        first = runs[0].feed
        if len(runs) == 1 and not first.weighed:
            if len(sources) == 1:
                _join(next(r.products[sources[0]] for r in self._runs if sources[0] in r.products), first)
            if len(sources) == 1 or not (first.moisture or first.compositions):
                runs[0].feed_names = sources
                return
        feeds = tuple(self._name_feed(run) for run in runs)
        self._passes[self._fresh(f"{' + '.join(sources)} over again")] = Pass(feed=sources, products=feeds)

    # ------------------------------------------------------------------ the whole

    def _components(self) -> tuple[tuple[str, ...], bool]:
        """The components; what nobody sampled is given a wide expectation of them."""
        wanted = next((r.station.component for r in self._runs if r.station.component is not None), None)
        components, complete = components_of(self._materials.values(), wanted)
        for run in self._runs:
            feeds = [(1.0, self._materials[name]) for name in run.feed_names]
            products = [(each.kg or 1.0, each) for each in run.products.values()]
            like = feeds if any(each.compositions for _, each in feeds) else products
            for material in run.unsampled.values():
                guess = wide(components, complete, like)
                if guess is not None:
                    material.compositions.append(guess)
        return components, complete

    def _scales(self, streams: Mapping[str, Stream]) -> dict[str, Scale]:
        """The scales that anything was weighed on."""
        used: dict[str, None] = {}
        for stream in streams.values():
            parts: list[Any] = [stream, *stream.containers, *stream.compositions]
            parts += [] if stream.moisture is None else [stream.moisture]
            used |= dict.fromkeys(part.scale for part in parts if part.scale is not None)
        return {name: scale_of(self._bay, name, self._checks.get(name, ())[-CHECKS:]) for name in used}

    def _stream(self, run: Json, what: str) -> str:
        if self._alone:
            return self._fresh(what)
        half = _LONGEST // 2 - 2
        return self._fresh(f"{run['run'][-half:]}/{what[-half:]}")

    def _fresh(self, name: str) -> str:
        """The name, or a numbered one where it is used."""
        name, number = name[-_LONGEST:], 2
        found = name
        while found in self._names:
            found, number = f"{name[-_LONGEST + 4 :]} {number}", number + 1
        self._names.add(found)
        return found


def scale_of(bay: Bay, name: str, checks: Sequence[Json]) -> Scale:
    """A scale as the settings and the check weights know it."""
    channel: Any = bay.channel(name)
    return Scale(
        resolution=channel.resolution_kg,
        verification_interval=channel.verification_interval_kg,
        accuracy_class=channel.accuracy_class,
        repeatability=channel.repeatability_kg,
        tolerance=channel.tolerance_kg,
        checks=tuple(
            CheckWeight(
                nominal=each["nominal_kg"],
                shown=each["shown_kg"],
                u_nominal=each["u_nominal_kg"] or 0.0,
                at=each["time"],
            )
            for each in checks
        ),
    )


def _join(into: Material, other: Material) -> None:
    """Two materials that are one: whatever the first lacks comes from the other."""
    if not into.weighed:
        into.net_kg, into.u_kg, into.scale = other.net_kg, other.u_kg, other.scale
        into.containers, into.dry = other.containers, other.dry
    into.moisture = into.moisture or other.moisture
    measured = [each for each in other.compositions if each.way != "expected"]
    into.compositions = [*into.compositions, *measured]
    into.notes += other.notes
