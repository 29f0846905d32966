"""The number of series against the series that a played bay really makes."""

from __future__ import annotations

from logger.core.actions import EndRun, StartRun
from logger.core.bay import Bay
from logger.core.entries import Action, Entry, Finding
from logger.core.tagging import Spans
from logger.followers.store.places import Places
from logger.followers.store.points import Meaning
from logger.followers.store.series import series
from logger.followers.store.times import Times
from tests.core.made_bays import T0_S, Made, described, entries

NS = 10**9


def with_runs(starts_s: list[int]) -> list[Entry]:
    """The readings of a bay, with a run of a minute and a half from each of these seconds."""
    listed = [entry for entry in entries(Made(length_s=600)) if not isinstance(entry, Action)]
    for start_s in starts_s:
        listed.append(Action((T0_S + start_s) * NS, StartRun()))
        listed.append(Action((T0_S + start_s + 90) * NS + 5, EndRun()))
    listed.sort(key=lambda entry: entry.at_ns)
    return [entry._replace(seq=number) for number, entry in enumerate(listed, 1)]


def test_a_bay_makes_as_many_series_as_its_books_imply() -> None:
    bay, found = Bay(described(Made())), list[Finding]()
    listed = with_runs([5, 120, 300])
    for entry in listed:
        found += bay.apply(entry)
    found = [each._replace(seq=len(listed) + number) for number, each in enumerate(found, 1)]
    spans, places = Spans(bay.books.spans()), Places([(1, bay.description)])
    lines = Meaning("made", spans, places, Times()).lines([*listed, *found])
    heads = {line.text.split(" ")[0] for line in lines if not line.text.startswith("alarm,")}
    assert series(spans, places) == len(heads)


def test_a_bay_without_a_run_has_one_for_each_channel() -> None:
    bay = described(Made())
    assert series(Spans({}), Places([(1, bay)])) == len(bay.channels)
