"""Expected grades from earlier lots of the same material: what was really measured there, as a prior.

Of each earlier lot one figure for an outlet: the mean over its runs on the station that have ended, of a
run over the results of that outlet's samples. A figure is the mass fraction of the station's component per
dry mass: an assay (per wet mass made dry by the sample's or the material's moisture, else left out) or a hand
sort. Counts, a fraction of pieces, serve only where no earlier lot has anything else, and that is said.

Of n >= 2 lots the next is expected at their mean x, with s * sqrt(1 + 1/n), s the standard deviation among
the lots: that of one new lot, not of the mean (prediction interval of a normal population, textbook, from
memory; s as in JCGM 100, 4.2.2). Since s of few lots is hardly known itself, that is multiplied by
t(n-1)/1.96 (Student's t for 95 %, from memory): so +-1.96 u holds the next lot 95 times of 100. Two or three
lots may agree by chance: of them u is not less than what the configuration gives.

Nothing here mixes with what was measured of the lot itself.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import sqrt
from statistics import fmean, stdev
from typing import Any, TypeAlias

from logger.core.books import Books, Run
from logger.core.books.samples import MoistureSaid, Place, Sample, SampleResult
from logger.core.description import Outlet, Station
from logger.core.rules.recovery import GRADE_U

FEED = ""
"""The key of the feed's grade, beside the names of the outlets."""
LOTS_LEAST = 2
LOTS_FEW = 3  # so many may agree by chance
LEAST, LEAST_PART = 1e-4, 0.02
"""Standard uncertainty that an expectation has at least: 0.01 points, and 2 % of it. Assumed, no source."""
MOST = 0.5
T95 = (12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228)  # 1 to 10 degrees of freedom
UNIT95 = 1.96


@dataclass(frozen=True, slots=True)
class Expected:
    """An expected grade (fraction of 1) with its standard uncertainty, and how many lots it comes from."""

    grade: float
    u: float
    lots: int
    pieces: bool  # from counts: a fraction of pieces, not of mass


Grades: TypeAlias = Mapping[str, Expected]
"""By the name of the outlet; `FEED`: of the feed. What is not there is expected as configured."""
_Figures: TypeAlias = dict[Place, list[float]]


def expected_grades(books: Books, run: Run, station: Station) -> Grades:
    """What earlier lots of the same material tell of a run's products and feed.

    Earlier: another lot, a run of which began before this one, and has ended. A run that is fed with products
    of others is only like those that were fed with the same outlets' products.
    """
    runs = _earlier(books, run)
    if station.component is None or len(set(runs.values())) < LOTS_LEAST:
        return {}
    weighed, counted = _figures(books, station, runs, fresh=not run.feed_from)
    configured = {FEED: (station.feed_grade, station.feed_grade_u)}
    for outlet in station.outlets:
        configured |= dict.fromkeys(_names(outlet), (outlet.expected_grade, outlet.expected_grade_u))
    found: dict[str, Expected] = {}
    for name, told in configured.items():
        by_mass = _by_lot(weighed, name, runs)
        lots = by_mass or _by_lot(counted, name, runs)
        if len(lots) >= LOTS_LEAST:
            found[name] = _expected(lots, told, pieces=not by_mass)
    return found


def _names(outlet: Outlet) -> tuple[str, ...]:
    return (outlet.name, *outlet.members)


def _earlier(books: Books, run: Run) -> dict[str, str]:
    """The runs of earlier lots of the same material, and their lots."""
    lot = None if run.lot is None else books.lots.get(run.lot)
    material = "" if lot is None else _word(lot.material)
    if not material:
        return {}
    alike = {each.lot for each in books.lots.values() if _word(each.material) == material} - {run.lot}
    return {
        each.run: each.lot
        for each in books.runs.values()
        if each.lot in alike
        and each.lot is not None
        and each.station == run.station
        and each.end_ns is not None
        and each.start_ns < run.start_ns
        and _fed_with(each) == _fed_with(run)
    }


def _word(material: str) -> str:
    return " ".join(material.split()).casefold()


def _fed_with(run: Run) -> set[str]:
    return {each.rpartition("/")[2] for each in run.feed_from}


# ------------------------------------------------------------------ figures of samples


def _figures(
    books: Books, station: Station, runs: Mapping[str, str], *, fresh: bool
) -> tuple[_Figures, _Figures]:
    """All results of those runs, by mass and by pieces. ``fresh``: of their lots' feeds, too."""
    evidence, component = books.evidence, station.component or ""
    lots = set(runs.values()) if fresh else set()
    results: dict[int, list[SampleResult]] = defaultdict(list)
    for result in evidence.results:
        results[result.sample].append(result)
    of_station = sorted((r for r in books.runs.values() if r.station == station.name), key=_start)
    starts = [r.start_ns for r in of_station]
    weighed: _Figures = defaultdict(list)
    counted: _Figures = defaultdict(list)
    for sample in evidence.samples():
        if sample.entry not in results:
            continue
        place = _place(sample, station, of_station, starts)
        if place.lot not in lots and place.run not in runs:
            continue
        for result in results[sample.entry]:
            share = _share(result.found, component, (sample.entry, place), evidence.moistures)
            if share is not None:
                (counted if result.found.get("counted") else weighed)[place].append(share)
    return weighed, counted


