"""A test weight on a scale: its error, the return to zero, and how well three placings agree.

The error is held against one resolution plus the tolerance stated for the weight (common practice, no
source); simple acceptance, with the uncertainty beside it (JCGM 106; memory). Repeatability: the spread of
repeated weighings is held against one resolution; OIML R 76-1 allows as much as the error limit at that
load (memory). Return to zero: half a resolution in OIML R 76-1 (0.5 e; memory), here one, as two readings are
compared.
"""

from __future__ import annotations

from functools import partial
from math import sqrt
from statistics import stdev

from logger.core.description import Channel
from logger.core.proof.until import Move
from logger.core.proof.values import Answers, Asked, Captures, Result, Step, Test, Verdict
from logger.core.proof.window import Capture, Level
from logger.core.proof.wording import amount, mass

HOLD_S = 3.0
LEAST_STEPS = 20.0  # a test weight below 20 resolutions tests nothing
LIFT = "Lift a weight above what you lift safely with a second person; mind your fingers under it."


def one_weight(channel: Channel, unit: str, told_kg: float | None, tolerance_kg: float) -> Test:
    """One placing of a test weight. ``told_kg`` None: its mass is asked for."""
    step = channel.resolution_kg
    question = Asked("mass", f"What is the test weight's mass, e.g. {_example(channel, unit)}?")
    steps = [
        *([] if told_kg is not None else [Step("mass", "", Move(None, 0.0), asks=question)]),
        _off(channel, None),
        Step(
            "on", f"Put the test weight in the middle of scale {channel.name}; hands off.", _on(channel), LIFT
        ),
        Step("back", "Take the test weight off again.", Move("off", -3 * step, 3 * step, HOLD_S)),
    ]
    judge = partial(_judge, channel=channel, unit=unit, told_kg=told_kg, tolerance_kg=tolerance_kg)
    lines = ((channel.name, "test weight"), (channel.name, "return to zero"))
    title = f"Scale {channel.name}: a test weight"
    return Test("weight", title, (channel.name,), tuple(steps), judge, lines)


def repeatability(channel: Channel, unit: str) -> Test:
    """Three placings of one weight, whose mass need not be known."""
    step = channel.resolution_kg
    steps = [_off(channel, "Any weight will do, the heavier the better. s if you would rather not.")]
    for number, ordinal in enumerate(("first", "second", "third"), 1):
        on = f"Put the weight on, the {ordinal} time; hands off."
        steps.append(Step(f"on-{number}", on, _on(channel), LIFT if number == 1 else ""))
        if number < 3:
            off = Step(f"off-{number}", "Take it off.", Move("off", -3 * step, 3 * step, HOLD_S))
            steps.append(off)
    judge = partial(_judge_placings, channel=channel, unit=unit)
    title = f"Scale {channel.name}: three placings of one weight"
    lines = ((channel.name, "repeatability"),)
    return Test("repeat", title, (channel.name,), tuple(steps), judge, lines)


def _off(channel: Channel, more: str | None) -> Step:
    say = f"Nothing on scale {channel.name}; deck off. {more or ''}".rstrip()
    near = 3 * channel.resolution_kg
    return Step("off", say + " Enter if something has to stay on it.", Move(None, -near, near, HOLD_S))


def _on(channel: Channel) -> Move:
    return Move("off", LEAST_STEPS * channel.resolution_kg, hold_s=HOLD_S)


def _example(channel: Channel, unit: str) -> str:
    return mass((channel.capacity_kg or 10.0) / 3, unit, step_kg=1.0)


def difference(after: Level | None, before: Level | None) -> tuple[float, float] | None:
    """(difference, its standard uncertainty); None where either level was not to be had."""
    if after is None or before is None:
        return None
    return after.mean - before.mean, sqrt(after.u**2 + before.u**2)


