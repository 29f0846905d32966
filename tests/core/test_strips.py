"""The last minutes as lines: the same masses as the tally's, cut into steps."""

from __future__ import annotations

import pytest

from logger.core.bay import Bay
from logger.core.entries import Entry, Reading
from logger.core.strips import LONGEST_S, STEP_S, strips
from logger.core.walltime import rfc3339
from tests.core.folding import NS, T0, T0_S, configuration, entries, fold, foundry_trace

ONE = """
[stations.table]
target = "36 kg/h"
resolution = "1 g"
outlets = ["concentrate", "tailings"]
water.wash = { meter = "wash" }
"""


def played(listed: list[Entry], text: str | None = None) -> Bay:
    bay = Bay((configuration() if text is None else configuration(text)).bay)
    fold(bay, listed)
    return bay


def steady(until_s: int, *, silent_from_s: int | None = None) -> list[Entry]:
    """36 kg/h into the concentrate's container, 12 L/min of wash water, by a reading each half second."""
    listed: list[Entry] = []
    for half in range(2 * until_s):
        at_ns = T0 + half * NS // 2
        if silent_from_s is None or half < 2 * silent_from_s:
            listed.append(Reading(at_ns, "concentrate", 1000 + 5 * half, -3, "kg", True))
        listed.append(Reading(at_ns, "wash", 120, -1, "L/min"))
    return [entry._replace(seq=number) for number, entry in enumerate(listed, 1)]


def test_a_steady_flow_is_a_level_line() -> None:
    made = strips(played(steady(301), ONE).stations["table"].now, minutes=3)
    assert made["to"] == rfc3339((T0_S + 300) * NS)
    assert len(made["outlets"]["concentrate"]) == 3 * 60 // STEP_S
    assert made["outlets"]["concentrate"] == pytest.approx([36.0] * 18, abs=0.5)
    assert made["water"]["wash"] == pytest.approx([12.0] * 18, abs=0.01)


def test_what_nothing_measures_is_left_out_and_what_was_not_read_has_no_points() -> None:
    made = strips(played(steady(200), ONE).stations["table"].now, minutes=1)
    assert made["feed"] == [None] * 6
    assert made["outlets"]["tailings"] == [None] * 6
    unweighed = ONE.replace('target = "36 kg/h"\n', "")
    assert strips(played(steady(200), unweighed).stations["table"].now, minutes=1)["feed"] is None


def test_nothing_is_drawn_before_the_first_reading_nor_after_the_last() -> None:
    """A line that went on while a scale is silent would look alive."""
    made = strips(played(steady(300, silent_from_s=200), ONE).stations["table"].now, minutes=6)
    line = made["outlets"]["concentrate"]
    known = [index for index, rate in enumerate(line) if rate is not None]
    first_s = [T0_S + 290 - (360 - STEP_S) + STEP_S * index for index in known]
    assert T0_S < first_s[0] <= T0_S + LONGEST_S + STEP_S
    assert first_s[-1] == T0_S + 200
    assert known == list(range(known[0], known[-1] + 1))


def test_the_lines_sum_to_what_was_delivered() -> None:
    """Of a run with container changes: mean rate times time, but for the window's length at the ends."""
    bay = played(entries(foundry_trace()))
    now = bay.stations["table"].now
    made = strips(now, minutes=10)
    (tailings,) = (o for o in now.outlets if o.outlet.name == "tailings")
    assert tailings.now is not None
    assert tailings.now.track is not None
    line = made["outlets"]["tailings"]
    last_s = now.now_s - now.now_s % STEP_S
    wanted = tailings.now.track.delivered_at(last_s) - tailings.now.track.delivered_at(last_s - 600)
    got = sum(rate for rate in line if rate is not None) * STEP_S / 3600 * 1e6
    assert None not in line
    assert got == pytest.approx(wanted, rel=0.03)


@pytest.mark.parametrize("minutes", [0, 61, -3])
def test_a_length_that_makes_no_sense_is_refused(minutes: int) -> None:
    now = played(steady(20), ONE).stations["table"].now
    with pytest.raises(ValueError, match="must be 1 to 60"):
        strips(now, minutes)


def test_steps_of_expected_mass_are_told_where_a_container_was_away() -> None:
    """They hold, but for their ends, the whole estimated part of the tally."""
    bay = played(entries(foundry_trace()))
    now = bay.stations["table"].now
    made = strips(now, minutes=60)
    first_s = now.now_s - now.now_s % STEP_S - 3600 + STEP_S
    (concentrate,) = (o for o in now.outlets if o.outlet.name == "concentrate")
    assert concentrate.now is not None
    assert concentrate.now.track is not None
    told = made["estimated"]["concentrate"]
    track = concentrate.now.track
    held = sum(
        track.estimated_at(first_s + STEP_S * index) - track.estimated_at(first_s + STEP_S * (index - 1))
        for index in told
    )
    assert len(told) == 1
    assert held > 0.8 * track.view.estimated_mg > 0


def test_the_usual_rate_is_the_share_of_the_target() -> None:
    now = played(entries(foundry_trace())).stations["table"].now
    usual = strips(now)["usual"]
    target = now.station.feed.target_kg_h
    assert target is not None
    shares = {o.outlet.name: o.share for o in now.outlets if o.now is not None}
    assert usual == {
        name: pytest.approx(share * target, abs=0.001) for name, share in shares.items() if share
    }
    assert "concentrate" in usual
