"""Described lines: what a layout may say, and what a line then means."""

from __future__ import annotations

import time

import pytest

from logger.core.decode.layout import Item, LineFormat, parse, pattern, proves_its_start
from logger.core.decode.line import MAX_LINE, LineDecoder, exchange
from logger.core.entries import USABLE, Garbage, Reading

WORDS = {"ST": "stable", "US": "moving", "GS": "gross", "NT": "net", "OL": "over", "ER": "error", "Z": "zero"}
SCALE = LineFormat("{status},{mode},{number:9} {unit}", WORDS)


def only(line: LineFormat, text: str) -> Reading | Garbage:
    """The one output of a line, its end added, from a decoder in step."""
    decoder = LineDecoder("feed", line)
    decoder.feed(b"\r\n", 0)
    (item,) = decoder.feed(text.encode() + b"\r\n", 1)
    return item


def test_a_full_line_gives_every_field() -> None:
    item = only(SCALE, "US,NT,-    0.50 kg")
    assert item == Reading(1, "feed", -50, -2, "kg", False, "ok", "net", b"US,NT,-    0.50 kg\r\n")


def test_a_plain_line_needs_no_raw_bytes() -> None:
    assert only(SCALE, "ST,GS,    1.234 kg").raw == b""


@pytest.mark.parametrize(
    ("text", "status", "number"),
    [
        ("OL,GS,--------- kg", "over", 0),
        ("OL,GS,          kg", "over", 0),
        ("OL,GS,    1.234 kg", "over", 1234),
        ("ST,GS,--------- kg", "unknown", 0),
        ("ST,GS,          kg", "unknown", 0),
        ("Z,GS,--------- kg", "unknown", 0),
        ("ST,GS,999999999 kg", "over", 999999999),
        ("ST,GS, 99999.99 kg", "over", 9999999),
        ("ER,GS,    1.234 kg", "unknown", 1234),
        ("??,GS,    1.234 kg", "unknown", 1234),
        (",GS,    1.234 kg", "unknown", 1234),
        ("st,GS,    1.234 kg", "unknown", 1234),
    ],
)
def test_what_is_no_weight_is_not_usable(text: str, status: str, number: int) -> None:
    """Overload before the number, dashes, blanks, all nines, and words that nobody explained."""
    item = only(SCALE, text)
    assert (item.status, item.number) == (status, number)
    assert item.status not in USABLE


def test_a_few_nines_may_well_be_a_weight() -> None:
    assert only(SCALE, "ST,GS,    9.999 kg").status == "ok"


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("ST,GS,    1.234  kg ", None),
        ("ST,GS,   1.234 kg", "no-match"),
        ("ST,GS,    1.234kg", "no-match"),
        ("ST;GS;    1.234 kg", "no-match"),
        ("ST,GS,    1.2.4 kg", "bad-number"),
        ("ST,GS,    1,234 kg", "bad-number"),
        ("ST,GS,    1e234 kg", "bad-number"),
        ("ST,GS,  12 3.40 kg", "bad-number"),
        ("ST,??,    1.234 kg", "unknown-word"),
        ("ST,GS,    1.234 pud", "unknown-unit"),
        ("ST,GS,    1.234 ", "unknown-unit"),
        ("", "no-match"),
    ],
)
def test_a_line_matches_as_a_whole_or_is_garbage(text: str, reason: str | None) -> None:
    assert getattr(only(SCALE, text), "reason", None) == reason


def test_bytes_beyond_ascii_are_garbage() -> None:
    decoder = LineDecoder("feed", SCALE)
    (item,) = decoder.feed(b"ST,GS,    1.234 \xebg\r\n", 1)
    assert item.reason == "not-ascii"


def test_the_unit_of_the_format_stands_in_for_a_blank_one() -> None:
    line = LineFormat("{number:8}{unit:3}", unit="kg")
    assert only(line, "   1.234   ").unit == "kg"
    assert only(line, "   1.234 lb").unit == "lb"


def test_status_and_motion_may_be_fields_of_their_own() -> None:
    line = LineFormat(
        "{motion:1}{status:2}{number:8}", {"": "stable", "M": "moving", "OK": "ok", "OL": "over"}, unit="kg"
    )
    assert (only(line, " OK   1.000").stable, only(line, "MOK   1.000").stable) == (True, False)
    assert only(line, " OL   1.000").status == "over"
    assert only(line, "?OK   1.000").status == "unknown"


def test_a_line_longer_than_any_is_given_up_to_its_end() -> None:
    """What follows the cut is a remainder, however much it looks like a line."""
    decoder = LineDecoder("feed", LineFormat("{number} {unit}", request="W\r"))
    items = decoder.feed(b"1" * (MAX_LINE + 10) + b" kg\r\n2.5 kg\r\n", 1)
    assert [getattr(item, "reason", "reading") for item in items] == ["too-long", "remainder", "reading"]


