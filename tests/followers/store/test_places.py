"""Which channel is what, by the configuration that was in force."""

from __future__ import annotations

import logging
from contextlib import closing
from pathlib import Path

import pytest

from logger.core.description import Bay, Channel, Feed, FeedKind, Outlet, Station, Water
from logger.core.entries import Circumstance, Reading
from logger.followers.store.places import BARE, Place, Places, places_of
from logger.journal.journal import Journal, JournalReader
from logger.settings import loads
from tests.core.made_bays import Made, described

OLD = """
[stations.table]
resolution = "5 g"
outlets = ["concentrate", "tailings"]
[board]
token = "env:NOT_THERE_ANY_MORE"
"""
NEW = """
[stations.table]
resolution = "5 g"
outlets = ["bronze", "sand"]
"""


def shared() -> Bay:
    """A scale that weighs an outlet of one station and feeds the next; a meter; a scale of no station."""
    first = Station("table", Feed(FeedKind.UNWEIGHED), (Outlet("middlings", "pail"), Outlet("fines", None)))
    second = Station("second", Feed(FeedKind.TUB, "pail"), (), (Water("wash", "meter"),))
    channels = (Channel("pail"), Channel("meter", "flow"), Channel("bench"))
    return Bay("foundry", (first, second), channels)


def test_a_channel_has_a_place_at_every_station_that_it_serves() -> None:
    places = Places([(1, shared())]).at(9)
    assert places["pail"] == (Place("table", "outlet", "middlings"), Place("second", "feed"))
    assert places["meter"] == (Place("second", "water", "wash"),)


def test_a_scale_of_no_station_and_a_channel_that_nobody_knows_have_none() -> None:
    layout = Places([(1, shared())]).layout(1)
    assert layout.of("bench") == layout.of("what is that") == BARE


def test_only_an_outlet_has_the_tag_of_an_outlet() -> None:
    assert [Place("table", role, "x").outlet for role in ("feed", "outlet", "water", "")] == ["", "x", "", ""]


def test_each_entry_is_read_by_the_configuration_in_force_and_earlier_ones_by_the_first() -> None:
    places = Places([(10, described(Made())), (20, shared())])
    assert [("pail" in places.at(seq)) for seq in (1, 10, 19, 20, 99)] == [False, False, False, True, True]
    assert [(each.from_seq, each.until_seq) for each in places.layouts] == [(0, 20), (20, None)]


def journal_with(path: Path, *texts: str | None) -> None:
    """A journal in which the program was started with each of these; None: a text that was not kept."""
    with closing(Journal.open(path, boot_id="b", offset_ns=0)) as journal:
        seq = 0
        for number, text in enumerate(texts):
            digest = f"digest-{text if text is None else hash(text)}"
            if text is not None:
                journal.remember_configuration(digest, text)
            journal.append(
                [
                    Circumstance(10**9 * number + 1, "configuration", digest, {}, seq + 1),
                    Reading(10**9 * number + 2, "concentrate", 1, 0, "kg", seq=seq + 2),
                ]
            )
            seq += 2


def of_journal(path: Path, present: str) -> Places:
    with JournalReader(path) as reader:
        return places_of(reader, loads(present).bay)


def test_a_journal_tells_which_configuration_was_in_force_without_its_secrets(tmp_path: Path) -> None:
    journal_with(tmp_path / "j.db", OLD, OLD, NEW)
    places = of_journal(tmp_path / "j.db", NEW)
    assert [each.from_seq for each in places.layouts] == [0, 5]
    assert places.layout(4).of("concentrate") == (Place("table", "outlet", "concentrate"),)
    assert places.layout(6).of("concentrate") == BARE


def test_a_configuration_that_is_not_in_the_journal_yet_holds_from_its_end(tmp_path: Path) -> None:
    journal_with(tmp_path / "j.db", NEW)
    places = of_journal(tmp_path / "j.db", OLD.replace("env:NOT_THERE_ANY_MORE", "a-token-of-twenty-letters"))
    assert [each.from_seq for each in places.layouts] == [0, 3]
    assert "concentrate" in places.at(3)


def test_what_cannot_be_read_any_more_is_read_by_the_present_one_and_told(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    journal_with(tmp_path / "j.db", None, "[stations]\nnonsense = 1\n", NEW)
    with caplog.at_level(logging.WARNING):
        places = of_journal(tmp_path / "j.db", NEW)
    assert [each.from_seq for each in places.layouts] == [0]
    assert "can't be read" in caplog.text


def test_an_empty_journal_is_read_by_the_present_configuration(tmp_path: Path) -> None:
    journal_with(tmp_path / "j.db")
    assert "bronze" in of_journal(tmp_path / "j.db", NEW).at(1)
