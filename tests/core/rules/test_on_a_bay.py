"""The whole fold on simulated bays that were described wrongly, as a short configuration may."""

from __future__ import annotations

import pytest

from logger.core.bay import Bay
from logger.simulator.draw import random_scenario
from logger.simulator.trace import make_trace
from tests.core.folding import configuration, entries, fold


@pytest.mark.parametrize("seed", [2, 3, 5])
def test_a_tub_that_was_taken_for_a_hopper_is_found_out(seed: int) -> None:
    """A feed that falls in scoops is counted, and a pause between scoops is no stop of the feed."""
    scenario = random_scenario(seed, 600, feed="tub", kinds=())
    names = ", ".join(f'"{outlet.name}"' for outlet in scenario.outlets if outlet.scale is not None)
    target = f"{scenario.feed.target_kg_h:.3f} kg/h"
    text = f'[stations.t]\nresolution = "5 g"\ntarget = "{target}"\noutlets = [{names}]'
    trace = make_trace(scenario, seed, 600)
    bay = Bay(configuration(text).bay)
    found = fold(bay, entries(trace))
    kinds = {f.data["kind"] for f in found if f.kind == "alarm" and f.data["state"] == "raised"}
    assert "feed-stopped" not in kinds
    used_kg = bay.run_tally(bay.books.runs["run-1"])["feed_kg"]
    assert used_kg == pytest.approx(trace.truth.used_kg[-1], rel=0.1, abs=0.5)
