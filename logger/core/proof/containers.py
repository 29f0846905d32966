"""Whether a container does with water what the configuration says: drains, brim-full or retains.

A litre of water is poured into the container as it stands on its scale, in one go, and the weight watched.
h is what is still there at the end, as a share of the litre:

- h at least 0.8: it *retains* (a measuring jug is good to about 5 %; common practice);
- h at most 0.35: it gives water away. Both a drained basket and a brim-full container do, and a brim-full one
  rises for a moment too, by the head over its lip; so the person is asked whether water stands in it;
- between, but still falling: it drains slowly. Else it can't be told.

Limits are assumed, without a source.
"""

from __future__ import annotations

from functools import partial
from itertools import pairwise

from logger.core.description import Channel, ContainerKind, Outlet
from logger.core.proof.until import Key, Poured
from logger.core.proof.values import Answers, Asked, Captures, Result, Step, Test, Verdict
from logger.core.proof.window import Capture
from logger.core.proof.wording import mass, round_up

LEAST_S, MOST_S = 40.0, 150.0
KEEPS, GIVES = 0.8, 0.35
TEST = "container"
_HOW = {
    ContainerKind.BRIM_FULL: "full of water to the brim, as it stands there at work",
    ContainerKind.DRAINS: "empty, as it stands there at work",
    ContainerKind.RETAINS: "empty, as it stands there at work",
    ContainerKind.UNKNOWN: "as it stands there at work before the first product comes",
}


def pour_kg(channel: Channel) -> float:
    """A litre; more for a coarse scale (20 resolutions), less for one that a litre would overload."""
    wanted = max(1.0, round_up(20 * channel.resolution_kg))
    return wanted if channel.capacity_kg is None else min(wanted, channel.capacity_kg / 4)


def container_kind(outlet: Outlet, channel: Channel, unit: str) -> Test:
    """The guided test for one outlet's container."""
    litres = pour_kg(channel)
    rise = max(5 * channel.resolution_kg, 0.05 * litres)
    steps = (
        Step(
            "stands",
            f"Put the container of {outlet.name} on scale {channel.name}, {_HOW[outlet.container.kind]}. "
            "Enter when nothing drips and hands are off.",
            Key(),
            "Deck off. A full container is heavy: lift it with two people or fill it where it stands. "
            "What runs over must not reach plugs, adapters or the inside of the scale.",
        ),
        Step(
            "pour",
            f"Pour {litres:g} L of water into it in one go, within five seconds, beside nothing. "
            "Enter when it is poured; then wait, hands off.",
            Poured("stands", rise, LEAST_S, MOST_S),
        ),
        Step(
            "water",
            "",
            Key(),
            asks=Asked("yes-no", "Does water stand in it now, up to where it runs over? (y/n)"),
        ),
    )
    name = TEST if outlet.name == channel.name else f"{TEST} of {outlet.name}"
    judge = partial(_judge, outlet=outlet, channel=channel, unit=unit, name=name)
    title = f"Outlet {outlet.name}: what its container does with water"
    return Test("container", title, (channel.name,), steps, judge, ((channel.name, name),))


def kind_seen(kept: float, peak: float, falling: bool, standing: bool) -> ContainerKind:
    """The kind that the weight tells, from shares of what was poured: kept at the end, and at the highest.
    ``falling``: still in the last seconds. ``standing``: water stands up to where it runs over."""
    if kept >= KEEPS and not (falling and kept < 0.9 * peak):
        return ContainerKind.RETAINS
    if kept <= GIVES:
        return ContainerKind.BRIM_FULL if standing else ContainerKind.DRAINS
    return ContainerKind.DRAINS if falling and not standing else ContainerKind.UNKNOWN


def _judge(
    captures: Captures, answers: Answers, *, outlet: Outlet, channel: Channel, unit: str, name: str
) -> list[Result]:
    poured = pour_kg(channel)
    told = outlet.container.kind
    stands, pour = captures["stands"][channel.name], captures["pour"][channel.name]
    make = partial(Result, channel.name, name, expected=str(told))
    base, end, before = stands.last(3.0), pour.last(3.0), pour.level(pour.ended_s - 15, pour.ended_s - 12)
    if base is None or end is None or before is None:
        remedy = "do it again, hands off until the next instruction"
        return [make(found="no steady weight", verdict=Verdict.CANT_TELL, remedy=remedy)]
    kept = (end.mean - base.mean) / poured
    peak = _peak(pour, base.mean) / poured
    falling = before.mean - end.mean > max(channel.resolution_kg, 0.01 * poured)
    seen = kind_seen(kept, peak, falling, bool(answers["water"]))
    text = (
        f"of {mass(poured, unit)} it rose by {mass(peak * poured, unit)} and kept {mass(kept * poured, unit)}"
    )
    figures = {"poured_kg": poured, "peak_share": peak, "kept_share": kept, "seen": str(seen)}
    make = partial(make, found=f"{seen}; {text}", figures=figures)
    if seen is ContainerKind.UNKNOWN:
        remedy = "wait until it drips no more and do it again; holes that clog, or lie high up, do this"
        return [make(verdict=Verdict.CANT_TELL, remedy=remedy)]
    if told is ContainerKind.UNKNOWN:
        return [make(verdict=Verdict.CANT_TELL, remedy=f'write container = {{ kind = "{seen}" }}')]
    if told is seen:
        return [make(verdict=Verdict.PASSES)]
    return [make(verdict=Verdict.FAILS, remedy=_WRONG[seen])]


_WRONG = {
    ContainerKind.RETAINS: "it keeps its water: clear its holes or use the right container; else write "
    'kind = "retains", and expect no mass of solids from it',
    ContainerKind.DRAINS: 'it drains: use the right container, or write kind = "drains"; as it stands the '
    "solids would be reckoned too heavy or not at all",
    ContainerKind.BRIM_FULL: 'it stands full and runs over: drain it, or write kind = "brim-full" and the '
    "density of the solids; as it stands the solids would show too light",
}


def _peak(pour: Capture, base: float) -> float:
    """The highest that two readings in a row stood above the base."""
    values = [point.value for point in pour.points]
    return max((min(a, b) for a, b in pairwise(values)), default=base) - base
