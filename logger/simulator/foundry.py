"""The demo's bay: an invented foundry that wins bronze back from floor sweepings."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from logger.simulator import troubles as t
from logger.simulator.scenario import Feed, Outlet, Scale, Scenario, Vessel, Water

CYCLE_S = 1200.0
"""The script of troubles repeats after this time."""


def _outlets() -> tuple[Outlet, ...]:
    fine = Scale(resolution_kg=0.002, noise_kg=0.0015, vibration_kg=0.003, capacity_kg=30)
    coarse = Scale(resolution_kg=0.01, noise_kg=0.004, vibration_kg=0.005, capacity_kg=60)
    return (
        Outlet(
            "concentrate", 0.145, 26.0, 12.0, lump_g=2.0, density=8.8, scale=fine,
            vessel=Vessel("drains", 0.85, 1.15, full_kg=12.0, entrained=0.15, drain_s=15.0, moisture=0.01),
        ),
        Outlet(
            "middlings", 0.10, 20.0, 12.0, lump_g=2.5, density=4.5,
            scale=Scale(resolution_kg=0.005, noise_kg=0.003, vibration_kg=0.004, capacity_kg=30),
            vessel=Vessel("drains", 0.85, 1.15, full_kg=12.0, entrained=0.2, drain_s=20.0, moisture=0.01),
        ),
        Outlet(
            "tailings", 0.64, 12.0, 8.0, lump_g=4.0, density=2.65, scale=coarse,
            vessel=Vessel("drains", 2.2, 2.8, full_kg=30.0, entrained=0.25, drain_s=25.0, moisture=0.01),
        ),
        Outlet(
            "fines", 0.065, 15.0, 15.0, lump_g=2.0, density=2.6,
            scale=Scale(resolution_kg=0.005, noise_kg=0.003, vibration_kg=0.003, capacity_kg=60),
            vessel=Vessel("brim-full", 0.9, 1.1, full_kg=30.0, fill_water_kg=10.0),
        ),
        Outlet("spill-tray", 0.05, 10.0, 10.0, lump_g=2.0, scale=None,
               vessel=Vessel("retains", full_kg=1e9)),
    )  # fmt: skip


def _troubles(cycles: int) -> tuple[t.Trouble, ...]:
    """What goes wrong, once in each cycle; the first clog, alarm and clearing within eight minutes."""
    script: list[t.Trouble] = []
    for begin_s in (i * CYCLE_S for i in range(cycles)):
        script += [
            t.ContainerChange(begin_s + 150, "concentrate", without_s=9.0, caught=True, pour_after_s=20.0),
            t.Clog(begin_s + 330, "concentrate", begin_s + 430, piles=0.5),
            t.Bump(begin_s + 480, "tailings", 6.0, 1.2),
            t.Refill(begin_s + 510, 10.0, 6.0),
            t.ContainerChange(begin_s + 590, "tailings", without_s=14.0),
            t.FeedStop(begin_s + 660, begin_s + 740),
            t.Clog(begin_s + 850, "middlings", begin_s + 970, blocked=0.8, ramp_s=20.0, strays=0.2),
            t.WaterChange(begin_s + 1010, 0.6, begin_s + 1060),
            t.Refill(begin_s + 1080, 10.0, 6.0),
            t.FeedDrift(begin_s + 1100, 1.25, 30.0, begin_s + 1180),
        ]
    return tuple(script)


def foundry_scenario(cycles: int = 60, calm: bool = False) -> Scenario:
    """The demo: 60 kg/h of sweepings by hopper over five outlets, one of them without a scale.

    ``cycles`` of `CYCLE_S` each are scripted; ``calm`` leaves the troubles out.
    """
    return Scenario(
        name="foundry",
        feed=Feed(target_kg_h=60.0, content_kg=26.0, refill_at_kg=6.0),
        outlets=_outlets(),
        water=Water("wash-water", 14.0),
        feed_water=Water("feed-water", 2.6, noise_l_min=0.02, resolution_l_min=0.05),
        troubles=() if calm else _troubles(cycles),
        feed_from_s=20.0,
    )


def foundry_actions(cycles: int = 60) -> Iterator[tuple[float, dict[str, Any]]]:
    """What the demo's operator says: (time in s, action as `logger.core.actions` reads it)."""
    yield (
        1.0,
        {
            "action": "open-lot",
            "lot": "L-0412",
            "owner": "PO 7781",
            "material": "floor sweepings",
            "gross": "412.5 kg",
            "tare": "14.2 kg",
            "moisture": "6 %",
        },
    )
    values = {
        "tilt": "4.5 deg",
        "stroke": "14 mm",
        "speed": "285 /min",
        "wash water": "14 L/min",
        "feed water": "2.6 L/min",
    }
    yield 3.0, {"action": "settings", "values": values}
    yield 5.0, {"action": "start-run", "lot": "L-0412"}
    for begin_s in (i * CYCLE_S for i in range(cycles)):
        yield begin_s + 435.0, {"action": "note", "text": "cleared the concentrate launder"}
        yield begin_s + 460.0, {"action": "acknowledge", "alarm": "all"}
        yield begin_s + 980.0, {"action": "note", "text": "middlings launder flushed"}
        yield begin_s + 1190.0, {"action": "acknowledge", "alarm": "all"}
