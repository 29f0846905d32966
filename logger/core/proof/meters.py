"""A water meter: flow when the valve is open, and a bucket caught and weighed.

The bucket test is common practice, no source; so is its limit of 5 %. Water is taken as 0.998 kg/L (20 °C;
memory). Starting and stopping by hand is taken as good to 0.5 s (assumed), which over 30 s is 1.7 %.
"""

from __future__ import annotations

from functools import partial
from math import sqrt

from logger.core.description import Channel, Water
from logger.core.proof.until import Key, Listen, Move
from logger.core.proof.values import Answers, Asked, Captures, Result, Step, Test, Verdict
from logger.core.proof.wording import amount, mass

WATER_KG_L = 0.998
LIMIT = 0.05
HAND_S = 0.5
WET = "Water and mains do not mix: keep plugs and extension leads out of the splash."


def flow_open(channel: Channel, water: Water | None) -> Test:
    """Whether flow shows when the valve is open."""
    least = 5 * channel.resolution_kg
    steps = (
        Step(
            "open",
            f"Open the valve of {channel.name} to the flow you work with, and leave it so.",
            Move(None, least, hold_s=8.0),
            WET,
        ),
    )
    judge = partial(_judge_flow, channel=channel, water=water)
    lines = ((channel.name, "flow"),)
    return Test("water", f"Meter {channel.name}: flow", (channel.name,), steps, judge, lines)


def bucket(channel: Channel, unit: str, seconds: float) -> Test:
    """Catch the water for some seconds and weigh it."""
    steps = (
        Step(
            "ready",
            f"Weigh an empty bucket. Leave the valve of {channel.name} open; have the bucket ready under the "
            "outlet, not yet in the water. Enter starts the count.",
            Key(),
            f"{WET} A full bucket is heavy: stop early rather than lift too much.",
        ),
        Step("count", "Ready: the bucket goes under in 3 s.", Listen(3.0)),
        Step("catch", f"NOW: bucket under the water, for {seconds:.0f} s.", Listen(seconds)),
        Step(
            "mass",
            "AWAY: take the bucket out of the water. Weigh it and take the empty bucket's mass off.",
            Key(),
            asks=Asked("mass", "How much water was caught, e.g. 7.1 kg?"),
        ),
    )
    judge = partial(_judge_bucket, channel=channel, unit=unit, seconds=seconds)
    lines = ((channel.name, "bucket"),)
    return Test("bucket", f"Meter {channel.name}: a bucket", (channel.name,), steps, judge, lines)


def _judge_flow(
    captures: Captures, answers: Answers, *, channel: Channel, water: Water | None
) -> list[Result]:
    low = water.low_l_min if water is not None else None
    high = water.high_l_min if water is not None else None
    expected = "flow" if low is None or high is None else f"{low:g} to {high:g} L/min"
    make = partial(Result, channel.name, "flow", expected=expected)
    level = captures["open"][channel.name].last(8.0)
    if level is None or level.mean < 5 * channel.resolution_kg:
        found = "none" if level is None else amount(channel, level.mean, "kg")
        remedy = "is the valve open? Then check the meter's direction, its sensor and its pulses per litre"
        return [make(found=found, verdict=Verdict.FAILS, remedy=remedy)]
    figures = {"flow_l_min": level.mean, "u_l_min": level.u}
    make = partial(make, found=amount(channel, level.mean, "kg"), figures=figures)
    if (low is not None and level.mean < low) or (high is not None and level.mean > high):
        remedy = "set the valve, or mend the band; if both are right, do the bucket test"
        return [make(verdict=Verdict.FAILS, remedy=remedy)]
    return [make(verdict=Verdict.PASSES)]


def _judge_bucket(
    captures: Captures, answers: Answers, *, channel: Channel, unit: str, seconds: float
) -> list[Result]:
    make = partial(Result, channel.name, "bucket")
    capture = captures["catch"][channel.name]
    level = capture.level(0.0, capture.ended_s)
    caught_kg = float(answers["mass"])
    expected_l = caught_kg / WATER_KG_L
    if level is None or caught_kg <= 0:
        remedy = "do it again with water running"
        return [make(found="nothing to compare", expected="", verdict=Verdict.CANT_TELL, remedy=remedy)]
    metered_l = level.mean * capture.ended_s / 60
    share = metered_l / expected_l - 1
    u = sqrt((HAND_S / seconds) ** 2 + (level.u / max(level.mean, 1e-9)) ** 2 + 0.005**2)
    figures = {"metered_l": metered_l, "caught_kg": caught_kg, "error_share": share, "u_share": u}
    make = partial(
        make,
        found=f"{metered_l:.2f} L metered, {share:+.1%} ± {u:.1%}",
        expected=f"{expected_l:.2f} L ({mass(caught_kg, unit)} caught), within {LIMIT:.0%}",
        figures=figures,
    )
    if abs(share) <= LIMIT:
        return [make(verdict=Verdict.PASSES)]
    if abs(share) - 2 * u <= LIMIT:
        return [make(verdict=Verdict.CANT_TELL, remedy="do it again and catch longer")]
    remedy = "check the meter's factor (pulses per litre), air in the pipe, and that all the water was caught"
    return [make(verdict=Verdict.FAILS, remedy=remedy)]
