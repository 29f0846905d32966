"""Names and texts of any kind in line protocol: against the library that writes a whole Point, and read back
as line protocol is published."""

from __future__ import annotations

from urllib.parse import unquote

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from influxdb_client import Point

from logger.core.description import Bay, Channel
from logger.core.entries import Finding, Reading, Record
from logger.core.tagging import SLOT_NS, Run, Spans
from logger.followers.store.places import Places
from logger.followers.store.points import LONGEST_TEXT, NONE, Meaning, tag_value
from logger.followers.store.times import Times
from tests.core.made_bays import Made, described
from tests.followers.store.protocol import parsed

PLACES = Places([(1, described(Made()))])


def meaning(runs: dict[str, Run] | None = None) -> Meaning:
    return Meaning("foundry", Spans(runs or {}), PLACES, Times())


def line(record: Record, told: Meaning | None = None) -> str:
    """The one line that it gives."""
    [only] = (told or meaning()).lines([record])
    return only.text


HOSTILE = [
    "a b", "a,b=c", 'say "x"', "back\\slash", "ends with \\", "\\,evil=1", "new\nline", "a\r\nb", "tab\there",
    "reading,bay=x kg=1 1\nreading,bay=y kg=2 2", "größe ±5 µm", "漢字", "\u2028line", "#no comment",
    "'quoted'", " ", "none", "%6Eone", "%5C", "50 % slag", "\x00", "\x7f", "\ud800", "=", ",", '"', "100%AF",
]  # fmt: skip


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_name_stays_in_its_tag_and_can_be_had_back(name: str) -> None:
    place = Places([(1, Bay(name, (), (Channel(name),)))])
    told = Meaning(name, Spans({}), place, Times())
    found = parsed(line(Reading(0, name, 5, 0, "kg", seq=1), told))
    assert found.tags.keys() == {"bay", "channel", "lot", "outlet", "run", "station"}
    assert found.tags["bay"] == found.tags["channel"] == tag_value(name)
    assert found.fields == {"kg": 5.0, "withdrawn": 0}
    assert name == "\ud800" or unquote(found.tags["channel"]) == name


@given(st.lists(st.text(alphabet="ab%56CEen\\\n ,=none", max_size=6), unique=True))
@settings(deadline=None)
def test_no_two_names_become_one_tag(names: list[str]) -> None:
    assert len({tag_value(name) for name in names}) == len(names)


def test_what_is_not_named_is_none_and_what_is_named_so_is_another() -> None:
    assert tag_value("") == NONE
    assert tag_value(NONE) != NONE


@pytest.mark.parametrize("text", HOSTILE)
def test_a_hostile_text_stays_in_its_field(text: str) -> None:
    data = {"kind": "k", "subject": text, "station": "table", "what": text * 3, "alarm_state": "acknowledged"}
    found = parsed(line(Finding(0, "alarm", "id", 1, data, 2)))
    clean = "".join(" " if c < " " or c in "\x7f\ud800" else c for c in text)
    assert found.fields == {"what": clean * 3, "state": "acknowledged", "standing": 1, "withdrawn": 0}


def test_a_text_without_end_is_cut() -> None:
    data = {"kind": "k", "subject": "s", "what": '"' * 90_000, "alarm_state": "normal"}
    assert parsed(line(Finding(0, "alarm", "id", 1, data, 2))).fields["what"] == '"' * LONGEST_TEXT


@given(
    st.builds(
        Reading,
        st.integers(0, 2**60),
        st.sampled_from(["feed", "out1", "bench", *HOSTILE]),
        st.integers(-(10**7), 10**7),
        st.integers(-4, 2),
        st.sampled_from(["kg", "g", "lb", "L/min", "gpm", "m3", "pulse"]),
        st.sampled_from([True, False, None]),
        seq=st.integers(1, 10**12),
    ),
    st.sampled_from(HOSTILE),
)
@settings(deadline=None)
def test_a_reading_is_written_as_the_library_writes_it_whole(reading: Reading, lot: str) -> None:
    told = meaning({"run,1 ": ("table", lot, 2**40, None)})
    text = line(reading, told)
    found = parsed(text)
    point = Point("reading").time(found.time_ns)
    for name, tag in found.tags.items():
        point.tag(name, tag)
    for name, value in found.fields.items():
        point.field(name, value)
    assert text == point.to_line_protocol()
    at = reading.channel in ("feed", "out1") and reading.at_ns >= -(-(2**40) // SLOT_NS) * SLOT_NS
    assert found.tags["lot"] == (tag_value(lot) if at else NONE)


@pytest.mark.parametrize(
    ("published", "expected"),
    [
        # the reference's own examples, section "Special characters"
        (r'my\ Measurement fieldKey="string value" 1', ("my Measurement", {}, {"fieldKey": "string value"})),
        (
            r'myMeasurement fieldKey="\"string\" within a string" 1',
            ("myMeasurement", {}, {"fieldKey": '"string" within a string'}),
        ),
        (
            r'myMeasurement,tag\ Key1=tag\ Value1,tag\ Key2=tag\ Value2 fieldKey=100 1',
            ("myMeasurement", {"tag Key1": "tag Value1", "tag Key2": "tag Value2"}, {"fieldKey": 100.0}),
        ),
        (
            'myMeasurement,tagKey=🍭 fieldKey="Launch 🚀" 1556813561098000000',
            ("myMeasurement", {"tagKey": "🍭"}, {"fieldKey": "Launch 🚀"}),
        ),
    ],
)  # fmt: skip
def test_the_reader_of_these_tests_reads_the_published_examples(
    published: str, expected: tuple[str, dict[str, str], dict[str, object]]
) -> None:
    assert parsed(published)[:3] == expected
