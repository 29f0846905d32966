"""The rules there are, in the order they run. The feed comes first: what it does excuses the outlets."""

from __future__ import annotations

from logger.core.description import Channel, FeedKind, Station
from logger.core.rules.container_missing import ContainerMissing
from logger.core.rules.container_near_full import ContainerNearFull
from logger.core.rules.contract import ChannelRule, StationRule
from logger.core.rules.counter_reset import CounterReset
from logger.core.rules.expected import ExpectedFlow
from logger.core.rules.feed_contradicted import FeedContradicted
from logger.core.rules.feed_drift import FeedDrift
from logger.core.rules.feed_pulsing import FeedPulsing
from logger.core.rules.feed_stopped import FeedStopped
from logger.core.rules.feed_too_thick import FeedTooThick
from logger.core.rules.flow_stuck import FlowStuck
from logger.core.rules.instrument_frozen import InstrumentFrozen
from logger.core.rules.instrument_silent import InstrumentSilent
from logger.core.rules.instrument_unreadable import InstrumentUnreadable
from logger.core.rules.masses_not_closing import MassesNotClosing
from logger.core.rules.no_run_open import NoRunOpen
from logger.core.rules.outlet_not_delivering import OutletNotDelivering
from logger.core.rules.outlet_slow import OutletSlow
from logger.core.rules.outlet_surging import OutletSurging
from logger.core.rules.product_astray import ProductAstray
from logger.core.rules.unit_changed import UnitChanged
from logger.core.rules.water_out_of_band import WaterOutOfBand
from logger.core.rules.zero_drifted import ZeroDrifted
from logger.core.water import FEED


def station_rules(station: Station, expected: ExpectedFlow) -> list[StationRule]:
    """All rules of a station; ``expected`` must be ticked before them, every second."""
    rules: list[StationRule] = []
    if station.feed.channel is not None:
        rules += [
            FeedStopped(station, expected),
            FeedContradicted(station, expected),
            FeedDrift(station, expected),
        ]
        if station.feed.kind is FeedKind.HOPPER:  # scoops are pulses by nature
            rules.append(FeedPulsing(station, expected))
    rules += [
        OutletNotDelivering(station, expected),
        OutletSlow(station, expected),
        OutletSurging(station, expected),
        ProductAstray(station, expected),
        ContainerNearFull(station, expected),
        ContainerMissing(station, expected),
        NoRunOpen(station),
    ]
    if station.feed.channel is not None:
        rules.append(MassesNotClosing(station, expected))
    if station.feed.channel is not None and any(line.goes_to == FEED for line in station.water):
        rules.append(FeedTooThick(station, expected))
    if station.water:
        rules.append(WaterOutOfBand(station, expected))
    return rules


def channel_rules(channel: Channel) -> list[ChannelRule]:
    """All rules of one instrument channel."""
    rules: list[ChannelRule] = [
        InstrumentSilent(channel),
        InstrumentUnreadable(channel),
        UnitChanged(channel),
    ]
    if channel.quantity == "mass":
        rules += [InstrumentFrozen(channel), ZeroDrifted(channel)]
    else:
        rules += [FlowStuck(channel), CounterReset(channel)]
    return rules
