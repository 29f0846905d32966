"""What goes in comes out, exactly, whatever it is."""

from __future__ import annotations

import math
import tempfile
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.core.actions import BODY, body_json
from logger.core.entries import Action, Circumstance, Finding, Garbage, Reading, Record, Tick
from logger.journal.journal import Journal, JournalReader

OFFSET_NS = 1_772_000_000 * 10**9

any_text = st.text(st.characters(exclude_categories=()), max_size=30)  # with lone surrogates and NUL
moments = st.one_of(
    st.integers(OFFSET_NS - 10**12, OFFSET_NS + 10**15),
    st.integers(0, 2**62),
)
json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | any_text,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(any_text, inner, max_size=4),
    max_leaves=12,
)
json_objects = st.dictionaries(any_text, json_values, max_size=5)
bodies = st.sampled_from(
    [
        {"action": "open-lot", "lot": "L-0412", "gross": "412.5 kg", "tare": "14.2 kg", "moisture": "6 %"},
        {
            "action": "open-lot",
            "lot": "Größe 7",
            "owner": "PO 7781",
            "time": "2026-03-29T01:59:59.123456+01:00",
        },
        {"action": "start-run", "lot": "L-0412", "who": "north bench", "id": "a-1"},
        {"action": "end-run", "time": "1999-12-31T23:59:59-11:30"},
        {"action": "settings", "values": {"tilt": "3.5 deg", "a stroke": "12 mm", "wash": "9 L/min"}},
        {"action": "note", "text": 'say "it"\n\x00\u2028 \\'},
        {"action": "container-set", "outlet": "concentrate", "tare": 0.1},
        {"action": "correct", "recognised": "concentrate#3", "credit": 1e-17},
        {"action": "correct", "recognised": "concentrate#3", "was": "product", "why": "an elbow"},
        {"action": "acknowledge", "alarm": "all"},
        {"action": "shelve", "alarm": "slow:tailings", "minutes": 0.1 + 0.2},
    ]
)


@st.composite
def any_record(draw: st.DrawFn) -> Record:
    at_ns = draw(moments)
    match draw(st.integers(0, 5)):
        case 0:
            return Reading(
                at_ns,
                draw(any_text),
                draw(st.integers() | st.sampled_from([2**63 - 1, 2**63, -(2**63), -(2**63) - 1, 0])),
                draw(st.integers(-30, 30)),
                draw(any_text),
                draw(st.sampled_from([None, True, False])),
                draw(st.sampled_from(["ok", "zero", "unknown"]) | any_text),
                draw(st.sampled_from(["", "gross", "net"])),
                draw(st.binary(max_size=20)),
            )
        case 1:
            return Garbage(at_ns, draw(any_text), draw(st.binary(max_size=40)), draw(any_text))
        case 2:
            body = BODY.validate_python(draw(bodies))
            return Action(at_ns, body, draw(any_text), draw(any_text))
        case 3:
            return Circumstance(at_ns, draw(any_text), draw(any_text), draw(json_objects))
        case 4:
            return Tick(at_ns)
    cause = draw(st.integers(0, 2**62))
    return Finding(at_ns, draw(any_text), draw(any_text), cause, draw(json_objects))


def deep_types(value: Any) -> Any:
    """A value with its types, so that 1, 1.0 and True, or 0.0 and -0.0, are not taken for the same."""
    if isinstance(value, dict):
        return {key: deep_types(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return [deep_types(inner) for inner in value]
    if isinstance(value, tuple):
        return (type(value), *(deep_types(inner) for inner in value))
    return (type(value), value, math.copysign(1, value) if isinstance(value, float) else 0)


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(any_record(), min_size=1, max_size=12), st.integers(1, 4))
def test_every_record_comes_back_equal_from_the_writer_a_reader_and_after_reopening(
    made: list[Record], commit: int
) -> None:
    """Values and their types are the same, from every connection, in any grouping into commits."""
    entered = [record._replace(seq=number) for number, record in enumerate(made, 1)]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "journal.db"
        journal = Journal.open(path, boot_id="boot", offset_ns=OFFSET_NS, ballast_bytes=0)
        try:
            for start in range(0, len(entered), commit):
                journal.append(entered[start : start + commit])
            with JournalReader(path) as reader:
                from_reader = list(reader.read(chunk=3))
            from_writer = list(journal.read())
            assert journal.spoiled == 0
        finally:
            journal.close()
        journal = Journal.open(path, boot_id="later", offset_ns=OFFSET_NS + 7, ballast_bytes=0)
        reopened = list(journal.read(chunk=2))
        journal.close()
    for found in (from_reader, from_writer, reopened):
        assert found == entered
        assert [deep_types(record) for record in found] == [deep_types(record) for record in entered]


def test_an_action_keeps_the_order_of_what_was_said(opened: Any) -> None:
    """A replay meets the settings in the order the live fold met them in."""
    body = BODY.validate_python({"action": "settings", "values": {"z": "1", "a": "2", "m": "3"}})
    journal = opened()
    journal.append([Action(OFFSET_NS, body, seq=1)])
    (action,) = journal.read()
    assert isinstance(action, Action)
    assert list(action.body.values) == ["z", "a", "m"]
    assert body_json(action.body) == body_json(body)


def test_equal_findings_are_equal_to_the_byte(opened: Any) -> None:
    """The JSON of a finding is sorted and compact."""
    journal = opened()
    journal.append(
        [
            Finding(OFFSET_NS, "tally", "c", 0, {"b": 1, "a": [1, 2]}, 1),
            Finding(OFFSET_NS, "tally", "c", 0, {"a": [1, 2], "b": 1}, 2),
        ]
    )
    texts = [row[0] for row in journal._all("SELECT data FROM entries ORDER BY seq")]
    assert texts == ['{"a":[1,2],"b":1}'] * 2


@pytest.mark.parametrize("poison", [math.nan, math.inf, object(), {1, 2}, b"bytes"])
def test_a_value_that_is_no_json_never_stops_the_record(opened: Any, poison: object) -> None:
    """The finding is entered with its text in place of its data, counted, and its neighbours are whole."""
    journal = opened()
    neighbour = Reading(OFFSET_NS, "s", 1, 0, "kg", seq=2)
    journal.append([Finding(OFFSET_NS, "alarm", "x", 0, {"value": poison}, 1), neighbour])
    finding, reading = journal.read()
    assert isinstance(finding, Finding)
    assert finding.data == {"not-json": repr({"value": poison})}
    assert reading == neighbour
    assert journal.spoiled == 1
