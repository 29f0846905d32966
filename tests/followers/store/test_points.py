"""What a reading becomes in the store: values against exact fractions, times, what a correction leaves."""

from __future__ import annotations

from collections import Counter
from fractions import Fraction
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.core.description import Bay, Channel, Feed, FeedKind, Outlet, Station
from logger.core.entries import Circumstance, Garbage, Reading, Record, Tick
from logger.core.tagging import SLOT_NS, Changed, Clockwork, Run, Spans, Tag
from logger.core.units import FLOW_L_MIN, MASS_KG, PULSE, VOLUME_L
from logger.followers.store.places import Places
from logger.followers.store.points import APART, NONE, Meaning, field_of
from logger.followers.store.times import Times
from tests.core.made_bays import Made, described
from tests.followers.store.protocol import parsed

MS = 10**6
S = 10**9
PLACES = Places([(1, described(Made()))])
LOT_7: dict[str, Run] = {"run-1": ("table", "lot 7", 0, None)}
UNITS = [*MASS_KG, *FLOW_L_MIN, *VOLUME_L, PULSE]


def meaning(
    runs: dict[str, Run] | None = None, places: Places = PLACES, times: Times | None = None
) -> Meaning:
    return Meaning("foundry", Spans(runs or {}), places, times or Times())


def line(record: Record, told: Meaning | None = None) -> str:
    """The one line that it gives."""
    [only] = (told or meaning()).lines([record])
    assert (only.seq, only.at_ns) == (record.seq, record.at_ns)
    return only.text


# ---------------------------------------------------------------------- readings


def test_a_reading_is_one_line_with_all_tags() -> None:
    reading = Reading(1_000_000, "out1", 12345, -3, "kg", True, seq=3)
    assert line(reading, meaning(LOT_7)) == (
        r"reading,bay=foundry,channel=out1,lot=lot\ 7,outlet=out1,run=run-1,station=table "
        "kg=12.345,stable=true,withdrawn=0i 1000003"
    )


def test_a_feed_has_no_outlet_and_a_channel_of_no_station_no_run() -> None:
    feed = parsed(line(Reading(0, "feed", 1, 0, "kg"), meaning(LOT_7)))
    other = parsed(line(Reading(0, "bench", 1, 0, "kg"), meaning(LOT_7)))
    assert (feed.tags["outlet"], feed.tags["run"]) == (NONE, "run-1")
    assert [other.tags[name] for name in ("station", "outlet", "run", "lot")] == [NONE] * 4


def test_a_scale_of_two_stations_is_told_at_each() -> None:
    first = Station("table", Feed(FeedKind.UNWEIGHED), (Outlet("middlings", "pail"),))
    second = Station("second", Feed(FeedKind.TUB, "pail"), ())
    told = meaning(LOT_7, Places([(1, Bay("b", (first, second), (Channel("pail"),)))]))
    lines = [parsed(each.text) for each in told.lines([Reading(0, "pail", 1, 0, "kg")])]
    assert [(each.tags["station"], each.tags["run"]) for each in lines] == [
        ("table", "run-1"),
        ("second", NONE),
    ]


def test_a_flag_is_told_where_the_instrument_has_one() -> None:
    flags = [
        parsed(line(Reading(0, "out1", 1, 0, "kg", flag))).fields.get("stable")
        for flag in (True, False, None)
    ]
    assert flags == [True, False, None]


@pytest.mark.parametrize("status", ["over", "under", "zero-error", "unknown"])
def test_what_is_not_to_be_believed_has_a_status_and_no_value(status: str) -> None:
    fields = parsed(line(Reading(0, "out1", 99999, -3, "kg", False, status))).fields
    assert fields == {"status": status, "stable": False, "withdrawn": 0}


@pytest.mark.parametrize(
    ("reading", "status"),
    [
        (Reading(0, "out1", 5, 0, "pcs"), "unknown-unit"),
        (Reading(0, "out1", 5, 0, ""), "unknown-unit"),
        (Reading(0, "out1", 10**400, 0, "kg"), "out-of-range"),
        (Reading(0, "out1", 5, 400, "kg"), "out-of-range"),
    ],
)
def test_what_is_no_figure_has_a_status_and_no_value(reading: Reading, status: str) -> None:
    assert parsed(line(reading)).fields == {"status": status, "withdrawn": 0}


def test_a_number_out_of_range_does_not_silence_the_next() -> None:
    told = meaning()
    readings = [
        Reading(seq, "out1", number, 0, "kg", seq=seq) for seq, number in enumerate((1, 10**400, 2), 1)
    ]
    fields = [parsed(each.text).fields for each in told.lines(readings)]
    assert [each.get("kg") for each in fields] == [1.0, None, 2.0]


@given(st.sampled_from(UNITS), st.integers(-(10**9), 10**9), st.integers(-6, 3))
@settings(deadline=None)
def test_a_value_is_the_float_nearest_to_the_exact_one(unit: str, number: int, exp: int) -> None:
    reading = Reading(0, "out1", number, exp, unit)
    name, _ = field_of(reading)
    factor = {"kg": MASS_KG, "l_min": FLOW_L_MIN, "l": VOLUME_L, "pulses": {PULSE: Fraction(1)}}[name][unit]
    assert parsed(line(reading)).fields == {
        name: float(number * Fraction(10) ** exp * factor),
        "withdrawn": 0,
    }


