"""Helpers: traces of the simulated bay as entries, and a bay to fold them with."""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache

from logger.core.actions import EndRun, StartRun
from logger.core.bay import Bay
from logger.core.entries import Action, Entry, Finding, Reading
from logger.settings import Configuration, loads
from logger.simulator.foundry import foundry_scenario
from logger.simulator.trace import Trace, make_trace

T0_S = 1_772_431_200
T0 = T0_S * 10**9
NS = 10**9

SHORT = """
[stations.table]
target = "60 kg/h"
resolution = "5 g"
outlets = ["concentrate", "middlings", "tailings", "fines"]
"""


@cache
def configuration(text: str = SHORT) -> Configuration:
    return loads(text)


@cache
def foundry_trace(seed: int = 1, duration_s: float = 700.0) -> Trace:
    return make_trace(foundry_scenario(), seed=seed, duration_s=duration_s)


def reading(line_t_s: float, channel: str, value: str, unit: str, stable: bool | None) -> Reading:
    whole, _, part = value.partition(".")
    at_ns = T0 + round(line_t_s * 1000) * 10**6
    return Reading(at_ns, channel, int(whole + part), -len(part), unit, stable)


def entries(trace: Trace, *, run: bool = True) -> list[Entry]:
    """The trace as numbered entries, with one run around it."""
    listed: list[Entry] = [Action(T0, StartRun())] if run else []
    listed += [reading(*line) for line in trace.readings]
    if run:
        listed.append(Action(listed[-1].at_ns, EndRun()))
    return [entry._replace(seq=number) for number, entry in enumerate(listed, 1)]


def fold(bay: Bay, listed: Iterable[Entry]) -> list[Finding]:
    found: list[Finding] = []
    for entry in listed:
        found += bay.apply(entry)
    return found
