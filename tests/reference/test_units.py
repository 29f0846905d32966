"""Units against what is published.

NIST Handbook 44, appendix C (general tables of units): the exact values of pound, ounces, short ton and
US gallon. The same values built from the grain, 64.798 91 mg, and the inch, 2.54 cm, by the relations
of that appendix (avoirdupois pound 7000 grains, ounce 437.5, troy ounce 480, short ton 2000 pounds;
gallon 231 cubic inches), which the table of factors does not use.
"""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.core import units
from logger.core.units import (
    DIMENSIONS,
    MASS_MG,
    UnitError,
    flow_ratio,
    kg_to,
    litres_to,
    mg_ratio,
    parse_quantity,
    pulse_ratio,
    rounded,
    to_mg,
    volume_ratio,
)

GRAIN_MG = Fraction("64.79891")
INCH_CM = Fraction("2.54")


@pytest.mark.parametrize(
    ("written", "dimension", "exact"),
    [
        ("1 lb", "mass", "0.45359237"),
        ("1 oz", "mass", "0.028349523125"),
        ("1 ozt", "mass", "0.0311034768"),
        ("1 ton", "mass", "907.18474"),
        ("1 t", "mass", "1000"),
        ("1 gal", "volume", "3.785411784"),
        ("1 gpm", "flow", "3.785411784"),
        ("100 lb/h", "rate", "45.359237"),
        ("1 ton/d", "rate", Fraction("907.18474") / 24),
        ("1 g/s", "rate", "3.6"),
        ("1 m3/h", "flow", Fraction(1000, 60)),
        ("1 kg/m3", "density", "0.001"),
        ("8.8 g/cm3", "density", "8.8"),
        ("12.5 %", "share", "0.125"),
        ("200 ms", "time", "0.2"),
        ("1.5 h", "time", "5400"),
    ],
)
def test_a_quantity_is_read_exactly(written: str, dimension: str, exact: str | Fraction) -> None:
    assert parse_quantity(written, dimension) == Fraction(exact)


@pytest.mark.parametrize(
    ("unit", "grains"), [("lb", 7000), ("oz", "437.5"), ("ozt", 480), ("ton", 14_000_000)]
)
def test_avoirdupois_and_troy_are_whole_grains(unit: str, grains: int | str) -> None:
    assert MASS_MG[unit] == Fraction(grains) * GRAIN_MG


def test_the_gallon_is_231_cubic_inches() -> None:
    assert units.VOLUME_L["gal"] == 231 * INCH_CM**3 / 1000
    assert units.FLOW_L_MIN["gpm"] == units.FLOW_L_MIN["gal/min"]


@pytest.mark.parametrize("dimension", DIMENSIONS)
def test_every_unit_is_read_and_so_is_the_example(dimension: str) -> None:
    for unit, factor in DIMENSIONS[dimension].items():
        assert parse_quantity(f"3 {unit}", dimension) == 3 * factor
    assert parse_quantity(units.EXAMPLES[dimension], dimension) > 0


@given(st.integers(-(10**12) + 1, 10**12 - 1), st.integers(0, 12), st.sampled_from(sorted(MASS_MG)))
def test_reading_a_quantity_loses_nothing(count: int, places: int, unit: str) -> None:
    sign, digits = "-" if count < 0 else "", f"{abs(count):0{places + 1}}"
    split = len(digits) - places
    written = f"{sign}{digits[:split]}{'.' if places else ''}{digits[split:]}"
    assert parse_quantity(f"{written} {unit}", "mass") * 10**6 == Fraction(count, 10**places) * MASS_MG[unit]


def _outcome(text: str, dimension: str) -> Fraction | str:
    try:
        return parse_quantity(text, dimension)
    except UnitError as error:
        return str(error)


@given(st.text(max_size=20), st.sampled_from(sorted(DIMENSIONS)))
def test_any_text_is_a_quantity_or_a_unit_error_with_an_example(text: str, dimension: str) -> None:
    outcome = _outcome(text, dimension)
    assert isinstance(outcome, Fraction) or units.EXAMPLES[dimension] in outcome


@pytest.mark.parametrize(
    "written",
    [
        "",
        "kg",
        "5",
        "5 Kg",
        "5 KG",
        "1e3 kg",
        "1,5 kg",
        "1 000 kg",
        "٥ kg",
        "5 kg/",
        ".5 kg",
        "5. kg",
        "nan kg",
    ],
)
def test_what_could_be_misread_is_refused(written: str) -> None:
    with pytest.raises(UnitError, match='e\\.g\\. "5 g"'):
        parse_quantity(written, "mass")


def test_a_refusal_says_what_was_found_and_what_is_allowed() -> None:
    with pytest.raises(UnitError) as caught:
        parse_quantity("5 stone", "mass")
    assert str(caught.value) == (
        '"5 stone": unit "stone" is not known here; use one of mg, g, kg, t, lb, oz, ozt, ton, e.g. "5 g"'
    )


# ---- whole milligrams