def _judge(
    captures: Captures,
    answers: Answers,
    *,
    channel: Channel,
    unit: str,
    told_kg: float | None,
    tolerance_kg: float,
) -> list[Result]:
    seen: dict[str, Capture] = {key: found[channel.name] for key, found in captures.items()}
    true_kg = float(answers["mass"] if told_kg is None else told_kg)
    off = seen["off"].last(HOLD_S)
    return [
        _error(channel, unit, difference(seen["on"].last(HOLD_S), off), true_kg, tolerance_kg),
        _return(channel, unit, difference(seen["back"].last(HOLD_S), off)),
    ]


def _error(
    channel: Channel, unit: str, found: tuple[float, float] | None, true_kg: float, tolerance_kg: float
) -> Result:
    step = channel.resolution_kg
    limit_kg = step + tolerance_kg
    expected = f"{mass(true_kg, unit)} within {amount(channel, limit_kg, unit)}"
    make = partial(Result, channel.name, "test weight", expected=expected)
    if found is None:
        return make(found="no steady weight", verdict=Verdict.CANT_TELL, remedy="do it again, hands off")
    kg, u_kg = found
    error_kg = kg - true_kg
    figures = {"mass_kg": true_kg, "error_kg": error_kg, "u_kg": u_kg, "limit_kg": limit_kg}
    error = f"error {amount(channel, error_kg, unit)} ± {amount(channel, u_kg, unit)}"
    text = f"{mass(kg, unit, step_kg=step)}, {error}"
    make = partial(make, found=text, figures=figures)
    if kg < LEAST_STEPS * step or abs(error_kg) > 0.3 * true_kg:
        remedy = "that does not look like this weight: check the mass that was given, and the unit shown"
        return make(verdict=Verdict.FAILS, remedy=remedy)
    if abs(error_kg) <= limit_kg:
        return make(verdict=Verdict.PASSES)
    remedy = (
        "see that nothing touches the pan, level the scale, let it warm up, try again; then adjust it by its "
        "manual. OIML R 76-1 class III in service allows 1 e to 500 e, 2 e to 2000 e, 3 e above"
    )
    return make(verdict=Verdict.FAILS, remedy=remedy)


def _return(channel: Channel, unit: str, found: tuple[float, float] | None) -> Result:
    step = channel.resolution_kg
    make = partial(Result, channel.name, "return to zero", expected=f"within {amount(channel, step, unit)}")
    if found is None:
        return make(found="no steady weight", verdict=Verdict.CANT_TELL, remedy="do it again, hands off")
    figures = {"difference_kg": found[0], "u_kg": found[1]}
    make = partial(make, found=amount(channel, found[0], unit), figures=figures)
    if abs(found[0]) <= step * 1.0001:
        return make(verdict=Verdict.PASSES)
    return make(verdict=Verdict.FAILS, remedy="clean under the pan; see that nothing rubs or hangs on it")


def _judge_placings(captures: Captures, answers: Answers, *, channel: Channel, unit: str) -> list[Result]:
    step = channel.resolution_kg
    make = partial(
        Result, channel.name, "repeatability", expected=f"spread within {amount(channel, step, unit)}"
    )
    off = captures["off"][channel.name].last(HOLD_S)
    found = [difference(captures[f"on-{k}"][channel.name].last(HOLD_S), off) for k in (1, 2, 3)]
    masses = [each[0] for each in found if each is not None]
    if len(masses) < 3 or min(masses) < LEAST_STEPS * step:
        remedy = "place a weight of 20 resolutions or more three times, hands off each time"
        return [make(found="no three placings", verdict=Verdict.CANT_TELL, remedy=remedy)]
    spread_kg = max(masses) - min(masses)
    figures = {"placings_kg": masses, "spread_kg": spread_kg, "sd_kg": stdev(masses)}
    make = partial(make, found=f"spread {amount(channel, spread_kg, unit)}", figures=figures)
    if spread_kg <= step * 1.0001:
        return [make(verdict=Verdict.PASSES)]
    return [
        make(
            verdict=Verdict.FAILS, remedy="level the scale, put weights in the middle, see that nothing rubs"
        )
    ]
