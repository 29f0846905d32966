"""Which tests a bay needs, in the order in which a person walks from instrument to instrument."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from logger.core.description import Bay, Channel, FeedKind, Outlet, Water
from logger.core.proof.containers import container_kind
from logger.core.proof.listen import LISTEN_S, deck_running, listening, listening_lines
from logger.core.proof.meters import bucket, flow_open
from logger.core.proof.tracking import zero_tracking
from logger.core.proof.values import Test
from logger.core.proof.weights import one_weight, repeatability

ALONE = ("alive", "noise", "resolution")
"""What needs nobody's hands."""

SECTIONS = (
    *ALONE,
    "zero",
    "deck",
    "weight",
    "repeat",
    "tracking",
    "container",
    "water",
    "bucket",
)
"""What can be asked for."""


@dataclass(frozen=True, slots=True)
class Wishes:
    """What is to be checked. ``only`` and ``instruments``: None means all. ``weight_kg``: the test weight's
    mass where it is told beforehand; ``tolerance_kg`` is the one stated for it. Times in s."""

    only: frozenset[str] | None = None
    instruments: frozenset[str] | None = None
    interactive: bool = True
    seconds: float = LISTEN_S
    bucket_s: float = 30.0
    weight_kg: float | None = None
    tolerance_kg: float = 0.0

    def wants(self, section: str) -> bool:
        return self.only is None or section in self.only


def plan(bay: Bay, intervals: Mapping[str, float | None], wishes: Wishes) -> list[Test]:
    """The tests. ``intervals``: the time between readings that each channel is configured to, None: not told.

    ValueError where an unknown section or instrument is wished for; the message names the known ones.
    """
    _known("test", wishes.only, SECTIONS)
    _known("instrument", wishes.instruments, tuple(channel.name for channel in bay.channels))
    channels = tuple(
        channel
        for channel in bay.channels
        if wishes.instruments is None or channel.name in wishes.instruments
    )
    tests = _listen(bay, channels, intervals, wishes)
    scales = [channel for channel in channels if channel.quantity == "mass"]
    if wishes.wants("deck") and scales:
        tests.append(deck_running(tuple(scales), bay.units, wishes.seconds))
    for channel in scales:
        tests += _scale(bay, channel, wishes)
    for channel in channels:
        if channel.quantity != "mass":
            tests += _meter(bay, channel, wishes)
    return tests


def _known(what: str, wished: frozenset[str] | None, known: tuple[str, ...]) -> None:
    strange = sorted((wished or frozenset()) - set(known))
    if strange:
        raise ValueError(f'there is no {what} "{strange[0]}"; known are {", ".join(known)}')


def _listen(
    bay: Bay, channels: tuple[Channel, ...], intervals: Mapping[str, float | None], wishes: Wishes
) -> list[Test]:
    hoppers = frozenset(
        station.feed.channel
        for station in bay.stations
        if station.feed.kind is FeedKind.HOPPER and station.feed.channel is not None
    )
    wanted = frozenset(section for section in ("alive", "noise", "zero") if wishes.wants(section))
    alone = wanted if wishes.interactive else wanted - {"zero"}
    tests = []
    if alone or wishes.wants("resolution"):
        tests.append(
            listening(
                channels, intervals, bay.units, seconds=wishes.seconds, wanted=alone, never_empty=hoppers
            )
        )
    if wanted - alone:  # named as not done
        empty = listening(
            channels,
            intervals,
            bay.units,
            seconds=wishes.seconds,
            wanted=frozenset({"zero"}),
            never_empty=hoppers,
        )
        tests.append(replace(empty, lines=listening_lines(channels, frozenset({"zero"}), hoppers)))
    return tests


def _scale(bay: Bay, channel: Channel, wishes: Wishes) -> list[Test]:
    tests = []
    if wishes.wants("weight"):
        tests.append(one_weight(channel, bay.units, wishes.weight_kg, wishes.tolerance_kg))
    if wishes.wants("repeat"):
        tests.append(repeatability(channel, bay.units))
    outlets = _outlets(bay, channel)
    if outlets and wishes.wants("tracking"):
        tests.append(zero_tracking(channel, bay.units))
    if wishes.wants("container"):
        tests += [container_kind(outlet, channel, bay.units) for outlet in outlets]
    return tests


def _outlets(bay: Bay, channel: Channel) -> list[Outlet]:
    return [
        outlet for station in bay.stations for outlet in station.outlets if outlet.channel == channel.name
    ]


def _meter(bay: Bay, channel: Channel, wishes: Wishes) -> list[Test]:
    lines: list[Water] = [
        line for station in bay.stations for line in station.water if line.channel == channel.name
    ]
    tests = []
    if wishes.wants("water"):
        tests.append(flow_open(channel, lines[0] if lines else None))
    if wishes.wants("bucket"):
        tests.append(bucket(channel, bay.units, wishes.bucket_s))
    return tests
