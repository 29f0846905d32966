"""Listening: is it alive, at the rate, unit and mode that are configured; its zero, drift and noise.

Sources. Standard deviation: NIST/SEMATECH e-Handbook 1.3.5.6 (memory). Drift: least squares over time; its
standard error is multiplied by sqrt((1+r)/(1-r)), r the residuals' correlation from one reading to the next,
because neighbouring readings of a shaken scale are alike (common practice). Limits: zero within one
resolution, noise within one resolution at rest and three where the deck may be running, report rate within a
quarter, no gap above five intervals and a second (common practice, no source). Drift within half a resolution
over the listening time: so much OIML R 76-1 allows a scale that returns to zero after half an hour's load
(0.5 e; memory).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from itertools import pairwise
from math import sqrt
from statistics import fmean, median

from logger.core.description import Channel
from logger.core.proof.until import Key, Listen
from logger.core.proof.values import Answers, Captures, Result, Step, Test, Verdict
from logger.core.proof.window import Capture, Point, is_total, level_of
from logger.core.proof.wording import amount

LISTEN_S = 20.0
GAP_INTERVALS, GAP_S = 5.0, 1.0
PASSES, FAILS, CANT_TELL = Verdict.PASSES, Verdict.FAILS, Verdict.CANT_TELL


@dataclass(frozen=True, slots=True)
class Trend:
    """Scatter about a straight line, and the line's change over the whole time with its uncertainty."""

    sd: float
    change: float
    u: float


def trend(points: tuple[Point, ...] | list[Point]) -> Trend:
    """A straight line through at least four points, by least squares; see the head of this file."""
    t0, v0 = fmean(p.at_s for p in points), fmean(p.value for p in points)
    sxx = sum((p.at_s - t0) ** 2 for p in points)
    slope = sum((p.at_s - t0) * (p.value - v0) for p in points) / sxx if sxx > 0 else 0.0
    left = [p.value - v0 - slope * (p.at_s - t0) for p in points]
    squares = sum(e * e for e in left)
    sd = sqrt(squares / max(1, len(points) - 2))
    r = sum(a * b for a, b in pairwise(left)) / squares if squares > 0 else 0.0
    r = min(0.95, max(0.0, r))
    span_s = points[-1].at_s - points[0].at_s
    u = sd / sqrt(sxx) * span_s * sqrt((1 + r) / (1 - r)) if sxx > 0 else 0.0
    return Trend(sd, slope * span_s, u)


def listening(
    channels: tuple[Channel, ...],
    intervals: Mapping[str, float | None],
    unit: str,
    *,
    seconds: float,
    wanted: frozenset[str],
    never_empty: frozenset[str],
) -> Test:
    """Listen to all of them at once.

    ``wanted`` holds "alive" (with report rate, unit and mode), "noise" and "zero" (with drift). For "zero" a
    person has to see to it that nothing lies or flows there; without it what lies there stays.
    ``never_empty`` names the scales under hoppers, whose zero is never seen.
    """
    still = "zero" in wanted
    names = tuple(channel.name for channel in channels)
    lines = listening_lines(channels, wanted, never_empty)
    steps: tuple[Step, ...] = (Step("listen", f"Listening for {seconds:.0f} s.", Listen(seconds)),)
    if still:
        steps = (Step("ready", _EMPTY, Key(), _STILL_CAUTION), *steps)
    judge = partial(
        _judge, channels=channels, intervals=intervals, unit=unit, still=still, lines=frozenset(lines)
    )
    title = "All instruments at rest" if still else "All instruments, with what lies on them"
    return Test("listen", title, names, steps, judge, lines, alone=not still)


_EMPTY = (
    "Deck and feeder off. Take everything off the scales, close the water valves, "
    "then keep off the stands. Enter when all is empty and still."
)
_STILL_CAUTION = (
    "Lift full containers with two people or a truck. Plugs, adapters and the computer stay out of "
    "the splash; keep the protected circuit (RCD/GFCI) on."
)


def deck_running(channels: tuple[Channel, ...], unit: str, seconds: float) -> Test:
    """The noise with the deck running and nothing fed."""
    scales = tuple(channel for channel in channels if channel.quantity == "mass")
    steps = (
        Step(
            "ready",
            "Switch the deck on, without feed and without water. Leave the scales as they are. "
            "Enter when it runs evenly; s if you would rather not.",
            Key(),
            "Guards on; hands, sleeves and tools off the moving deck. "
            "Stop and lock it out before you reach in.",
        ),
        Step("running", f"Listening for {seconds:.0f} s with the deck running.", Listen(seconds)),
        Step("stopped", "Switch the deck off again. Enter when it stands still.", Key()),
    )
    names = tuple(channel.name for channel in scales)
    lines = tuple((name, "noise, deck running") for name in names)
    judge = partial(_judge_running, channels=scales, unit=unit)
    return Test("deck", "Vibration from the deck", names, steps, judge, lines)


