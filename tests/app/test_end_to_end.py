"""From the physics through real wires, decoders, journal and fold to the tally, against the truth."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from logger.simulator.foundry import foundry_scenario
from logger.simulator.troubles import Bump, ContainerChange, FeedStop, Refill
from tests.app.bays import running_bay, running_daemon, until

FED_UNTIL_S, DRAINED_S = 150.0, 290.0


@pytest.mark.timeout(120)
def test_the_tally_over_real_wires_agrees_with_the_truth(tmp_path: Path) -> None:
    """Through a container change, a bump and a refill: within 3 standard uncertainties, and within 1.5 %.

    A draining container's last water takes a minute or two to run off, so the comparison waits for it.
    """
    scenario = replace(
        foundry_scenario(calm=True),
        troubles=(
            ContainerChange(80.0, "tailings", without_s=10.0),
            Bump(100.0, "concentrate", 5.0, 1.0),
            Refill(115.0, 8.0, 5.0),
            FeedStop(FED_UNTIL_S, 10_000.0),
        ),
    )
    with (
        running_bay(tmp_path, speed=10.0, seed=4, scenario=scenario) as bay,
        running_daemon(bay, tmp_path) as daemon,
    ):
        ages = lambda: [each["age_s"] for each in daemon.loop.snapshot()["instruments"]]  # noqa: E731
        until(lambda: all(age is not None for age in ages()), what="a reading from every instrument")
        assert daemon.loop.submit({"action": "start-run"}, "test").accepted
        assert bay.now_s < 20, "the run must start before the feed does"
        until(lambda: bay.now_s > DRAINED_S, 60.0, "the deck running empty")
        truth = bay.truth()
        answer = daemon.loop.submit({"action": "end-run"}, "test")
        tally = answer.data["run-closed"]["tally"]
        events = {event.kind for event in bay.events()}
    assert {"container-change", "bump", "refill", "feed-stop"} <= events
    assert abs(tally["feed_kg"] - truth["used_kg"]) < max(3 * tally["feed_u_kg"], 0.01 * truth["used_kg"])
    for name in ("concentrate", "middlings", "tailings", "fines"):
        outlet = tally["outlets"][name]
        error_kg = outlet["delivered_kg"] - truth["reported_kg"][name]
        limit_kg = max(3 * outlet["u_kg"], 0.015 * truth["reported_kg"][name])
        assert abs(error_kg) < limit_kg, (name, outlet, truth["reported_kg"][name])
    spilt = tally["outlets"]["spill-tray"]
    assert spilt["by_difference"]
