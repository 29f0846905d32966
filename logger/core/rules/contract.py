"""What a rule sees and what it answers. A rule judges; `core.alarms` decides what a person is told.

A rule is built once per subject (an outlet, a feed, a channel), is ticked once a station second, keeps
bounded memory, mutates nothing it is shown, and answers only *changes* of its judgement: of whether it
holds, and, every ten seconds at most, of what is known of it. The latter is shown, and no new alarm.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Protocol, runtime_checkable

from logger.core.description import Channel, FeedKind, Outlet, Station
from logger.core.track.flow_view import Flow
from logger.core.track.view import Track


@dataclass(frozen=True, slots=True)
class Judgement:
    """A rule's opinion changed.

    ``subject`` is the outlet's name, ``feed`` or the channel; ``active`` whether the condition holds;
    ``suppressed`` that it holds but by design is not to be sounded (ISA-18.2), with the cause in
    ``evidence["suppressed_by"]``. ``since_s`` is when the condition is thought to have begun.
    ``what`` and ``do`` are one sentence each for the operator. ``evidence`` is plain JSON.
    """

    kind: str
    subject: str
    channel: str
    active: bool
    since_s: int
    what: str
    do: str
    evidence: dict[str, Any] = field(default_factory=dict)
    suppressed: bool = False


@dataclass(frozen=True, slots=True)
class Evidence:
    """What a rule sees of one subject at a second. Computed only when asked: see `Evident`.

    The condition holds where ``statistic`` reaches ``threshold`` (both in ``unit``), from below, or from
    above where ``falls``; None: nothing can be said. ``expected_mg`` and ``came_mg`` are masses over the
    last ``window_s``, the window that speaks loudest. ``quiet_because`` says why the rule would not speak
    even so; "" where nothing holds it. ``extra`` is plain JSON.
    """

    kind: str
    subject: str
    unit: str = "nats"
    statistic: float | None = None
    threshold: float | None = None
    falls: bool = False
    window_s: int = 0
    expected_mg: float | None = None
    came_mg: float | None = None
    quiet_because: str = ""
    extra: dict[str, Any] = field(default_factory=dict)


@dataclass(slots=True)
class ChannelNow:
    """One channel as it stands; kept by the fold, read by rules."""

    channel: Channel
    track: Track | None = None  # None for a flow
    flow: Flow | None = None  # None for a mass
    link_up: bool | None = None  # None: nothing was said of a link (a CSV, for instance)
    first_reading_s: float = 0.0
    last_reading_s: float = 0.0  # usable or not; 0 none yet
    last_usable_s: float = 0.0
    readings: int = 0
    garbage: int = 0  # pieces that could not be read
    last_garbage_s: float = 0.0  # 0 none yet
    garbage_reason: str = ""
    unit: str = ""  # as last shown
    mode: str = ""
    status: str = ""
    value: float = 0.0  # kg as last shown; of a flow meter the rate in L/min, 0 while it is not known


@dataclass(slots=True)
class OutletNow:
    outlet: Outlet
    now: ChannelNow | None  # None: not weighed
    expected_mg_s: float | None = None  # rate expected now from the feed, lag and share; None unknown
    share: float | None = None  # learned or configured yield
    lag_s: float | None = None


@dataclass(slots=True)
class StationNow:
    """A station as it stands at a tick."""

    station: Station
    now_s: int
    feed: ChannelNow | None
    outlets: list[OutletNow]
    run_since_s: int | None = None  # None: no run open
    feed_stopped_since_s: int | None = None  # as the feed rule judges; set by the fold each tick
    paused_since_s: int | None = None  # the operator paused the feed, or ended it to let the deck run empty
    active: dict[tuple[str, str], int] = field(default_factory=dict)  # (kind, subject) -> since_s
    water: list[ChannelNow] = field(default_factory=list)  # in the order of station.water; [] not kept
    began_s: int = 0  # second of the station's first reading; 0 before it

    @property
    def beat_s(self) -> int:
        """Seconds since the first reading: what is done every so many seconds is timed by it.

        By the clock, the same readings an hour and a second later would be judged at other seconds.
        """
        return self.now_s - self.began_s

    @property
    def by_scoop(self) -> bool:
        """Whether a person feeds by scoop, as told or as the feed's track sees."""
        if self.station.feed.kind is FeedKind.TUB:
            return True
        return self.feed is not None and self.feed.track is not None and self.feed.track.view.by_scoop


class StationRule(Protocol):
    """A rule about an outlet or the feed of a station."""

    kind: str

    def tick(self, station: StationNow) -> list[Judgement]:
        """Judge the second that just ended; answer only changes."""


class ChannelRule(Protocol):
    """A rule about one instrument channel, whatever stations it serves."""

    kind: str

    def tick(self, now_s: int, channel: ChannelNow) -> list[Judgement]:
        """Judge the second that just ended; answer only changes."""


@runtime_checkable
class Evident(Protocol):
    """A station rule that can be asked why it speaks, or why not. Asking changes nothing."""

    kind: str

    def evidence(self, subject: str, now: StationNow) -> Evidence | None:
        """What it sees of an outlet, the feed or a water line now; None: it does not judge that one."""


@runtime_checkable
class EvidentOfChannel(Protocol):
    """The same of a rule about an instrument."""

    kind: str

    def evidence(self, now_s: int, channel: ChannelNow) -> Evidence | None:
        """What it sees of the instrument now."""
