"""Layouts of invented lines, derived from the lines alone. Every line says what is to be read from it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.core.guess.layouts import Candidate, layouts, try_on

Lines = Callable[[int, str, bool], str]


def climb(count: int = 30) -> list[tuple[int, bool]]:
    """Grams, five readings at rest and five on the way up, in turn; five grams are a step."""
    found = []
    grams = 700
    for number in range(count):
        moving = number % 10 >= 5
        grams += 5 * (7 + number % 4) if moving else 0
        found.append((grams, moving))
    return found


@dataclass(frozen=True)
class Case:
    name: str
    line: Lines  # (number of the line, kilograms as text, moving) -> the line
    layout: str
    words: dict[str, str]
    unit: str | None = "kg"
    decimal: str = "."
    end: str = "CRLF"


CASES = [
    Case(
        "fixed places, words, sign apart",
        lambda n, kg, moving: f"{'US' if moving else 'ST'},GS,+{kg:>8} kg",
        "{status:2},{mode:2},{number:9} {unit}",
        {"ST": "stable", "US": "moving", "OL": "over", "GS": "gross", "NT": "net"},
    ),
    Case("a number and a unit", lambda n, kg, moving: f"{kg} kg", "{number} {unit}", {}),
    Case("the unit attached", lambda n, kg, moving: f"{kg}kg", "{number}{unit}", {}),
    Case(
        "comma and a mark for motion",
        lambda n, kg, moving: f"{'M' if moving else ' '} {kg:>9} kg".replace(".", ","),
        "{status:1} {number:9} {unit}",
        {"M": "moving", "": "stable"},
        decimal=",",
    ),
    Case(
        "zeros before it", lambda n, kg, moving: f"W{kg:0>8}LB", "W{number:8}{unit}", {"LB": "lb"}, unit="lb"
    ),
    Case(
        "the unit left out in motion",
        lambda n, kg, moving: f"{kg:>9} {'  ' if moving else 'kg'}",
        "{number:9} {unit}",
        {},
    ),
    Case(
        "the line is shorter in motion",
        lambda n, kg, moving: f"{kg:>9}{'' if moving else ' kg'}",
        "{number:9}{unit}",
        {},
    ),
    Case(
        "two words glued together",
        lambda n, kg, moving: f"{'US' if moving else 'ST'}NT{kg:>9}kg",
        "{status:2}{mode:2} {number:8}{unit}",
        {"ST": "stable", "US": "moving", "OL": "over", "NT": "net", "GS": "gross"},
    ),
    Case(
        "a checksum in hexadecimal",
        lambda n, kg, moving: f"W{kg:>9}kg*{(n * 73 + 41) % 256:02X}",
        "W {number:8}{unit}*{skip:2}",
        {},
    ),
    Case(
        "STX, a flag that is a digit, ETX, a checksum character",
        lambda n, kg, moving: f"\x02{int(moving)}{kg:0>8}kg\x03{chr(33 + n * 37 % 90)}",
        "\x02{status:1}{number:8}{unit}\x03{skip:1}",
        {"0": "stable", "1": "moving"},
    ),
    Case(
        "a count of lines",
        lambda n, kg, moving: f"{n:04d};{kg:>8};kg",
        "{skip:4};{number:8};{unit}",
        {},
    ),
    Case(
        "time of day",
        lambda n, kg, moving: f"12:{n:02d}:07 {kg} kg",
        "{skip:8} {number} {unit}",
        {},
    ),
    Case("a sign and no unit", lambda n, kg, moving: f"+{kg}", "{number}", {}, unit=None),
    Case(
        "words nobody knows, told apart by what the number does",
        lambda n, kg, moving: f"{'XQ' if moving else 'KV'} {kg:>8} kg",
        "{status:2} {number:8} {unit}",
        {"KV": "stable", "XQ": "moving"},
    ),
    Case(
        "status behind the number",
        lambda n, kg, moving: f"{kg:>8},kg,{'D' if moving else 'S'}",
        "{number:8},{unit},{status:1}",
        {"S": "stable", "D": "moving"},
    ),
    Case(
        "a spelling of the unit that is not ours",
        lambda n, kg, moving: f"FLOW {kg:>7} LPM",
        "FLOW {number:7} {unit}",
        {"LPM": "L/min"},
        unit="L/min",
    ),
    Case(
        "a sentence",
        lambda n, kg, moving: f"Weight: {kg} kg, Count: {n * 3} pcs",
        "Weight: {number} {unit}, Count: {skip} pcs",
        {},
    ),
    Case(
        "a mark for motion right before the mode",
        lambda n, kg, moving: f"{'!' if moving else ' '}N{kg:>9} kg",
        "{status:1}{mode:1} {number:8} {unit}",
        {"!": "moving", "": "stable", "N": "net"},
    ),
    Case(
        "a checksum that is a letter",
        lambda n, kg, moving: f"\x02{kg:>8}kg\x03{chr(65 + n * 7 % 26)}",
        "\x02{number:8}{unit}\x03{skip:1}",
        {},
    ),
    Case(
        "braces in the text",
        lambda n, kg, moving: f"{{{kg:>8} kg}}",
        "{{{number:8} {unit}}}",
        {},
    ),
]


def derived(case: Case) -> list[Candidate]:
    lines = [
        case.line(n, f"{g / 1000:.3f}", moving).encode("latin-1") for n, (g, moving) in enumerate(climb())
    ]
    return layouts(lines, case.end)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_a_layout_is_derived(case: Case) -> None:
    best = derived(case)[0]
    assert (best.line.layout, dict(best.line.words)) == (case.layout, case.words)
    assert (best.unit, best.line.decimal) == (case.unit, case.decimal)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_every_line_is_read_as_the_number_that_was_written(case: Case) -> None:
    lines = [
        case.line(n, f"{g / 1000:.3f}", moving).encode("latin-1") for n, (g, moving) in enumerate(climb())
    ]
    readings = try_on(derived(case)[0].line, lines)
    assert [r and r.number * 10 ** (r.exp + 3) for r in readings] == [grams for grams, _ in climb()]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_the_resolution_is_the_step_of_the_numbers(case: Case) -> None:
    assert derived(case)[0].resolution == (5, -3, True)


def test_a_number_that_stands_to_the_left_has_room_behind_it() -> None:
    best = layouts([f"{g:<8}g".encode() for g, _ in climb()])[0]
    assert best.line.layout == "{number:7} {unit}"
    assert [r and r.number for r in try_on(best.line, [b"123456  g"])] == [123456]


def test_few_numbers_give_the_last_decimal_and_say_so() -> None:
    best = layouts([b"1.005 kg", b"1.010 kg", b"1.010 kg"])[0]
    assert best.resolution == (1, -3, False)


def test_gross_tare_and_net_are_alternatives_the_gross_first() -> None:
    lines = [f"G{g / 1000 + 0.5:9.3f}kg T{0.5:9.3f}kg N{g / 1000:9.3f}kg".encode() for g, _ in climb()]
    found = layouts(lines)
    assert [each.shows for each in found[:2]] == ["gross", "net"]
    assert any("the other number" in question for question in found[0].questions)


def test_two_numbers_with_nothing_to_tell_them_apart_are_both_offered() -> None:
    lines = [f"{g / 1000:8.3f} kg {g / 1000 - 0.25:8.3f} kg".encode() for g, _ in climb()]
    found = layouts(lines)
    assert {each.line.layout.index("{number") > 9 for each in found} == {True, False}


def test_gross_and_net_printed_in_turn_are_never_read_as_one_scale() -> None:
    lines = []
    for grams, _ in climb(12):
        lines += [
            f"Gross: {grams / 1000 + 0.5:8.3f} kg",
            f"Tare:  {0.5:8.3f} kg",
            f"Net:   {grams / 1000:8.3f} kg",
        ]
    found = layouts([line.encode() for line in lines])
    assert [(each.shows, each.read) for each in found] == [("gross", 12), ("net", 12), ("tare", 12)]


def test_a_sign_apart_from_its_number_is_never_skipped() -> None:
    """``-,1.200`` must not become 1.2."""
    lines = [f"{'-' if n % 3 else ' '},{g / 1000:8.3f} kg".encode() for n, (g, _) in enumerate(climb())]
    readings = [r for each in layouts(lines) for r in try_on(each.line, [b"-,   1.200 kg"]) if r is not None]
    assert readings == []


def test_a_part_of_a_number_is_never_proposed() -> None:
    """Without a change before the comma, ``1,234`` must not be read as 234."""
    lines = [f"1,{n:03d} kg".encode() for n in range(100, 130)]
    assert [each.line.decimal for each in layouts(lines)] == [","]


def test_an_unknown_word_is_asked_about_and_not_believed() -> None:
    lines = [f"{'AB' if n % 2 else 'CD'} {g / 1000:8.3f} kg".encode() for n, (g, _) in enumerate(climb())]
    best = layouts(lines)[0]
    assert best.usable == 0
    assert any('"AB"' in question for question in best.questions)


def test_a_word_that_never_changes_is_fixed_text_and_asked_about() -> None:
    best = layouts([f"AB {g / 1000:8.3f} kg".encode() for g, _ in climb()])[0]
    assert best.line.layout == "AB {number:8} {unit}"
    assert any('"AB" ever changes' in question for question in best.questions)


def test_a_letter_that_may_mean_two_things_is_asked_about() -> None:
    best = layouts(
        [f"{g / 1000:8.3f} kg {'O' if n == 3 else ' '}".encode() for n, (g, _) in enumerate(climb())]
    )[0]
    assert any('"O" really means over' in question for question in best.questions)


def test_an_overload_in_the_numbers_place_is_left_out_and_told() -> None:
    lines = [f"ST,{g / 1000:8.3f},kg".encode() for g, _ in climb()] + [b"OL,--------,kg"]
    best = layouts(lines)[0]
    assert best.read == len(lines)
    assert best.usable == len(lines) - 1


def test_thousands_are_never_read_as_decimals() -> None:
    """980 g, then 1,020 g: the second must not become 1.02 g."""
    assert layouts([f"{g + 100:,} g".encode() for g, _ in climb()]) == []


def test_a_comma_that_may_part_thousands_is_asked_about() -> None:
    best = layouts([f"{g + 1300:,} g".encode() for g, _ in climb()])[0]
    assert any("thousands" in question for question in best.questions)


def test_commas_between_fields_are_no_decimals() -> None:
    best = layouts(
        [f"{n},{g / 1000:.3f},kg,{'U' if m else 'S'}".encode() for n, (g, m) in enumerate(climb())]
    )[0]
    assert (best.line.layout, best.line.decimal) == ("{skip},{number},{unit},{status}", ".")


def test_a_count_and_a_weight_are_not_one_number_with_a_comma() -> None:
    lines = [f"{n:03d},{g:08d} g".encode() for n, (g, _) in enumerate(climb())]
    readings = try_on(layouts(lines)[0].line, lines)
    assert [r and (r.number, r.exp) for r in readings] == [(g, 0) for g, _ in climb()]


def test_a_word_that_comes_and_goes_at_the_end_is_a_status() -> None:
    best = layouts([f"{g / 1000:.3f}\tkg\t{'*' if m else ''}".encode() for g, m in climb()])[0]
    assert dict(best.line.words) == {"*": "moving", "": "stable"}
    assert best.read == best.of


def test_weight_and_tare_in_one_run_of_digits_are_parted_and_asked_about() -> None:
    best = layouts([f"\x02A {g:06d}{0:06d}".encode() for g, _ in climb()])[0]
    readings = try_on(best.line, [b"\x02A 001235000000"])
    assert [r and r.number for r in readings] == [1235]
    assert any("decimal point is left out" in question for question in best.questions)


def test_numbers_below_zero_that_are_not_read_are_told() -> None:
    """A minus behind its number: 0.020- must not become 0.02."""
    best = layouts(
        [f"{g / 1000:8.3f}{'-' if n < 4 else ' '} kg".encode() for n, (g, _) in enumerate(climb())]
    )[0]
    assert best.read == best.of - 4
    assert any("below zero" in question for question in best.questions)


def test_lines_without_a_number_give_nothing() -> None:
    assert layouts([b"HELLO", b"READY", b"HELLO"]) == []


def test_no_lines_give_nothing() -> None:
    assert layouts([]) == []


@settings(deadline=None)
@given(st.lists(st.binary(max_size=24), max_size=8))
def test_any_bytes_whatever_are_survived(lines: list[bytes]) -> None:
    for each in layouts(lines):
        assert each.read <= each.of == len(lines)


@settings(deadline=None)
@given(
    st.lists(st.integers(-99_999, 99_999), min_size=6, max_size=12),
    st.sampled_from(["{:>9}", "{}", "N{:>9}", "{:>9}kg", "A,{:>9},kg", "{}g"]),
)
def test_what_is_read_is_what_was_written_or_nothing(counts: list[int], text: str) -> None:
    """Whatever the numbers: the best layout never reads another number than the line shows."""
    lines = [text.format(f"{count / 100:.2f}").encode() for count in counts]
    best = layouts(lines)[0]
    readings = try_on(best.line, lines)
    assert [r.number for r in readings if r] == [c for c, r in zip(counts, readings, strict=True) if r]