_SECTIONS = {
    "alive": ("alive", "report rate", "unit", "mode"),
    "noise": ("noise",),
    "zero": ("zero", "drift"),
}
_OF_SCALES = ("mode", "noise", "drift")


def listening_lines(
    channels: tuple[Channel, ...], wanted: frozenset[str], never_empty: frozenset[str]
) -> tuple[tuple[str, str], ...]:
    """The (instrument, test) pairs that listening answers."""
    tests = [test for section, its in _SECTIONS.items() if section in wanted for test in its]
    return tuple(
        (channel.name, test)
        for channel in channels
        for test in tests
        if (channel.quantity == "mass" or test not in _OF_SCALES)
        and not (test == "zero" and channel.name in never_empty)
    )


def _judge(
    captures: Captures,
    answers: Answers,
    *,
    channels: tuple[Channel, ...],
    intervals: Mapping[str, float | None],
    unit: str,
    still: bool,
    lines: frozenset[tuple[str, str]],
) -> list[Result]:
    results = []
    for channel in channels:
        capture = captures["listen"][channel.name]
        found = [_alive(capture)]
        if capture.heard:
            found += [_rate(capture, intervals.get(channel.name)), _unit(capture), _mode(capture)]
            found += [_noise(capture, unit, "noise", 1.0 if still else 3.0), *_zero(capture, unit)]
        results += [result for result in found if (result.instrument, result.test) in lines]
    return results


def _judge_running(
    captures: Captures, answers: Answers, *, channels: tuple[Channel, ...], unit: str
) -> list[Result]:
    seen = [captures["running"][channel.name] for channel in channels]
    return [_noise(capture, unit, "noise, deck running", 3.0) for capture in seen]


def _alive(capture: Capture) -> Result:
    name, count, bad = capture.channel.name, len(capture.heard), capture.garbage
    figures = {"readings": count, "not_understood": bad, "listened_s": round(capture.ended_s, 1)}
    make = partial(Result, name, "alive", expected="readings, every line understood", figures=figures)
    if count and bad <= 0.02 * count:
        return make(found=f"{count} readings in {capture.ended_s:.0f} s", verdict=PASSES)
    if count:
        found = f"{count} readings, {bad} lines not understood, e.g. {capture.example!r}"
        return make(found=found, verdict=FAILS, remedy="check cable and ground, then baud, format and layout")
    if bad:
        found = f"nothing understood, e.g. {capture.example!r}"
        return make(found=found, verdict=FAILS, remedy="check dialect, layout, baud and format")
    remedy = "check cable, power and baud, and whether it must be polled"
    return make(found="silent", verdict=FAILS, remedy=remedy)


def _rate(capture: Capture, told_s: float | None) -> Result:
    times = [reading.at_ns / 1e9 for reading in capture.heard]
    gaps = [b - a for a, b in pairwise(times)]
    make = partial(Result, capture.channel.name, "report rate")
    expected = "steady" if told_s is None else f"every {told_s:g} s"
    if len(gaps) < 3:
        remedy = "listen longer, with --seconds"
        return make(found=f"{len(times)} readings", expected=expected, verdict=CANT_TELL, remedy=remedy)
    mean_s, usual_s, largest_s = fmean(gaps), median(gaps), max(gaps)
    found = f"{1 / max(mean_s, 1e-3):.2g} a second, largest gap {largest_s:.2g} s"
    figures = {"mean_interval_s": mean_s, "median_interval_s": usual_s, "largest_gap_s": largest_s}
    limit_s = max(GAP_S, GAP_INTERVALS * (told_s or usual_s))
    make = partial(make, found=found, expected=f"{expected}, no gap above {limit_s:.2g} s", figures=figures)
    if told_s is not None and mean_s > 1.25 * told_s:
        remedy = (
            "it answers slower than it is asked: raise interval, or baud and report rate at the instrument"
        )
        return make(verdict=FAILS, remedy=remedy)
    if largest_s > limit_s:
        return make(verdict=FAILS, remedy="lines get lost: check plug and cable, and what else uses the wire")
    return make(verdict=PASSES)


