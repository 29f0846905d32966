"""Whether a scale's automatic zero tracking swallows a trickle.

Near zero a scale may take a slow change for drift and pull it to zero: it then never shows a trickle of
product that falls into a container that was zeroed. The test: one measured portion of water (8 resolutions)
goes on slowly at zero, the same portion again with the container's weight on, where no scale may track
(OIML R 76-1 4.5.7 lets it track at zero only, by at most half a division a second; memory). What the second
portion showed says how much a portion is; what the first one lacks of it was swallowed.

    swallowed share  s = 1 - R0/R1,   u(s)² = (u(R0)/R1)² + (R0 u(R1)/R1²)² + PORTION_U²

``on`` where s - 2u > 0.1, else ``off`` where s + 2u < 0.5, else can't tell (assumed; error rates are measured
in ``tests/core/proof``). A portion that went on faster than in 30 s proves nothing for ``off``. The second
portion is also held against its nominal mass: less than half of it says that the scale swallows under load as
well, or that nothing was poured.

Measured on simulated scales (``--full`` tests; 100 seeds each at three resolutions and three noises,
portions agreeing to 5 %, half a resolution at a time): none of 900 that track was missed, none of 900 that
don't was called. Outside that: portions agreeing to 10 % only, 1 of 60 called wrongly; 2 resolutions at a
time, which a scale's tracking lets through, 18 of 60 missed, up to 1.4 resolutions none. The program can't
see a hand that pours too much at once.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from math import hypot, sqrt

from logger.core.description import Channel, ZeroTracking
from logger.core.proof.until import Key, Move, steady
from logger.core.proof.values import Answers, Captures, Result, Step, Test, Verdict
from logger.core.proof.weights import HOLD_S, difference
from logger.core.proof.window import Capture, Level
from logger.core.proof.wording import mass, round_up

PORTION_STEPS = 8.0  # resolutions in one portion
PORTION_U = 0.07  # how well two portions from one measure agree (assumed)
SLOWLY_S, LEAST_POUR_S = 80.0, 30.0
LOAD_STEPS = 40.0  # what counts as the container's weight, at least
CLEAR_S = 2.0  # before the container lands, hands are over the pan
LEVEL_S = 5.0
TEST = "zero tracking"


def portion_kg(channel: Channel) -> float:
    """The portion in kg, as a measure can hold it; as many litres of water."""
    return round_up(PORTION_STEPS * channel.resolution_kg)


def zero_tracking(channel: Channel, unit: str) -> Test:
    """The guided test for one scale."""
    step, name = channel.resolution_kg, channel.name
    ml = portion_kg(channel) * 1000
    slowly = f"over {SLOWLY_S:.0f} s: never more than {_ml(step * 500)} at once, and a breath between"
    load = LOAD_STEPS * step
    steps = (
        Step(
            "cup",
            f"Put a light empty cup on scale {name} and press the scale's ZERO key (not TARE). "
            f"Fill a syringe or a measure with {_ml(ml)} of water. Enter when the scale shows zero.",
            Key(),
            "Deck off. Keep water off plugs and adapters.",
        ),
        Step("zero", "Hands off for a moment.", Move(None, -3 * step, 3 * step, LEVEL_S)),
        Step(
            "drip",
            f"Let all {_ml(ml)} into the cup, {slowly}. When the measure is empty, count to ten, then put "
            "the container that works there beside the cup (or any weight of about its mass).",
            Move("zero", load, hold_s=LEVEL_S),
        ),
        Step(
            "drip-loaded",
            f"The same again with that weight on: {_ml(ml)} into the cup, {slowly}. "
            "When the measure is empty, count to ten, then press Enter or take everything off.",
            Move("drip", -1e9, -load / 2, hold_s=1.0, wants="key"),
        ),
        Step(
            "clear",
            "Take everything off and press ZERO with nothing on the scale. Enter when that is done.",
            Key(),
        ),
    )
    judge = partial(_judge, channel=channel, unit=unit)
    lines = ((name, TEST), (name, "trickle under load"))
    return Test("tracking", f"Scale {name}: does it swallow a trickle?", (name,), steps, judge, lines)


def _ml(value_ml: float) -> str:
    return f"{value_ml / 1000:g} L" if value_ml >= 1000 else f"{value_ml:.2g} mL"


def before_jump(capture: Capture, base: float, jump: float) -> tuple[Level | None, float]:
    """(level before something landed or was lifted off, time at which it happened, s into the step).

    The jump is the first of at least two readings in a row that are ``jump`` away from ``base``; where there
    is none, the level is the last one. A level that was still moving is as uncertain as it moved.
    """
    away = 0
    for point in capture.points:
        away = away + 1 if abs(point.value - base) >= jump else 0
        if away == 2:
            at_s = point.at_s - CLEAR_S
            return _doubted(capture, capture.level(at_s - LEVEL_S, at_s)), at_s
    return _doubted(capture, capture.last(LEVEL_S)), capture.ended_s


def _doubted(capture: Capture, level: Level | None) -> Level | None:
    if level is None or steady(level, capture.channel, level.sd / 3):
        return level
    return replace(level, u=hypot(level.u, level.late - level.early))


def _judge(captures: Captures, answers: Answers, *, channel: Channel, unit: str) -> list[Result]:
    seen = {key: found[channel.name] for key, found in captures.items()}
    nominal = portion_kg(channel)
    zero = seen["zero"].last(LEVEL_S)
    loaded = seen["drip"].last(HOLD_S)
    at_zero, took_s = before_jump(
        seen["drip"], zero.mean if zero else 0.0, LOAD_STEPS / 2 * channel.resolution_kg
    )
    base = loaded.mean if loaded else 0.0
    under_load, _ = before_jump(seen["drip-loaded"], base, LOAD_STEPS / 2 * channel.resolution_kg)
    first, second = difference(at_zero, zero), difference(under_load, loaded)
    if first is None or second is None:
        remedy = "do it again: hands off after each step until the next instruction comes"
        return [
            Result(channel.name, test, "no steady weight", "", Verdict.CANT_TELL, remedy)
            for test in (TEST, "trickle under load")
        ]
    return [
        _at_zero(channel, unit, first, second, took_s),
        _under_load(channel, unit, second, nominal),
    ]


def _at_zero(
    channel: Channel, unit: str, first: tuple[float, float], second: tuple[float, float], took_s: float
) -> Result:
    shown_kg, portion = first[0], second[0]
    told = channel.zero_tracking
    make = partial(Result, channel.name, TEST, expected=str(told))
    if portion < 0.5 * portion_kg(channel):
        found = f"{_said(shown_kg, unit)} shown at zero, {_said(portion, unit)} under load"
        remedy = "nothing to compare with; see the line below, and do it again"
        return make(found=found, verdict=Verdict.CANT_TELL, remedy=remedy)
    share = 1.0 - shown_kg / portion
    u = sqrt((first[1] / portion) ** 2 + (shown_kg * second[1] / portion**2) ** 2 + PORTION_U**2)
    figures = {
        "shown_at_zero_kg": shown_kg,
        "shown_under_load_kg": portion,
        "swallowed_share": share,
        "u": u,
        "took_s": took_s,
    }
    text = f"of {_said(portion, unit)} it showed {_said(shown_kg, unit)}: {share:.0%} ± {u:.0%} swallowed"
    state = decide(share, u, took_s)
    make = partial(
        make, found=f"{state or 'unclear'}; {text}", figures=figures | {"state": state or "unclear"}
    )
    if state == "on":
        agrees = told is ZeroTracking.ON
        return make(
            verdict=Verdict.PASSES if agrees else Verdict.FAILS, remedy=_ON if agrees else _SWITCH_OFF
        )
    if state == "off":
        remedy = "" if told is ZeroTracking.OFF else 'write zero_tracking = "off"'
        return make(verdict=Verdict.FAILS if told is ZeroTracking.ON else Verdict.PASSES, remedy=remedy)
    again = "do it again more slowly" if took_s < LEAST_POUR_S else "do it again with twice the portion"
    return make(verdict=Verdict.CANT_TELL, remedy=f"{again}; until then take it as on")


_ON = "keep the container's own weight on the scale, and never zero or tare it away; better: switch it off"
_SWITCH_OFF = (
    "switch automatic zero tracking off in the scale's menu; where it can't be, "
    'write zero_tracking = "on" and never zero the scale with its container on it'
)


def decide(share: float, u: float, took_s: float) -> str:
    """ "on", "off", or "" where it can't be told, from the swallowed share and its standard uncertainty."""
    if share - 2 * u > 0.1:
        return "on"
    if share + 2 * u < 0.5 and took_s >= LEAST_POUR_S:
        return "off"
    return ""


def _under_load(channel: Channel, unit: str, second: tuple[float, float], nominal: float) -> Result:
    kg, u = second
    u = sqrt(u * u + (PORTION_U * nominal) ** 2)
    make = partial(
        Result,
        channel.name,
        "trickle under load",
        f"{_said(kg, unit)} ± {_said(u, unit)}",
        f"about {_said(nominal, unit)}",
        figures={"shown_kg": kg, "u_kg": u, "poured_kg": nominal},
    )
    if kg - 2 * u > 0.5 * nominal:
        return make(verdict=Verdict.PASSES)
    remedy = (
        "was all of it poured? Then the scale swallows a trickle under load too: switch off every automatic "
        "correction in its menu (zero tracking, stability or creep filters), or use another scale"
    )
    return make(verdict=Verdict.FAILS if kg + 2 * u < 0.5 * nominal else Verdict.CANT_TELL, remedy=remedy)


def _said(kg: float, unit: str) -> str:
    return mass(kg, unit)
