"""What the simulated instruments say is understood by the decoders, as config/demo.toml sets them up."""

from __future__ import annotations

import tomllib
from fractions import Fraction
from pathlib import Path

import pytest

from logger.core.decode.line import LineDecoder, LineFormat
from logger.core.decode.sma import SmaDecoder
from logger.core.entries import Reading
from logger.simulator.demo import WIRING
from logger.simulator.foundry import foundry_scenario
from logger.simulator.instruments import Described, Meter, sma_weight
from logger.simulator.scale import Shown

DEMO = tomllib.loads((Path(__file__).parents[2] / "config" / "demo.toml").read_text(encoding="utf-8"))
WEIGHTS = [
    Shown("1.234", "kg", True),
    Shown("-12.05", "kg", False, "ok", True),
    Shown("0.000", "kg", True, "zero"),
    Shown("3.42", "lb", True),
]


def one(entries: list[object]) -> Reading:
    (entry,) = entries
    assert isinstance(entry, Reading)
    return entry


def described(channel: str) -> LineDecoder:
    return LineDecoder(channel, LineFormat(**DEMO["instruments"][channel]["line"]))


@pytest.mark.parametrize("shown", WEIGHTS)
def test_an_sma_frame_says_what_the_scale_shows(shown: Shown) -> None:
    reading = one(list(SmaDecoder("fines").feed(sma_weight(shown), 5)))
    assert reading.number * Fraction(10) ** reading.exp == Fraction(shown.value)
    assert (reading.unit, reading.stable, reading.status) == (shown.unit, shown.stable, shown.status)
    assert reading.mode == ("net" if shown.net else "gross")


@pytest.mark.parametrize("shown", WEIGHTS)
def test_a_described_line_says_what_the_scale_shows(shown: Shown) -> None:
    reading = one(list(described("middlings").feed(Described(lambda: shown).line(shown), 5)))
    assert reading.number * Fraction(10) ** reading.exp == Fraction(shown.value)
    assert (reading.unit, reading.stable) == (shown.unit, shown.stable)
    assert reading.mode == ("net" if shown.net else "gross")


def test_overload_is_no_weight_in_either_dialect() -> None:
    over = Shown("70.00", "kg", False, "over")
    assert one(list(SmaDecoder("fines").feed(sma_weight(over), 5))).status == "over"
    line = Described(lambda: over).line(over)
    assert one(list(described("middlings").feed(line, 5))).status == "over"


def test_the_flow_meter_is_understood() -> None:
    shown = Shown("14.10", "L/min", None)
    decoder = described("wash-water")
    entries = [e for _ in range(2) for e in decoder.feed(Meter(lambda: shown).line(shown), 5)]
    reading = one(entries[-1:])
    assert (reading.number, reading.exp, reading.unit) == (1410, -2, "L/min")


def test_the_demo_configuration_names_the_simulated_instruments() -> None:
    assert set(DEMO["instruments"]) == set(foundry_scenario().channels)
    dialects = {"sma": "sma", "described": "line", "meter": "line"}
    for channel, settings in DEMO["instruments"].items():
        assert settings["dialect"] == dialects[WIRING.get(channel, ("sma", "pty"))[0]]


def test_the_demo_configuration_has_the_simulated_resolutions_and_capacities() -> None:
    scenario = foundry_scenario()
    scales = {"feed": scenario.feed.scale} | {o.name: o.scale for o in scenario.outlets if o.scale}
    for channel, scale in scales.items():
        assert scale is not None
        assert DEMO["instruments"][channel]["resolution"] == f"{scale.resolution_kg * 1000:g} g"
        assert DEMO["instruments"][channel]["capacity"] == f"{scale.capacity_kg:g} kg"


def test_the_demo_configuration_has_the_simulated_outlets() -> None:
    configured = DEMO["stations"]["table"]["outlets"]
    assert list(configured) == [outlet.name for outlet in foundry_scenario().outlets]
    for outlet in foundry_scenario().outlets[:4]:
        assert configured[outlet.name]["density"] == f"{outlet.density:g} g/cm3"
        assert configured[outlet.name]["container"]["kind"] == outlet.vessel.kind
        assert configured[outlet.name]["container"]["full"] == f"{outlet.vessel.full_kg:g} kg"
