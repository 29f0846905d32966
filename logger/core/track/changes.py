"""What a step of the weight was: judged from the flat stretches before and after it.

Product never leaves an outlet's container in a step, and never arrives in one. What is left: an elbow
(the weight comes back), a container taken off, put back or changed, a tare pressed at the scale, a sample
taken, caught product poured in, something left lying on it. For a feed: refills, scoops, bumps.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum
from typing import NamedTuple

from logger.core.description import Channel, Container, FeedKind
from logger.core.track.episode import Episode, Plateau

KG = 1_000_000.0
LEAST_CONTAINER_MG = 0.2 * KG  # lighter than any container in use: common practice, no source
SCOOP_MG = 3.0 * KG  # more than a person takes in one scoop
REFILL_MG = 1.5 * KG  # less than this is no refill of a tub but a scoop laid down or emptied back
REST_S = 60  # a scoop resting on the tub is waited for this long
TARE_SPREAD = 0.1  # relative: how much the tares of like containers differ
ELBOW_S = 8  # a weight that was back so soon was never away: nobody changes a container as fast
CATCH_S = 240  # caught product is poured in within this time


class Do(Enum):
    KEEP = "keep"  # the base holds: what the scale shows more was weighed
    SPLICE = "splice"  # the base moves; the expected mass is counted
    OFF = "off"  # no container stands there
    WAIT = "wait"  # not over yet


class Verdict(NamedTuple):
    do: Do
    what: str
    tare: str = "same"  # "new": the level is a new tare; "moves": the tare moved with the step


@dataclass(slots=True)
class Knowledge:
    """What is known of the containers and the empty scale, told and learned. Masses in mg."""

    resolution: float
    net: bool
    tare_low: float | None = None
    tare_high: float | None = None
    pan: float | None = None  # what the scale showed when no container stood on it
    tares: list[float] = field(default_factory=list)  # of the latest containers

    @classmethod
    def told(cls, channel: Channel, container: Container) -> Knowledge:
        low, high, usual = container.tare_low_kg, container.tare_high_kg, container.tare_kg
        if usual is not None:
            low = 0.8 * usual if low is None else low
            high = 1.25 * usual if high is None else high
        return cls(
            resolution=channel.resolution_kg * KG,
            net=channel.shows == "net",
            tare_low=None if low is None else low * KG,
            tare_high=None if high is None else high * KG,
        )

    def zero_tol(self) -> float:
        return max(30_000.0, 4.0 * self.resolution)

    def learn_tare(self, level: float) -> None:
        self.tares.append(level)
        del self.tares[:-8]

    def empty_scale(self, level: float, drop: float) -> bool:
        """Could an empty scale show this, after the weight fell by ``drop``?"""
        if drop < LEAST_CONTAINER_MG:
            return False
        if self.pan is not None and abs(level - self.pan) <= 2.0 * self.zero_tol():
            return True
        if level < -2.0 * self.zero_tol():
            return True
        if self.net:
            return False
        if abs(level) <= self.zero_tol():
            return True
        return self.tare_low is not None and level < 0.6 * self.tare_low

    def empty_container(self, level: float) -> bool:
        """Is this what an empty container of the usual kind would show?"""
        if self.tare_low is not None and self.tare_high is not None and not self.net:
            return self.tare_low - self.zero_tol() <= level <= self.tare_high + self.zero_tol()
        return any(abs(level - tare) <= max(0.1 * abs(tare), self.zero_tol()) for tare in self.tares)


def judge(
    e: Episode, f: Plateau, k: Knowledge, tol: float, *, scale: float, feed: FeedKind | None
) -> Verdict:
    """What happened between the beginning of the episode and this plateau. ``tol``: a level's tolerance."""
    if feed is not None:
        return _feed(e, f, k, tol, feed)
    if e.off:
        return _from_off(e, f, k, tol, scale)
    rise = f.level - e.level
    grown = e.credit / scale
    wide = 2.5 * grown + 3.0 * e.credit_u() / scale + tol
    if e.silent:  # the feed may have come on meanwhile: 100 kg/h is more than an outlet gives
        wide = max(wide, min(28_000.0 * e.seconds, 0.5 * KG + wide))
    if -0.7 * tol <= rise <= wide:  # product never leaves, so less is forgiven downwards
        return Verdict(Do.KEEP, "silence" if e.silent else "bump")
    if rise < 0.0:
        return _down(e, f, k, rise)
    return _up(e, f, k, rise)