def _start(run: Run) -> int:
    return run.start_ns


def _place(sample: Sample, station: Station, runs: list[Run], starts: list[int]) -> Place:
    """What a sample is of; as `Evidence.place_of`, looked up in sorted runs."""
    if sample.registered:
        return Place(sample.lot, sample.run, sample.outlet or None)
    at = bisect_right(starts, sample.at_ns)
    mine = at > 0 and sample.station == station.name
    return Place(run=runs[at - 1].run if mine else None, outlet=sample.outlet)


def _share(
    found: Mapping[str, Any], component: str, of: tuple[int, Place], moistures: Sequence[MoistureSaid]
) -> float | None:
    """The component's share by one result; None where it was not looked for, or its dry mass isn't known."""
    by_hand = found.get("sorted") or found.get("counted")
    if by_hand:
        total = sum(by_hand.values())
        return by_hand[component] / total if component in by_hand and total > 0 else None
    share: float | None = (found.get("assay") or {}).get(component)
    if share is None or found.get("basis", "dry") == "dry":
        return share
    entry, place = of
    of_sample = [_water(each) for each in moistures if each.sample == entry]
    of_place = [_water(each) for each in moistures if each.place == place]
    known = [w for w in of_sample if w is not None] or [w for w in of_place if w is not None]
    return min(share / (1.0 - fmean(known)), 1.0) if known else None


def _water(said: MoistureSaid) -> float | None:
    """Water / wet mass; None where weights of the pan are missing, or nothing dry would be left."""
    if said.share is not None:
        wet = said.share if said.basis == "wet" else said.share / (1.0 + said.share)
    else:
        kg = {} if said.pan is None else said.pan.kg
        if not kg.keys() >= {"pan", "pan_wet", "pan_dry"} or kg["pan_wet"] <= kg["pan"]:
            return None
        wet = (kg["pan_wet"] - kg["pan_dry"]) / (kg["pan_wet"] - kg["pan"])
    return wet if wet < 1.0 else None


# ------------------------------------------------------------------ figures of lots


def _by_lot(figures: _Figures, name: str, runs: Mapping[str, str]) -> list[float]:
    """One figure a lot: the mean over its runs; samples of a lot's feed stand beside those of its runs."""
    lots: dict[str, list[float]] = defaultdict(list)
    for run, lot in runs.items():
        told = figures.get(Place(run=run, outlet=name or None))
        if told:
            lots[lot].append(fmean(told))
    for lot in dict.fromkeys(runs.values()):
        told = figures.get(Place(lot=lot)) if name == FEED else None
        if told:
            lots[lot].append(fmean(told))
    return [fmean(each) for each in lots.values()]


def _expected(lots: list[float], told: tuple[float | None, float | None], *, pieces: bool) -> Expected:
    n, mean = len(lots), fmean(lots)
    t = T95[min(n - 1, len(T95)) - 1]
    u = stdev(lots) * sqrt(1.0 + 1.0 / n) * t / UNIT95
    if n <= LOTS_FEW:
        grade, u_told = told
        u = max(u, u_told if u_told is not None else GRADE_U * (mean if grade is None else grade))
    return Expected(round(mean, 9), round(min(max(u, LEAST, LEAST_PART * mean), MOST), 9), n, pieces)


# ------------------------------------------------------------------ how they are used and told


def informed(station: Station, grades: Grades) -> Station:
    """A station with what earlier lots tell in place of what is configured."""
    outlets = tuple(
        replace(outlet, expected_grade=grades[outlet.name].grade, expected_grade_u=grades[outlet.name].u)
        if outlet.name in grades
        else outlet
        for outlet in station.outlets
    )
    feed = grades.get(FEED)
    if feed is None:
        return replace(station, outlets=outlets)
    return replace(station, outlets=outlets, feed_grade=feed.grade, feed_grade_u=feed.u)


def expected_from(station: Station, grades: Grades, recovered: Mapping[str, Any]) -> dict[str, Any]:
    """Where the grades behind a recovery come from: lots by outlet (0: as configured), and in words."""
    over_outlets = recovered["basis"] == "outlets"
    names = [o.name for o in station.outlets] if over_outlets else [recovered["outlet"], FEED]
    lots = {name or "feed": grades[name].lots if name in grades else 0 for name in names}
    pieces = any(name in grades and grades[name].pieces for name in names)
    return {"lots": lots, "pieces": pieces, "words": _words(Counter(lots.values()), pieces=pieces)}


def _words(lots: Counter[int], *, pieces: bool) -> str:
    known = [n for n in lots if n > 0]
    if not known:
        return "estimated"
    few, many = min(known), max(known)
    span = f"{many}" if few == many else f"{few} to {many}"
    rest = ", some grades as configured" if lots[0] else ""
    return f"estimated from {span} earlier lots{', by pieces counted' if pieces else ''}{rest}"


def origin(grades: Grades, name: str, component: str) -> str:
    """For the note of a stream of a weigh-up: where its expected grade comes from."""
    told = grades[name]
    by = ", as a fraction of pieces counted" if told.pieces else ""
    return f"{component} is expected as in {told.lots} earlier lots of the material{by}"
