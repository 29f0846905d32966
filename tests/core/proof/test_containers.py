"""What a container does with a litre of water, seen through simulated scales and vessels."""

from __future__ import annotations

from random import Random

import pytest

from logger.core.description import ContainerKind
from logger.core.proof.containers import container_kind, kind_seen, pour_kg
from logger.core.proof.values import Result, Verdict
from logger.simulator.scenario import Outlet, Vessel
from logger.simulator.vessel import Place
from tests.core.proof.person import Bench, bay_of, bench, scale

DT_S = 0.2


def pour(
    seed: int, really: str, told: ContainerKind, *, drain_s: float = 8.0, litres: float = 1.0
) -> tuple[Bench, Result]:
    """Pour over three seconds into a vessel of the simulator's; a brim-full one lets all of it run over."""
    channel = scale()
    at = bench(seed, channel)
    place = Place(
        Outlet("concentrate", share=1.0, vessel=Vessel(kind=really, drain_s=drain_s)), DT_S, Random(seed)
    )
    last = [0.0]

    def extra(at_s: float) -> float:
        place.step(at_s, at_s - last[0])
        last[0] = at_s
        return place.gross_kg()

    def splash() -> None:
        place.water_kg += litres / 15 if really != "brim-full" else 0.0

    def pouring(at: Bench) -> None:
        for k in range(15):
            at.later(3.0 + 0.2 * k, splash)
        at.press(7.0)

    at.extra = extra
    at.deeds = {
        "stands": lambda at: at.press(5.0),
        "pour": pouring,
        "water": lambda at: at.say(2.0, "y" if really == "brim-full" else "n"),
    }
    bay = bay_of(channel, told)
    results = at.run([container_kind(bay.stations[0].outlets[0], channel, "kg")], bay)
    return at, results[0]


KINDS = (ContainerKind.DRAINS, ContainerKind.BRIM_FULL, ContainerKind.RETAINS)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("told", KINDS)
@pytest.mark.parametrize("really", KINDS)
def test_the_weight_tells_the_kind(really: ContainerKind, told: ContainerKind, seed: int) -> None:
    result = pour(seed, str(really), told)[1]
    assert result.figures["seen"] == really
    assert result.verdict is (Verdict.PASSES if really is told else Verdict.FAILS)


@pytest.mark.parametrize(("drain_s", "seen"), [(2.0, "drains"), (30.0, "drains"), (70.0, "drains")])
def test_a_quick_and_a_slow_basket_are_both_seen_to_drain(drain_s: float, seen: str) -> None:
    assert pour(1, "drains", ContainerKind.DRAINS, drain_s=drain_s)[1].figures["seen"] == seen


def test_a_litre_measured_badly_changes_no_verdict() -> None:
    """A tenth too little or too much."""
    for litres in (0.9, 1.1):
        assert pour(2, "retains", ContainerKind.RETAINS, litres=litres)[1].verdict is Verdict.PASSES


def test_a_kind_that_was_not_told_is_proposed() -> None:
    result = pour(1, "retains", ContainerKind.UNKNOWN)[1]
    assert result.verdict is Verdict.CANT_TELL
    assert 'kind = "retains"' in result.remedy


def test_a_container_that_keeps_half_is_not_named() -> None:
    assert kind_seen(0.5, 0.9, falling=False, standing=False) is ContainerKind.UNKNOWN


def test_the_pour_fits_the_scale() -> None:
    """Twenty resolutions at least, a quarter of the capacity at most."""
    assert pour_kg(scale()) == 1.0
    assert pour_kg(scale(resolution_kg=0.1, capacity_kg=300.0)) == pytest.approx(2.0)
    assert pour_kg(scale(capacity_kg=2.0)) == 0.5