def _unit(capture: Capture) -> Result:
    channel = capture.channel
    units = sorted({reading.unit for reading in capture.heard})
    make = partial(Result, channel.name, "unit", " and ".join(units), figures={"units": units})
    if channel.unit is None:
        remedy = f'write unit = "{units[0]}", so that another one is an alarm'
        return make(expected="not configured", verdict=CANT_TELL, remedy=remedy)
    if units == [channel.unit]:
        return make(expected=channel.unit, verdict=PASSES)
    return make(
        expected=channel.unit,
        verdict=FAILS,
        remedy="set the unit at the instrument, or mend the configuration",
    )


def _mode(capture: Capture) -> Result:
    channel = capture.channel
    modes = sorted({reading.mode for reading in capture.heard if reading.mode})
    make = partial(Result, channel.name, "mode", expected=channel.shows, figures={"modes": modes})
    if not modes:
        remedy = "look at the display: " + channel.shows
        return make(found="it does not say", verdict=CANT_TELL, remedy=remedy)
    verdict = PASSES if modes == [channel.shows] else FAILS
    remedy = "" if verdict is PASSES else f'clear the tare at the scale, or write shows = "{modes[-1]}"'
    return make(found=" and ".join(modes), verdict=verdict, remedy=remedy)


def _noise(capture: Capture, unit: str, name: str, steps: float) -> Result:
    channel, step = capture.channel, capture.channel.resolution_kg
    make = partial(Result, channel.name, name, expected=f"at most {amount(channel, steps * step, unit)}")
    if len(capture.points) < 10:
        return make(
            found="too few readings", verdict=CANT_TELL, remedy="see whether it is alive; listen longer"
        )
    seen = trend(capture.points)
    figures = {"sd_kg": seen.sd, "resolution_kg": step, "readings": len(capture.points)}
    found = f"{amount(channel, seen.sd, unit)} standard deviation"
    if all(point.value == capture.points[0].value for point in capture.points):
        found = "none seen: below what it can show"
    if seen.sd <= steps * step:
        return make(found=found, figures=figures, verdict=PASSES)
    return make(found=found, figures=figures, verdict=FAILS, remedy=_QUIETER)


_QUIETER = (
    "a firmer stand apart from the deck's frame, rubber under the deck, no draught and nothing touching "
    "the pan; a slower filter at the scale. A noisy scale notices a stop later"
)


def _zero(capture: Capture, unit: str) -> list[Result]:
    channel, step = capture.channel, capture.channel.resolution_kg
    level = level_of(channel, list(capture.points))
    make: Callable[..., Result] = partial(Result, channel.name)
    if level is None:
        remedy = "see whether it is alive and shows a usable number"
        found = "too few usable readings"
        return [
            make(test=test, found=found, expected="", verdict=CANT_TELL, remedy=remedy)
            for test in _SECTIONS["zero"]
        ]
    limit = _least_flow(capture) if is_total(channel) else step
    figures = {"mean": level.mean, "u": level.u, "resolution": step}
    good = abs(level.mean) <= limit * 1.0001
    zero = make(
        test="zero",
        found=amount(channel, level.mean, unit),
        expected=f"within {amount(channel, limit, unit)} of zero",
        verdict=PASSES if good else FAILS,
        remedy="" if good else _rezero(channel),
        figures=figures,
    )
    return [zero, _drift(capture, unit, make)]


def _least_flow(capture: Capture) -> float:
    """The flow of one count over the time listened: a counter can't tell less."""
    steps = [b.value - a.value for a, b in pairwise(capture.points) if b.value > a.value]
    span_s = capture.points[-1].at_s - capture.points[0].at_s
    return max(capture.channel.resolution_kg, min(steps, default=0.0) / span_s * 60 if span_s > 0 else 0.0)


def _rezero(channel: Channel) -> str:
    if channel.quantity == "mass":
        return "see that nothing lies on it or touches it, then press its zero key with nothing on it"
    return "see that the valve is shut; else the meter shows flow where there is none: zero it by its manual"


def _drift(capture: Capture, unit: str, make: Callable[..., Result]) -> Result:
    channel, limit = capture.channel, 0.5 * capture.channel.resolution_kg
    seen = trend(capture.points)
    figures = {"change_kg": seen.change, "u_kg": seen.u, "listened_s": round(capture.ended_s, 1)}
    text = f"{amount(channel, seen.change, unit)} in {capture.ended_s:.0f} s"
    verdict, remedy = PASSES, ""
    if abs(seen.change) - 2 * seen.u > limit:
        verdict, remedy = FAILS, "let it warm up for half an hour, keep sun and draught off, then check again"
    elif 2 * seen.u > limit:
        verdict, remedy = CANT_TELL, "too noisy for so short a time: listen longer, with --seconds 60"
    expected = f"at most {amount(channel, limit, unit)}"
    return make(test="drift", found=text, expected=expected, verdict=verdict, remedy=remedy, figures=figures)