@pytest.mark.parametrize(
    ("number", "exp", "unit", "text"),
    [
        (12345, -3, "kg", "kg=12.345"),
        (1, -1, "g", "kg=0.0001"),
        (1, 0, "lb", "kg=0.45359237"),
        (70, -1, "kg", "kg=7"),
    ],
)
def test_a_decimal_is_written_as_it_was_shown(number: int, exp: int, unit: str, text: str) -> None:
    assert f" {text}," in line(Reading(0, "out1", number, exp, unit))


# ---------------------------------------------------------------------- times


def test_a_time_is_the_slot_of_the_entry_and_its_number() -> None:
    assert parsed(line(Reading(123_456_789, "out1", 1, 0, "kg", seq=APART + 7))).time_ns == 123_450_007


@given(
    st.lists(st.integers(0, 6 * SLOT_NS), min_size=2, max_size=40),
    st.integers(1, 10**9),
    st.integers(-5 * S, 5 * S),
)
@settings(deadline=None)
def test_no_two_entries_of_a_series_fall_on_one_point(times_ns: list[int], first: int, shift_ns: int) -> None:
    times = Times()
    times.update([Clockwork(0, shift_ns, True)], 0)
    readings = [Reading(at, "out1", 1, 0, "kg", seq=seq) for seq, at in enumerate(times_ns, first)]
    lines = meaning({"run-1": ("table", None, 2 * SLOT_NS + 1, 4 * SLOT_NS)}, times=times).lines(readings)
    assert len({each.text.rsplit(" ", 1)[-1] for each in lines}) == len(readings)


@given(st.lists(st.integers(0, 50 * SLOT_NS), min_size=1, max_size=30), st.randoms(use_true_random=False))
@settings(deadline=None)
def test_a_reading_is_the_same_line_in_any_batch_and_any_order(times_ns: list[int], luck: Random) -> None:
    runs: dict[str, Run] = {
        "run-1": ("table", "a", 3 * SLOT_NS + 1, 20 * SLOT_NS),
        "run-2": ("table", None, 20 * SLOT_NS, None),
    }
    times = Times()
    times.update([Clockwork(0, S, True), Clockwork(9 * SLOT_NS, 7 * S, True)], 0)
    places = Places([(1, described(Made())), (15, described(Made(shares=(0.5, 0.5))))])
    readings = [Reading(at, f"out{at % 3}", at, -3, "kg", seq=seq) for seq, at in enumerate(times_ns, 1)]
    alone = {line(each, meaning(runs, places, times)) for each in readings}
    luck.shuffle(readings)
    assert {each.text for each in meaning(runs, places, times).lines(readings)} == alone


# ---------------------------------------------------------------------- corrections


def test_entries_that_are_no_figures_give_no_line() -> None:
    entries = [Garbage(1, "out1", b"x", "bad", 1), Circumstance(2, "boot", "", {}, 2), Tick(3, 3)]
    assert meaning().lines(entries) == meaning().withdrawn(entries, [Changed("", 0, None, Tag())]) == []


def test_a_withdrawn_point_keeps_its_key_and_time_under_the_old_tag() -> None:
    reading = Reading(5 * MS, "out1", 1, 0, "kg", seq=4)
    changed = [Changed("table", 0, 6 * MS, Tag("run-1", "a"))]
    assert [each.text for each in meaning().withdrawn([reading], changed)] == [
        "reading,bay=foundry,channel=out1,lot=a,outlet=out1,run=run-1,station=table "
        "retracted=1i,withdrawn=1i 5000004"
    ]


@pytest.mark.parametrize("seed", range(30))
def test_after_a_correction_what_is_left_and_what_is_sent_anew_is_what_a_fresh_store_would_hold(
    seed: int,
) -> None:
    luck = Random(seed)
    readings = [
        Reading(luck.randrange(90 * SLOT_NS), luck.choice(["feed", "out1", "bench"]), seq, -3, "kg", seq=seq)
        for seq in range(1, 200)
    ]
    old, new = ({} if luck.random() < 0.2 else _some_runs(luck) for _ in range(2))
    changed = Spans(old).changes(Spans(new))
    held = {_key(each.text): each.text for each in meaning(old).lines(readings)}
    touched = [each for each in readings if _touches(each, changed)]
    taken_back = Counter(_key(each.text) for each in meaning(new).withdrawn(readings, changed))
    assert set(taken_back.values()) <= {1}
    assert taken_back.keys() <= held.keys()
    for key in taken_back:
        del held[key]
    held |= {_key(each.text): each.text for each in meaning(new).lines(touched)}
    assert set(held.values()) == {each.text for each in meaning(new).lines(readings)}


def _some_runs(luck: Random) -> dict[str, Run]:
    edges = sorted(luck.sample(range(90 * SLOT_NS), 4))
    lot = luck.choice([None, "a", "b"])
    return {"run-1": ("table", lot, edges[0], edges[1]), "run-2": ("table", "b", edges[2], edges[3])}


def _touches(reading: Reading, changed: list[Changed]) -> bool:
    return reading.channel != "bench" and any(
        each.from_ns <= reading.at_ns and (each.to_ns is None or reading.at_ns < each.to_ns)
        for each in changed
    )


def _key(text: str) -> tuple[str, frozenset[tuple[str, str]], int]:
    found = parsed(text)
    return found.measurement, frozenset(found.tags.items()), found.time_ns