@pytest.mark.parametrize(
    ("layout", "words", "proven"),
    [
        ("{number} {unit}", {}, False),
        ("{number:9} {unit}", {}, False),
        ("{number:9}kg", {}, True),
        ("{number:9}{unit:3}", {}, True),
        ("{number:2},{skip}kg", {}, False),
        ("{status},{number} {unit}", {"ST": "stable"}, True),
        ("{status},{number} {unit}", {"OK": "ok", "NOK": "error"}, False),
        ("{status},{number} {unit}", {"": "ok"}, False),
        ("{status},{number} {unit}", {"1": "ok"}, False),
        ("{status},{number} {skip}", {"ST": "stable"}, False),
        ("{mode}{{{number}}}", {"G": "gross"}, True),
        ("={number} {unit}", {}, True),
        ("g{number} {unit}", {}, False),
        ("{unit} {number}", {}, False),
    ],
)
def test_whether_a_layout_proves_that_its_head_is_there(
    layout: str, words: dict[str, str], proven: bool
) -> None:
    assert proves_its_start(LineFormat(layout, words, unit="kg")) is proven


def test_a_sign_lost_in_joining_a_stream_is_not_taken_for_a_weight() -> None:
    """`-   1.234 kg` without its first byte is `   1.234 kg`, which a layout of blanks would take."""
    decoder = LineDecoder("feed", LineFormat("{number:9}{unit}"))
    (item,) = decoder.feed(b"    1.234 kg\r\n", 1)
    assert item.reason == "joined-midway"


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"layout": ""}, "1 to 200"),
        ({"layout": "{weight}"}, 'field "weight" is not known; use one of status'),
        ({"layout": "{number"}, "character 1 is not closed"),
        ({"layout": "{number}}"}, "character 9 closes nothing"),
        ({"layout": "{status}"}, "{number} 0 times"),
        ({"layout": "{number},{number}"}, "{number} 2 times"),
        ({"layout": "{unit},{unit},{number}"}, "{unit} 2 times"),
        ({"layout": "{number:0}"}, 'width "0" of number'),
        ({"layout": "{number:x}"}, 'width "x" of number'),
        ({"layout": "{number:41}"}, "from 1 to 40"),
        ({"layout": "{number:}"}, 'width "" of number'),
        ({"layout": "{status}{number}"}, "{status:2}"),
        ({"layout": "{number}0kg"}, 'told from the "0"'),
        ({"layout": "{number}.kg"}, 'told from the "."'),
        ({"layout": "{number}\r"}, "line end"),
        ({"layout": "{number} µ"}, "ASCII"),
        ({"unit": None}, "no {unit}"),
        ({"unit": "stone"}, 'unit "stone" is not known'),
        ({"end": "EOL"}, "CRLF, CR, LF"),
        ({"request": "x" * 33}, "at most 32"),
        ({"decimal": ";"}, 'use "." or ","'),
        ({"words": {"ST": "steady"}}, 'word "ST" means "steady"'),
        ({"words": {" ST": "stable"}}, "without blanks around"),
    ],
)
def test_a_format_that_can_t_be_is_refused_with_what_is_allowed(
    settings: dict[str, object], message: str
) -> None:
    with pytest.raises(ValueError) as error:  # noqa: PT011 - the message is checked below
        LineFormat(**({"layout": "{number}", "unit": "kg"} | settings))  # type: ignore[arg-type]
    assert message in str(error.value)


def test_braces_are_written_twice() -> None:
    assert parse("{{{number}}}") == (Item("", "{"), Item("number"), Item("", "}"))


def test_words_can_not_be_changed_from_outside() -> None:
    words = {"ST": "stable"}
    line = LineFormat("{status},{number}", words, unit="kg")
    words["ST"] = "moving"
    assert line.words["ST"] == "stable"


@pytest.mark.parametrize("char", [" ", "-", "1", "+", ".", ",", "x", "- ", "1 "])
@pytest.mark.parametrize(
    "layout", ["{skip},{number} {unit}", "{skip} {number} {unit}", "{number}   {unit},{skip}"]
)
def test_matching_takes_time_in_proportion_to_the_length(layout: str, char: str) -> None:
    """A hundred thousand hostile characters; a matcher that tries again from each would take minutes."""
    match = pattern(parse(layout), ".").fullmatch
    begin_s = time.perf_counter()
    match(char * 100_000 + "!")
    assert time.perf_counter() - begin_s < 1.0


def test_a_field_too_narrow_for_its_text_is_not_encoded() -> None:
    with pytest.raises(ValueError, match="does not fit the 9 characters"):
        LineDecoder("feed", SCALE).encode(Reading(1, "feed", 10**9, 0, "kg", True, "ok", "gross"))


def test_the_request_is_sent_as_it_stands() -> None:
    asked = exchange(LineFormat("{number}", unit="kg", request="Q\r\n"), 0.5, 2.0)
    assert (asked.poll, asked.interval_s, asked.timeout_s, asked.start) == (b"Q\r\n", 0.5, 2.0, b"")
