"""What is asked of a bay for its weigh-ups and its scales.

Each function looks everything up at once, where nobody changes the bay meanwhile, and answers with what makes
the document of it: that needs the bay no more and may be done anywhere.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

from pydantic import ValidationError

from logger.balance.document import Scale, WeighUp
from logger.balance.faults import WeighUpError, told
from logger.balance.gather import of_lot, of_run, scale_of
from logger.core.bay import Bay
from logger.core.books import Run
from logger.core.expected_grades import Grades, expected_grades

Making = Callable[[], WeighUp]
"""Makes the document. WeighUpError where what was said fits together, and yet makes no weigh-up."""


def of_a_run(bay: Bay, name: str) -> Making | None:
    """The weigh-up of a run; None where there is no such run."""
    run = bay.books.runs.get(name)
    if run is None:
        return None
    before = dict.fromkeys(each.rpartition("/")[0] for each in run.feed_from)
    sources = [bay.books.run_json(bay.books.runs[each]) for each in before if each in bay.books.runs]
    lot = None if run.lot is None else bay.books.lots.get(run.lot)
    firsts = [each.run for each in _runs_of(bay, run.lot) if not each.feed_from]
    make = partial(
        of_run,
        bay.description,
        bay.books.run_json(run),
        bay.run_tally(run),
        lot=None if lot is None else bay.books.lot_json(lot),
        whole_lot=firsts == [name] and run.end_ns is not None,
        sources=sources,
        checks=checks_of(bay),
        expected=_expected(bay, [run]),
    )
    return partial(_made, make)


def of_a_lot(bay: Bay, name: str) -> Making | None:
    """The weigh-up of a lot over all its runs; None where there is no such lot, or no run of it."""
    lot = bay.books.lots.get(name)
    runs = _with_later(bay, _runs_of(bay, name))
    if lot is None or not runs:
        return None
    make = partial(
        of_lot,
        bay.description,
        bay.books.lot_json(lot),
        [bay.books.run_json(run) for run in runs],
        {run.run: bay.run_tally(run) for run in runs},
        whole_lot=all(run.end_ns is not None for run in runs if not run.feed_from),
        checks=checks_of(bay),
        expected=_expected(bay, runs),
    )
    return partial(_made, make)


def scales_of(bay: Bay) -> Callable[[], dict[str, Scale]]:
    """Every scale of the bay, with its plate and all check weights that are remembered."""
    description, checks = bay.description, checks_of(bay)
    names = [channel.name for channel in description.channels if channel.quantity == "mass"]
    return lambda: {name: scale_of(description, name, checks.get(name, ())) for name in names}


def checks_of(bay: Bay) -> dict[str, list[dict[str, Any]]]:
    """All check weights that are remembered, by scale, in order of time."""
    evidence = bay.books.evidence
    return {scale: [each.to_json() for each in evidence.checks_of(scale)] for scale in evidence.checks}


def _expected(bay: Bay, runs: list[Run]) -> dict[str, Grades]:
    """What earlier lots of the material tell of those runs."""
    return {run.run: expected_grades(bay.books, run, bay.stations[run.station].station) for run in runs}


def _runs_of(bay: Bay, lot: str | None) -> list[Run]:
    """The runs of a lot, in order of their starts."""
    mine = [run for run in bay.books.runs.values() if run.lot == lot and lot is not None]
    return sorted(mine, key=lambda run: run.start_ns)


def _with_later(bay: Bay, runs: list[Run]) -> list[Run]:
    """Runs, and those that were fed with a product of one of them without naming the lot."""
    names = {run.run for run in runs}
    found = list(runs)
    for run in sorted(bay.books.runs.values(), key=lambda each: each.start_ns):
        fed_with = {each.rpartition("/")[0] for each in run.feed_from}
        if run.run not in names and run.lot is None and fed_with & names:
            names.add(run.run)
            found.append(run)
    return sorted(found, key=lambda run: run.start_ns)


def _made(make: Making) -> WeighUp:
    try:
        return make()
    except ValidationError as error:
        raise WeighUpError(told(error)) from None
