"""Lots, runs and what is refused."""

from __future__ import annotations

import pytest

from logger.core.actions import EndRun, Note, OpenLot, Settings, StartRun
from logger.core.books import Books, Refused
from logger.core.entries import Action

T0 = 1_772_431_200 * 10**9
MIN = 60 * 10**9


@pytest.fixture
def books() -> Books:
    return Books(("table",))


def test_a_lot_knows_its_net(books: Books) -> None:
    lot = books.open_lot(T0, OpenLot(lot="L1", gross="412.5 kg", tare="14.2 kg"))
    assert lot.net_kg == pytest.approx(398.3)


def test_a_lot_is_booked_in_once(books: Books) -> None:
    books.open_lot(T0, OpenLot(lot="L1"))
    with pytest.raises(Refused, match="booked in already"):
        books.open_lot(T0, OpenLot(lot="L1"))


def test_a_tare_without_gross_is_refused(books: Books) -> None:
    with pytest.raises(Refused, match="no gross"):
        books.open_lot(T0, OpenLot(lot="L1", tare="1 kg"))


def test_a_run_without_a_lot_is_a_trial(books: Books) -> None:
    run = books.start_run(T0, T0, StartRun())
    assert (run.run, run.lot, run.station) == ("run-1", None, "table")


def test_a_second_run_waits_for_the_end_of_the_first(books: Books) -> None:
    books.start_run(T0, T0, StartRun())
    with pytest.raises(Refused, match="still open"):
        books.start_run(T0 + MIN, T0 + MIN, StartRun())


def test_an_unknown_lot_is_refused(books: Books) -> None:
    with pytest.raises(Refused, match="open it first"):
        books.start_run(T0, T0, StartRun(lot="L9"))


def test_a_start_may_be_said_afterwards_but_not_inside_the_run_before(books: Books) -> None:
    books.start_run(T0, T0, StartRun())
    books.end_run(T0 + 10 * MIN, T0 + 10 * MIN, EndRun())
    with pytest.raises(Refused, match="start after that"):
        books.start_run(T0 + 5 * MIN, T0 + 20 * MIN, StartRun())
    run = books.start_run(T0 + 12 * MIN, T0 + 20 * MIN, StartRun())
    assert run.start_ns == T0 + 12 * MIN


def test_a_start_in_the_future_is_refused(books: Books) -> None:
    with pytest.raises(Refused, match="in the future"):
        books.start_run(T0 + 10 * MIN, T0, StartRun())


def test_an_end_before_the_start_is_refused(books: Books) -> None:
    books.start_run(T0, T0, StartRun())
    with pytest.raises(Refused, match="can't end before"):
        books.end_run(T0 - MIN, T0 + MIN, EndRun())


def test_an_end_without_a_run_is_refused(books: Books) -> None:
    with pytest.raises(Refused, match="no run is open"):
        books.end_run(T0, T0, EndRun())


def test_the_station_must_be_said_where_there_are_two() -> None:
    books = Books(("north", "south"))
    with pytest.raises(Refused, match="say which station"):
        books.start_run(T0, T0, StartRun())
    with pytest.raises(Refused, match="there is north, south"):
        books.start_run(T0, T0, StartRun(station="east"))


def test_settings_go_with_the_run_and_into_the_next(books: Books) -> None:
    books.write_settings(T0, Settings(values={"tilt": "4°"}))
    run = books.start_run(T0, T0, StartRun())
    books.write_settings(T0 + MIN, Settings(values={"stroke": "15 mm"}))
    assert run.settings == [(T0, {"tilt": "4°"}), (T0 + MIN, {"stroke": "15 mm"})]
    assert books.stations["table"].settings == {"tilt": "4°", "stroke": "15 mm"}


def test_a_note_goes_to_the_open_run(books: Books) -> None:
    books.note(T0, Note(text="before"))
    run = books.start_run(T0, T0, StartRun())
    books.note(T0 + MIN, Note(text="during"))
    assert [text for _, text in books.notes] == ["before"]
    assert [text for _, text in run.notes] == ["during"]


def test_an_id_is_remembered(books: Books) -> None:
    books.remember(Action(T0, Note(text="x"), id="a1", seq=7))
    assert books.taken("a1") == 7
    assert books.taken("") is None
