"""The pages of the weigh-up: which sample is of what, what was found in it, moistures, check weights.

A result finds its sample by the number when it is said (or amended), and keeps to it: the entry of the
sample stands beside it as a fact. So a sample that is numbered alike later on can't take its results away.
"""

from __future__ import annotations

import difflib
from collections import deque
from collections.abc import Iterable, Iterator
from math import inf
from typing import TYPE_CHECKING, Any

from logger.core import actions
from logger.core.actions import body_json
from logger.core.actions.weighup import PAN
from logger.core.books.refused import Refused
from logger.core.books.samples import Check, MoistureSaid, Pan, Place, Sample, SampleResult
from logger.core.books.spoken import Spoken

if TYPE_CHECKING:
    from logger.core.books.pages import Pages
    from logger.core.books.runs import Run

CHECKS_KEPT = 1_000
"""Of each scale; the oldest are forgotten here, and stay in the journal."""
_NAMED = 8  # samples that a refusal names
_NO_RESULT = frozenset({"action", "time", "id", "who", "station", "sample", "lot", "run", "outlet"})


class Evidence:
    """Part of `Pages`. ``taken``: the samples that were taken at outlets, which the books keep themselves."""

    def __init__(self, pages: Pages, taken: deque[Sample]) -> None:
        self._pages = pages
        self._taken = taken
        self.registered: list[Sample] = []
        self.results: list[SampleResult] = []
        self.moistures: list[MoistureSaid] = []
        self.checks: dict[str, deque[Check]] = {}

    # ------------------------------------------------------------------ where

    def place(self, said: actions.Of) -> Place:
        """The material an action names. Refused where there is no such lot, run or outlet."""
        pages = self._pages
        if said.lot is not None:
            if said.lot not in pages.lots:
                known = ", ".join(pages.lots) or "none yet"
                raise Refused(f'there is no lot "{said.lot}"; there is {known}')
            return Place(lot=said.lot)
        run = pages.run_meant(said.run, said.station)
        if said.outlet is not None:
            pages.outlet_of(run, said.outlet)
        return Place(run=run.run, outlet=said.outlet)

    def place_of(self, sample: Sample) -> Place:
        """What a sample is of, as the runs stand now."""
        if sample.registered:
            return Place(sample.lot, sample.run, sample.outlet or None)
        runs = (r for r in self._pages.runs.values() if r.station == sample.station)
        last = max((r for r in runs if r.start_ns <= sample.at_ns), key=lambda r: r.start_ns, default=None)
        return Place(run=None if last is None else last.run, outlet=sample.outlet)

    def samples(self) -> Iterator[Sample]:
        """All that are known, in no order of time."""
        yield from self._taken
        yield from self.registered

    def by_entry(self, entry: int) -> Sample | None:
        return next((each for each in self.samples() if each.entry == entry), None)

    def _sample(self, spoken: Spoken, body: Any) -> Sample:
        """The one sample an action names, found once and kept. Refused with what is known."""
        asked = [body.sample, body.station, body.lot, body.run, body.outlet]
        for fact in spoken.facts:
            if fact["fact"] == "sample" and fact["asked"] == asked:
                kept = self.by_entry(fact["entry"])
                if kept is None:
                    raise Refused(f'its sample "{body.sample}" (entry {fact["entry"]}) is no more')
                return kept
        found = [each for each in self.samples() if each.sample == body.sample and self._fits(each, body)]
        if not found:
            raise Refused(self._unknown(body))
        if len(found) > 1:
            told = "; ".join(f"of {self.place_of(each)}" for each in found)
            raise Refused(
                f'several samples are numbered "{body.sample}": {told}; say which with "run" and "outlet", '
                'or "lot"'
            )
        fact = {"fact": "sample", "asked": asked, "entry": found[0].entry}
        spoken.facts.append(fact | {"of": str(self.place_of(found[0]))})
        return found[0]

    def _fits(self, sample: Sample, body: actions.Of) -> bool:
        place = self.place_of(sample)
        return (
            body.station in (None, sample.station)
            and body.lot in (None, place.lot)
            and body.run in (None, place.run)
            and body.outlet in (None, place.outlet)
        )

    def _unknown(self, body: Any) -> str:
        alike = [each for each in self.samples() if each.sample == body.sample]
        if alike:
            told = "; ".join(f"of {self.place_of(each)}" for each in alike)
            return f'sample "{body.sample}" is {told}, not of what was said with it; leave that out'
        numbers = [each.sample for each in self.samples()]
        near = difflib.get_close_matches(body.sample, numbers, n=_NAMED, cutoff=0.6)
        listed = list(dict.fromkeys([*near, *reversed(numbers)]))[:_NAMED]
        known = f"known are {', '.join(listed)}" if listed else "none is known yet"
        more = " and others" if len(set(numbers)) > len(listed) else ""
        return f'there is no sample "{body.sample}"; {known}{more}; register it first, with what it is of'

    # ------------------------------------------------------------------ what is said

    def enter(self, at_ns: int, spoken: Spoken, body: Any) -> None:
        """Enter an accepted action. Refused where it makes no sense."""
        match body:
            case actions.RegisterSample():
                self._register(at_ns, spoken, body)
            case actions.SampleResult():
                self._result(at_ns, spoken, body)
            case actions.Moisture():
                self._moisture(at_ns, spoken, body)
            case actions.CheckWeight():
                self._check(at_ns, spoken, body)
            case _:
                raise TypeError(f"{body.action} is not for the weigh-up")

    def _register(self, at_ns: int, spoken: Spoken, body: actions.RegisterSample) -> None:
        place = self.place(body)
        station = "" if place.run is None else self._pages.runs[place.run].station
        outlet = place.outlet or ""
        for known in self.samples():
            if known.sample != body.sample or known.entry > spoken.latest_seq:
                continue
            same = self.place_of(known) == place
            if same or (not known.registered and (known.station, known.outlet) == (station, outlet)):
                raise Refused(
                    f'there is a sample "{body.sample}" of {self.place_of(known)} already; '
                    "number it otherwise"
                )
        sample = Sample(
            at_ns, station, outlet, body.sample, body.mass, None, spoken.seq, True, place.lot, place.run
        )
        sample.note = body.note
        self.registered.append(sample)

    def _result(self, at_ns: int, spoken: Spoken, body: actions.SampleResult) -> None:
        sample = self._sample(spoken, body)
        found = {key: value for key, value in body_json(body).items() if key not in _NO_RESULT}
        self.results.append(SampleResult(spoken.seq, at_ns, sample.entry, found))

    def _moisture(self, at_ns: int, spoken: Spoken, body: actions.Moisture) -> None:
        sample = None if body.sample is None else self._sample(spoken, body)
        place = self.place(body) if sample is None else None
        entry = None if sample is None else sample.entry
        if body.share is not None:
            self.moistures.append(
                MoistureSaid(spoken.seq, at_ns, place, entry, body.share, body.basis, body.u)
            )
            return
        of = f"sample {body.sample}" if sample is not None else str(place)
        pan = self._pan(at_ns, spoken.seq, place, entry, body.container)
        pan.scale = body.scale or pan.scale
        for what in PAN:
            value = getattr(body, what)
            if value is not None:
                told = self._pages.weight(spoken, (body.container, what, value, body.scale), of)
                if told is not None:
                    pan.put(what, *told)

    def _pan(self, at_ns: int, seq: int, place: Place | None, sample: int | None, container: str) -> Pan:
        """The pan that weights are joined in; a fresh one where there is none of that name."""
        for each in self.moistures:
            same = (each.place, each.sample) == (place, sample)
            if same and each.pan is not None and each.pan.container == container:
                return each.pan
        pan = Pan(container)
        self.moistures.append(MoistureSaid(seq, at_ns, place, sample, pan=pan))
        return pan

    def _check(self, at_ns: int, spoken: Spoken, body: actions.CheckWeight) -> None:
        asked = (CHECK, "shown", body.shown, body.scale)
        told = self._pages.weight(spoken, asked, f"a check weight of {body.nominal:g} kg", body.nominal)
        if told is None:
            return
        shown_kg, u_kg = told
        weighed = next((f for f in spoken.facts if f["fact"] == "weighed"), None)
        if weighed is not None and body.shown == "weigh":
            at_ns = weighed.get("at_ns", at_ns)
        done = Check(spoken.seq, at_ns, body.scale, body.nominal, body.u, shown_kg, u_kg, body.note)
        self.checks.setdefault(body.scale, deque(maxlen=CHECKS_KEPT)).append(done)

    # ------------------------------------------------------------------ questions

    def has_result(self, sample: Sample) -> bool:
        said: Iterable[SampleResult | MoistureSaid] = (*self.results, *self.moistures)
        return any(each.sample == sample.entry for each in said)

    def samples_of_lot(self, lot: str) -> list[dict[str, Any]]:
        """The samples of a lot's feed, each with all that was found in it, in the order of their taking."""
        return self._told_of([each for each in self.registered if each.lot == lot])

    def samples_of_run(self, run: Run) -> list[dict[str, Any]]:
        """As `samples_of_lot`, of all materials of a run: also what was taken until the next one began."""
        later = (r.start_ns for r in self._pages.runs.values() if r.station == run.station)
        until_ns = min((start for start in later if start > run.start_ns), default=inf)
        mine = [each for each in self.registered if each.run == run.run]
        mine += [
            each
            for each in self._taken
            if each.station == run.station and run.start_ns <= each.at_ns < until_ns
        ]
        return self._told_of(mine)

    def _told_of(self, samples: list[Sample]) -> list[dict[str, Any]]:
        return [self._sample_json(each) for each in sorted(samples, key=lambda s: (s.at_ns, s.entry))]

    def _sample_json(self, sample: Sample) -> dict[str, Any]:
        return sample.to_json() | {
            "results": [each.to_json() for each in self.results if each.sample == sample.entry],
            "moistures": [each.to_json() for each in self.moistures if each.sample == sample.entry],
        }

    def moistures_of(self, place: Place) -> list[dict[str, Any]]:
        """What was said of a material's own moisture, not of a sample's."""
        return [each.to_json() for each in self.moistures if each.place == place]

    def moistures_of_run(self, run: str) -> list[dict[str, Any]]:
        """As `moistures_of`, of all materials of a run, each with its outlet (None: the feed)."""
        return [
            {"outlet": each.place.outlet, **each.to_json()}
            for each in self.moistures
            if each.place is not None and each.place.run == run
        ]

    def checks_of(self, scale: str) -> list[Check]:
        """The check weights put on a scale, in order of time."""
        return sorted(self.checks.get(scale, ()), key=lambda check: (check.at_ns, check.entry))

    def check_of(self, entry: int, scale: str) -> Check | None:
        """The check that an action made; None: there is none yet."""
        return next((each for each in self.checks.get(scale, ()) if each.entry == entry), None)

    def told(self, spoken: Spoken, body: Any) -> tuple[str, str, dict[str, Any]] | None:
        """What is told of an action that was just taken: kind, subject and data."""
        match body:
            case actions.RegisterSample():
                mine = self.registered[-1]
                of = self.place_of(mine)
                return "sample-registered", body.sample, {"sample": body.sample, "of": str(of)} | of.to_json()
            case actions.SampleResult() | actions.Moisture(sample=str()):
                of = self.place_of(self._sample(spoken, body))
                return body.action, str(body.sample), {"sample": body.sample, "of": str(of)} | of.to_json()
            case actions.Moisture():
                of = self.place(body)
                return "moisture", str(of), {"sample": None, "of": str(of)} | of.to_json()
            case actions.CheckWeight() if body.shown != "weigh":
                check = self.check_of(spoken.seq, body.scale)
                return None if check is None else ("check-weight", body.scale, check.to_json())
        return None


CHECK = "check weight"
"""What a pending weight is called that is no container but a check weight."""
