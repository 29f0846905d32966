"""Where what is published: one level a name, and no two names on one."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from logger.core.description import Bay, Feed, Outlet, Station
from logger.followers.mqtt.topics import Levels, Topics


def test_a_name_is_one_level_in_small_letters() -> None:
    levels = Levels()
    assert [levels.of(name) for name in ("table", "Table 1", "wash/water +#", "№ 3")] == [
        "table",
        "table-1",
        "wash-water",
        "3",
    ]


def test_a_name_without_a_letter_of_ours_has_a_level_too() -> None:
    assert Levels().of("стол") == "unnamed"


@given(st.lists(st.text(min_size=1, max_size=60), unique=True, max_size=12))
def test_no_two_names_share_a_level_and_each_keeps_its_own(names: list[str]) -> None:
    levels = Levels()
    made = [levels.of(name) for name in names]
    assert len(set(made)) == len(names)
    assert [levels.of(name) for name in names] == made
    assert all(level and not set(level) & set("/+#") for level in made)


def test_stations_whose_names_look_alike_have_topics_of_their_own() -> None:
    topics = Topics(
        "bay", Bay("b", tuple(Station(n, Feed(), (Outlet("a"),)) for n in ("Table", "table")), ())
    )
    first, second = topics.station("Table"), topics.station("table")
    assert first == "bay/station/table"
    assert second.startswith("bay/station/table-")
    assert topics.outlet("table", "a") == f"{second}/outlet/a"


def test_an_alarm_has_its_station_where_it_has_one() -> None:
    topics = Topics("bay", Bay("b", (Station("t", Feed(), ()),), ()))
    assert topics.alarm("t/outlet-slow/heavy", "t") == "bay/alarm/t/outlet-slow/heavy"
    assert topics.alarm("record-at-risk/journal", "") == "bay/alarm/record-at-risk/journal"