@pytest.mark.parametrize(
    ("count", "exp", "unit", "mg"),
    [
        (5025, -3, "lb", 2279302),  # SMA SCP-0499's own example 5.025 lb; 2279301.65925 mg
        (1, 0, "mg", 1),
        (5, -1, "mg", 1),  # half goes up
        (-5, -1, "mg", 0),  # up, not away from zero
        (-15, -1, "mg", -1),
        (49, -2, "mg", 0),
        (150, 0, "kg", 150_000_000),
        (12, 1, "kg", 120_000_000),
        (1, -3, "oz", 28),
        (0, -3, "lb", 0),
    ],
)
def test_milligrams_are_rounded_half_up(count: int, exp: int, unit: str, mg: int) -> None:
    assert to_mg(count, exp, unit) == mg


@given(st.integers(-(10**18), 10**18), st.integers(-9, 3), st.sampled_from(sorted(MASS_MG)))
def test_milligrams_are_within_half_of_the_exact_value(count: int, exp: int, unit: str) -> None:
    exact = Fraction(count) * Fraction(10) ** exp * MASS_MG[unit]
    error = to_mg(count, exp, unit) - exact
    assert -Fraction(1, 2) < error <= Fraction(1, 2)


@given(
    st.integers(-(10**9), 10**9), st.integers(0, 10**6), st.integers(-6, 3), st.sampled_from(sorted(MASS_MG))
)
def test_a_larger_number_is_never_fewer_milligrams(count: int, more: int, exp: int, unit: str) -> None:
    assert to_mg(count + more, exp, unit) >= to_mg(count, exp, unit)


def test_what_is_no_mass_is_not_turned_into_one() -> None:
    assert mg_ratio("L/min", 0) is None
    with pytest.raises(UnitError, match="not a unit of mass"):
        to_mg(1, 0, "L")
    with pytest.raises(UnitError, match="not a unit of mass"):
        kg_to(1.0, "L")
    assert flow_ratio("kg", 0) is None
    assert volume_ratio("L/min", 0) is None
    with pytest.raises(UnitError, match="not a unit of volume"):
        litres_to(1.0, "kg")


# ---- water, in whole nanolitres


@pytest.mark.parametrize(
    ("count", "exp", "unit", "nl_min"),
    [
        (1725, -2, "L/min", 17_250_000_000),
        (1, 0, "gpm", 3_785_411_784),  # NIST Handbook 44, appendix C: the gallon, exactly
        (60, 0, "gal/h", 3_785_411_784),
        (6, -2, "m3/h", 1_000_000_000),
        (1, 0, "L/s", 60_000_000_000),
        (-1, -1, "L/min", -100_000_000),
    ],
)
def test_a_flow_becomes_whole_nanolitres_a_minute(count: int, exp: int, unit: str, nl_min: int) -> None:
    ratio = flow_ratio(unit, exp)
    assert ratio is not None
    assert rounded(count, ratio) == nl_min


@pytest.mark.parametrize(
    ("count", "exp", "unit", "nl"),
    [
        (1, 0, "gal", 3_785_411_784),
        (231, 0, "gal", 874_430_122_104),
        (12345, -3, "m3", 12_345_000_000_000),
        (1, 0, "mL", 1_000_000),
        (1, -1, "gal", 378_541_178),  # 378541178.4
        (5, -10, "L", 1),  # half goes up
    ],
)
def test_a_total_becomes_whole_nanolitres(count: int, exp: int, unit: str, nl: int) -> None:
    ratio = volume_ratio(unit, exp)
    assert ratio is not None
    assert rounded(count, ratio) == nl


def test_pulses_are_litres_by_what_the_meter_gives_for_one() -> None:
    """450 pulses are a litre, 7.5 a litre as well where the plate says so."""
    assert rounded(450, pulse_ratio(450, 0)) == rounded(75, pulse_ratio(7.5, -1)) == 10**9
    assert rounded(1, pulse_ratio(450.0, 0)) == 2_222_222


@given(st.integers(0, 10**12), st.integers(-6, 2), st.sampled_from(sorted(units.VOLUME_L)))
def test_nanolitres_are_within_half_of_the_exact_value(count: int, exp: int, unit: str) -> None:
    ratio = volume_ratio(unit, exp)
    assert ratio is not None
    error = rounded(count, ratio) - Fraction(count) * Fraction(10) ** exp * units.VOLUME_L[unit] * 10**9
    assert -Fraction(1, 2) < error <= Fraction(1, 2)


@pytest.mark.parametrize(("litres", "unit", "shown"), [(3.785411784, "gal", 1.0), (1000.0, "m3", 1.0)])
def test_a_volume_is_shown_in_a_persons_unit(litres: float, unit: str, shown: float) -> None:
    assert litres_to(litres, unit) == pytest.approx(shown, rel=1e-15)


@pytest.mark.parametrize(
    ("kg", "unit", "shown"), [(0.45359237, "lb", 1.0), (1.0, "kg", 1.0), (907.18474, "ton", 1.0)]
)
def test_a_mass_is_shown_in_a_persons_unit(kg: float, unit: str, shown: float) -> None:
    assert kg_to(kg, unit) == pytest.approx(shown, rel=1e-15)


def test_memory_of_units_from_the_wire_is_bounded() -> None:
    for number in range(1000):
        mg_ratio(f"unit {number}", 0)
    assert mg_ratio.cache_info().currsize <= 256


def test_pounds_and_ounces_are_told_in_pounds() -> None:
    """16 oz to the pound (Handbook 44, appendix C): 22 lb 3 oz are 22.1875 lb."""
    with pytest.raises(UnitError, match=r'pounds alone: "22\.1875 lb"'):
        parse_quantity("22 lb 3 oz", "mass")