def _down(e: Episode, f: Plateau, k: Knowledge, rise: float) -> Verdict:
    if k.empty_scale(f.level, -rise):
        return Verdict(Do.OFF, "container-off")
    if abs(f.level) <= k.zero_tol():
        return Verdict(Do.SPLICE, "tare-pressed", "moves")
    lifted = k.empty_scale(e.low, e.level - e.low) and f.level - e.low >= LEAST_CONTAINER_MG
    if lifted or (-rise > LEAST_CONTAINER_MG and k.empty_container(f.level)):
        return Verdict(Do.SPLICE, "container-changed", "new")
    return Verdict(Do.SPLICE, "step-down")


def _up(e: Episode, f: Plateau, k: Knowledge, rise: float) -> Verdict:
    if k.empty_scale(e.low, e.level - e.low) and f.level - e.low >= LEAST_CONTAINER_MG:
        return Verdict(Do.SPLICE, "container-changed", "new")
    # A surge after a clog comes fast but over seconds, and nothing overshoots.
    if abs(f.level) <= min(k.zero_tol(), 0.2 * rise) and e.steepest > 0.6 * rise:
        return Verdict(Do.SPLICE, "tare-pressed", "moves")
    if f.climb > 0.15 * rise:
        return Verdict(Do.KEEP, "surge")
    if e.steepest < 0.45 * rise and e.high <= f.level + 0.2 * rise and e.low >= e.level - 0.2 * rise:
        return Verdict(Do.KEEP, "surge")
    return Verdict(Do.SPLICE, "step-up", "moves")


def _from_off(e: Episode, f: Plateau, k: Knowledge, tol: float, scale: float) -> Verdict:
    least = LEAST_CONTAINER_MG if k.tare_low is None else 0.6 * k.tare_low
    grown = e.credit / scale
    # A container with little in it looks like any other that is empty: then it counts as changed.
    near = 2.5 * grown + tol
    content = e.level - e.base
    told_apart = e.seconds <= ELBOW_S or content > near + TARE_SPREAD * abs(e.base - e.off_level)
    if told_apart and -tol <= f.level - e.level <= near:
        # The same one again. Caught meanwhile and already in it, or lost?
        if f.level - e.level > 0.5 * grown or grown < tol:
            return Verdict(Do.KEEP, "container-back")
        return Verdict(Do.SPLICE, "container-back")
    if f.level - e.off_level < least:
        return Verdict(Do.OFF, "")
    return Verdict(Do.SPLICE, "container-changed", "new")


def _feed(e: Episode, f: Plateau, k: Knowledge, tol: float, kind: FeedKind) -> Verdict:
    rise = f.level - e.level
    if e.off:
        return _feed_from_off(e, f, rise, tol + 2.5 * e.credit)
    if rise > tol:
        return _feed_up(rise, f.now_s - e.start_s, kind)
    if -rise <= 2.5 * e.credit + 3.0 * e.credit_u() + tol or e.silent:
        return Verdict(Do.KEEP, "silence" if e.silent else "bump")
    tub = kind is FeedKind.TUB
    if -rise > (SCOOP_MG if tub else 2.0 * LEAST_CONTAINER_MG) and k.empty_scale(f.level, -rise):
        return Verdict(Do.OFF, "container-off")
    # Feed that goes in a step has gone over the table all the same: a scoop, or a bridge that gave way.
    return Verdict(Do.KEEP, "scoop") if -rise <= SCOOP_MG else Verdict(Do.SPLICE, "step-down", "moves")


def _feed_from_off(e: Episode, f: Plateau, rise: float, near: float) -> Verdict:
    if f.level - e.off_level < LEAST_CONTAINER_MG:
        return Verdict(Do.OFF, "")
    if abs(rise) <= near:
        return Verdict(Do.KEEP, "container-back")
    return Verdict(Do.SPLICE, "refill" if rise > 0.0 else "container-changed", "moves")


def _feed_up(rise: float, seconds: float, kind: FeedKind) -> Verdict:
    if kind is FeedKind.TUB:
        if rise >= REFILL_MG:
            return Verdict(Do.SPLICE, "refill")
        # Something lies on the tub: it comes off again, so the base must hold.
        return Verdict(Do.WAIT, "") if seconds < REST_S else Verdict(Do.KEEP, "rest")
    return Verdict(Do.SPLICE, "refill" if rise >= LEAST_CONTAINER_MG else "step-up")
