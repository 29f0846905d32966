"""What real stores read in the lines, point by point."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from logger.core.bay import Bay
from logger.core.description import Bay as Description
from logger.core.description import Channel
from logger.core.entries import Finding, Reading, Record
from logger.core.tagging import Changed, Spans, Tag
from logger.followers.store.places import Places
from logger.followers.store.points import Line, Meaning
from logger.followers.store.times import Times
from tests.core.folding import T0, configuration, entries, fold, foundry_trace
from tests.followers.store.protocol import parsed
from tests.followers.store.test_names import HOSTILE
from tests.servers import Held, Influx, Key, VictoriaMetrics, ask, needs_influx, needs_victoria, until_held

MS = 10**6


def played() -> list[Line]:
    """Two minutes of a bay: readings, rates, tallies, alarms and runs; some marked as withdrawn."""
    description = configuration().bay
    bay = Bay(description)
    records: list[Record] = list(entries(foundry_trace(duration_s=120.0)))
    records += fold(bay, records)  # type: ignore[arg-type]
    records = [record._replace(seq=seq) for seq, record in enumerate(records, 1)]
    told = Meaning("foundry", Spans(bay.books.spans()), Places([(1, description)]), Times())
    changed = [Changed("table", T0, T0 + 10 * 10**9, Tag("run-1", ""))]
    return told.lines(records) + told.withdrawn(records, changed)


def hostile() -> list[Line]:
    """Every name as bay, channel, lot and text of an alarm."""
    lines = []
    for seq, name in enumerate(HOSTILE, 1):
        place = Places([(1, Description(name, (), (Channel(name),)))])
        told = Meaning(name, Spans({f"{name}!": ("table", name, 0, None)}), place, Times())
        alarm = {"kind": name, "subject": name, "station": "table", "what": name * 2, "alarm_state": "normal"}
        lines += told.lines(
            [Reading(T0, name, 5, 0, "kg", seq=seq), Finding(T0, "alarm", "a", 1, alarm, seq)]
        )
    return lines


def written(store: Influx | VictoriaMetrics, lines: list[Line], **headers: str) -> None:
    body = "\n".join(line.text for line in lines).encode()
    ask(f"{store.url}/api/v2/write?bucket={store.bucket}&org=&precision=ns", body, **headers)


def expected(lines: list[Line]) -> Held:
    """What the lines say by the published protocol; a point that comes again adds its fields."""
    held: Held = {}
    for line in lines:
        point = parsed(line.text)
        key = Key(point.measurement, tuple(sorted(point.tags.items())), point.time_ns)
        held.setdefault(key, {}).update(point.fields)
    return held


def numbers(held: Held) -> dict[tuple[Key, str], float]:
    """What a store of numbers and milliseconds keeps; a text is nothing or 0 there.

    Of two values of one moment it keeps either, so ``withdrawn`` of a marked point is left out: measured, it
    stayed 0 in two out of five marked points, also when the mark came 12 s later.
    """
    found: dict[tuple[Key, str], float] = {}
    for key, fields in held.items():
        for name, value in fields.items():
            if not isinstance(value, str) and (name, value) != ("withdrawn", 1):
                found[key._replace(at_ns=key.at_ns // MS * MS), name] = float(value)
    return found


@needs_influx
@pytest.mark.parametrize("made", [played, hostile])
def test_an_influx_engine_holds_exactly_what_the_lines_say(made: Any, tmp_path: Path) -> None:
    lines = made()
    with Influx(tmp_path) as store:
        for _ in range(2):  # sent again it changes nothing
            written(store, lines, Authorization=f"Token {store.token}")
            assert store.held() == expected(lines)


@needs_victoria
@pytest.mark.parametrize("made", [played, hostile])
def test_a_store_of_numbers_holds_every_number_under_its_series(made: Any, tmp_path: Path) -> None:
    lines = made()
    wanted = numbers(expected(lines))
    with VictoriaMetrics(tmp_path) as store:
        written(store, lines)
        held = numbers(until_held(store, len({key for key, _ in wanted})))
    others = {(key, name) for key, name in held if (key, name) not in wanted and name != "withdrawn"}
    assert {held[each] for each in others} <= {0.0}
    assert {each: held[each] for each in wanted} == wanted
