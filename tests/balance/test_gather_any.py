"""Whatever the books hold, it makes a weigh-up that can be balanced: no word that they take breaks it."""

from __future__ import annotations

from contextlib import suppress
from random import Random
from typing import Any

import pytest
from pydantic import ValidationError

from logger.core.books import Refused
from tests.balance.test_gather import Office

LOTS: list[dict[str, Any]] = [
    {},
    {"gross": "32 kg", "tare": "1 kg", "moisture": "6 %"},
    {"gross": "32 kg"},
    {"containers": [{"container": "1", "gross": "32 kg"}]},
    {"containers": [{"container": "1", "gross": "32 kg", "tare": "1 kg"}]},
]
WEIGHTS = [{"gross": "9 kg"}, {"tare": "1 kg"}, {"gross": "8 kg", "tare": "2 kg"}]
WATER: list[dict[str, Any]] = [
    {"share": 0.1},
    {"share": 1.5, "basis": "dry"},
    {"share": 0.2, "basis": "dry", "u": 0.01},
    {"pan": 0.2},
    {"pan_wet": 1.0},
    {"pan_dry": 0.9},
]
OUTLETS = ["tailings", "concentrate"]


def tell(random: Random) -> tuple[Office, list[str]]:
    """Books of a few runs of which many things were said; what they refuse is not in them."""
    office = Office(**random.choice(LOTS))
    for number in range(random.randrange(4)):
        runs = list(office.clerk.books.runs)
        fed = {f"{random.choice(runs)}/{random.choice(OUTLETS)}": None for _ in range(random.randrange(3))}
        fields: dict[str, Any] = {"feed_from": list(fed)} if fed else {}
        fields |= {"lot": "L1"} if random.random() < 0.7 else {}
        office.run(30 + 20 * number, None if number == 3 else 40 + 20 * number, **fields)
    runs = list(office.clerk.books.runs)
    for number in range(6):
        office.take(random.choice(OUTLETS), f"S{number}", random.randrange(1, 90))
    for run in runs:
        office.tell(run, feed_kg=random.choice([30.0, None]), hold_up_kg=random.choice([0.3, None]))
        office.tell(run, hold_up_how=random.choice(["declared", "emptied", "not-emptied"]))
        office.tailings(run, says=random.choice(["wet", "solids", "with water", "as shown"]))
        office.tailings(run, delivered_kg=random.choice([20.0, 0.0, -0.1, None]))
        office.tailings(run, not_caught_kg=random.choice([0.0, 0.2]))
    for _ in range(random.randrange(15)):
        with suppress(Refused, ValidationError):
            say(office, random, runs)
    return office, runs


def say(office: Office, random: Random, runs: list[str]) -> None:
    """Something."""
    run, outlet, sample = random.choice(runs), random.choice(OUTLETS), f"S{random.randrange(6)}"
    names = random.sample(["bronze", "slag", "sand"], random.randrange(1, 4))
    shares = {name: random.choice([0.0, 0.1, 0.3, 0.001]) for name in names}
    of = random.choice([{"lot": "L1"}, {"run": run}, {"run": run, "outlet": outlet}, {"sample": sample}])
    action, fields = random.choice(
        [
            ("sample-result", {"sample": sample, "assay": shares}),
            ("sample-result", {"sample": sample, "sorted": shares}),
            ("sample-result", {"sample": sample, "counted": {k: int(1e3 * v) for k, v in shares.items()}}),
            ("moisture", of | random.choice(WATER)),
            (
                "weigh-product",
                {"run": run, "outlet": outlet, "container": "1"} | random.choice(WEIGHTS),
            ),
            ("swept-up", {"run": run, "gross": "2 kg", "tare": "1 kg"}),
            ("register-sample", {"sample": f"R{random.randrange(9)}", "lot": "L1"}),
        ]
    )
    office.say(action, **fields)


@pytest.mark.parametrize("seed", range(60))
def test_whatever_was_said_makes_a_weigh_up(seed: int) -> None:
    """By run and by lot; `Office` looks that streams and passes fit together, and reads it again."""
    office, runs = tell(Random(seed))
    others = [office.clerk.run(name) for name in runs]
    alone = office.of_run(runs[-1], sources=others)
    assert set(alone.passes) >= {runs[-1]}
    assert set(office.of_lot().passes) >= set(runs)
