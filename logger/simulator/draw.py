"""Bays drawn at random, for benchmarks and for tests that nobody tuned to."""

from __future__ import annotations

from collections.abc import Callable, Collection
from random import Random

from logger.simulator import troubles as t
from logger.simulator.scenario import Feed, Outlet, Scale, Scenario, Vessel, Water

SETTLED_S = 600.0
"""No clog and no feed trouble comes before this time."""

GREAT = ("clog", "partial-clog", "gradual-clog", "feed-stop", "feed-drift")
"""Troubles that come one at a time, with five minutes or more between them."""

SMALL = ("change", "refill", "bump", "tare", "sample", "decant")
"""What hands do at any time."""

FAULTS = ("unit", "frozen", "silent", "unplugged", "garbled", "pulsing", "water")
"""What instruments and lines do at any time."""

ALL = GREAT + SMALL + FAULTS
_NAMES = ("concentrate", "middlings", "tailings", "fines", "slimes")


def random_scenario(
    seed: int,
    duration_s: float = 3600.0,
    *,
    feed: str | None = None,
    kinds: Collection[str] = GREAT + SMALL,
    small_per_h: float = 10.0,
    resolution_kg: float | None = None,
) -> Scenario:
    """A bay with 4 or 5 outlets of 0.5 to 50 kg/h, fed with 20 to 100 kg/h.

    ``feed`` is ``hopper``, ``tub`` or None (a hopper in 7 of 10 cases); ``kinds`` are names out of
    `ALL` (empty: an undisturbed bay that needs no hands); ``small_per_h`` counts small troubles and
    faults together; ``resolution_kg`` sets all outlet scales, else each draws its own of 1 to 20 g.
    """
    unknown = sorted(set(kinds) - set(ALL))
    if unknown:
        raise ValueError(f"no such kinds of trouble: {', '.join(unknown)}; known are {', '.join(ALL)}")
    rng = Random(f"{seed}/scenario")
    target_kg_h = rng.uniform(20.0, 100.0)
    chosen_feed = _feed(rng, feed, target_kg_h, duration_s, "refill" in kinds)
    shares = _shares(rng, rng.choice((4, 5)), target_kg_h)
    outlets = tuple(
        _outlet(
            rng,
            name,
            share,
            total_kg=share * target_kg_h * duration_s / 3600.0,
            changes="change" in kinds,
            resolution_kg=resolution_kg,
        )
        for name, share in zip(_NAMES, shares, strict=False)
    )
    weighed = [o for o in outlets if o.scale is not None]
    script = _great(rng, [k for k in GREAT if k in kinds], weighed, duration_s)
    little = [k for k in SMALL + FAULTS if k in kinds]
    for _ in range(round(small_per_h * duration_s / 3600.0) if little else 0):
        script.append(
            _SMALL[rng.choice(little)](rng, rng.uniform(120.0, duration_s), rng.choice(weighed).name)
        )
    return Scenario(
        name=f"random-{seed}",
        feed=chosen_feed,
        outlets=outlets,
        water=Water(flow_l_min=rng.uniform(8.0, 25.0)),
        troubles=tuple(sorted(script, key=lambda trouble: trouble.at_s)),
        tends_s=rng.uniform(15.0, 40.0),
        feed_from_s=rng.uniform(45.0, 90.0),
    )


def _scale(rng: Random, resolution_kg: float, capacity_kg: float, vibration: float = 1.0) -> Scale:
    return Scale(
        resolution_kg=resolution_kg,
        noise_kg=rng.uniform(0.2, 1.0) * resolution_kg,
        vibration_kg=vibration * rng.uniform(0.001, 0.010),
        vibration_hz=rng.uniform(4.0, 5.2),
        filter_s=rng.uniform(0.0, 0.4),
        capacity_kg=capacity_kg,
        zero_tracking=rng.random() < 0.3,
        zeroed_on_tare=rng.random() < 0.1,
        says_stable=rng.random() < 0.7,
        jitter_s=rng.uniform(0.002, 0.03),
        missing=rng.choice((0.0, 0.001, 0.01, 0.03)),
    )


def _feed(rng: Random, kind: str | None, target_kg_h: float, duration_s: float, refills: bool) -> Feed:
    drawn = "hopper" if rng.random() < 0.7 else "tub"
    needed_kg = 1.5 * target_kg_h * duration_s / 3600.0 + 5.0
    content_kg = rng.uniform(20.0, 40.0) if refills else needed_kg
    scoop_kg = min(1.0, max(0.2, target_kg_h / 3600.0 * rng.uniform(7.0, 18.0)))
    return Feed(
        kind=kind or drawn,
        target_kg_h=target_kg_h,
        content_kg=content_kg,
        tare_kg=rng.uniform(2.0, 10.0),
        refill_at_kg=rng.uniform(3.0, 8.0) if refills else -1.0,
        refill_kg=(5.0, 20.0),
        pulsation=rng.uniform(0.0, 0.2),
        pulsation_s=rng.uniform(0.8, 5.0),
        wander=rng.uniform(0.005, 0.03),
        wander_s=rng.uniform(120.0, 900.0),
        jitter_g=rng.uniform(0.5, 4.0),
        scoop_kg=(scoop_kg * 0.7, scoop_kg * 1.3),
        scale=_scale(rng, rng.choice((0.005, 0.01, 0.02)), 150.0 + content_kg, vibration=0.3),
    )


def _shares(rng: Random, count: int, target_kg_h: float) -> list[float]:
    """Uneven shares; every outlet gets 0.5 to 50 kg/h, give or take a rescaling."""
    parts = [min(50.0, max(0.5, target_kg_h / count * rng.lognormvariate(-0.4, 1.0))) for _ in range(count)]
    total = sum(parts)
    return [part / total for part in parts]


def _outlet(
    rng: Random, name: str, share: float, *, total_kg: float, changes: bool, resolution_kg: float | None
) -> Outlet:
    wads = rng.random() < 0.25
    kind = rng.choices(("drains", "brim-full", "retains"), (6, 3, 1))[0]
    tare_kg = rng.uniform(0.5, 3.0)
    fill_kg = rng.uniform(3.0, 12.0) if kind == "brim-full" else 0.0
    moisture = rng.choice((0.0, rng.uniform(0.01, 0.06))) if kind == "drains" else 0.0
    room_kg = rng.uniform(6.0, 25.0)
    capacity_kg = 60.0 if changes else 60.0 + 4.0 * total_kg
    return Outlet(
        name=name,
        share=share,
        dead_s=rng.uniform(5.0, 65.0),
        spread_s=rng.uniform(5.0, 45.0),
        lump_g=rng.uniform(2.0, 5.0) if wads else rng.uniform(2.0, 7.5),
        wad_share=rng.uniform(0.05, 0.2) if wads else 0.0,
        wad_g=rng.uniform(15.0, 40.0),
        wander=rng.uniform(0.02, 0.10),
        wander_s=rng.uniform(300.0, 1200.0),
        surge=rng.uniform(0.05, 0.3) if rng.random() < 0.15 else 0.0,
        surge_period_s=rng.uniform(30.0, 60.0),
        density=rng.choice((2.65, 3.5, 4.5, 8.8)),
        vessel=Vessel(
            kind=kind,
            tare_low_kg=tare_kg * 0.93,
            tare_high_kg=tare_kg * 1.07,
            full_kg=tare_kg + fill_kg + room_kg if changes else 1e9,
            fill_water_kg=fill_kg,
            entrained=rng.uniform(1.0, 3.0) if kind == "retains" else rng.uniform(0.0, 0.35),
            drain_s=rng.uniform(8.0, 60.0),
            moisture=moisture,
        ),
        scale=_scale(rng, resolution_kg or rng.choice((0.001, 0.002, 0.005, 0.01, 0.02)), capacity_kg),
    )


def _great(rng: Random, kinds: list[str], weighed: list[Outlet], duration_s: float) -> list[t.Trouble]:
    script: list[t.Trouble] = []
    at_s = SETTLED_S + rng.uniform(0.0, 300.0)
    while kinds and at_s < duration_s - 240.0:
        kind = rng.choice(kinds)
        until_s = at_s + rng.uniform(180.0, 420.0)
        script.append(_one_great(rng, kind, rng.choice(weighed).name, at_s, until_s))
        at_s = until_s + rng.uniform(300.0, 700.0)
    return script


def _one_great(rng: Random, kind: str, outlet: str, at_s: float, until_s: float) -> t.Trouble:
    if kind == "feed-stop":
        return t.FeedStop(at_s, until_s)
    if kind == "feed-drift":
        factor = 1.0 + rng.choice((-1.0, 1.0)) * rng.uniform(0.1, 0.3)
        return t.FeedDrift(at_s, factor, rng.choice((0.0, rng.uniform(60.0, 300.0))), until_s + 300.0)
    return t.Clog(
        at_s,
        outlet,
        until_s,
        blocked=rng.uniform(0.6, 0.8) if kind == "partial-clog" else 1.0,
        ramp_s=rng.uniform(30.0, 120.0) if kind == "gradual-clog" else 0.0,
        piles=rng.uniform(0.0, 1.0),
        strays=rng.choice((0.0, 0.0, 0.1)),
        pile_limit_kg=rng.uniform(0.3, 2.0),
        surge_s=rng.uniform(2.0, 15.0),
    )


def _change(rng: Random, at_s: float, outlet: str) -> t.Trouble:
    caught = rng.random() < 0.4
    return t.ContainerChange(at_s, outlet, rng.uniform(4.0, 40.0), caught, rng.uniform(5.0, 60.0))


def _refill(rng: Random, at_s: float, _: str) -> t.Trouble:
    return t.Refill(at_s, rng.uniform(5.0, 20.0), rng.uniform(2.0, 9.0))


def _bump(rng: Random, at_s: float, outlet: str) -> t.Trouble:
    channel = "feed" if rng.random() < 0.15 else outlet
    force_kg = rng.choice((-1.0, 1.0)) * rng.uniform(2.0, 20.0)
    return t.Bump(at_s, channel, force_kg, rng.uniform(0.3, 3.0))


def _until(rng: Random, at_s: float) -> float:
    return at_s + rng.uniform(20.0, 240.0)


_SMALL: dict[str, Callable[[Random, float, str], t.Trouble]] = {
    "change": _change,
    "refill": _refill,
    "bump": _bump,
    "tare": lambda _, at_s, outlet: t.TarePressed(at_s, outlet),
    "sample": lambda rng, at_s, outlet: t.SampleTaken(at_s, outlet, rng.uniform(0.05, 0.3)),
    "decant": lambda rng, at_s, outlet: t.Decanted(at_s, outlet, rng.uniform(0.3, 1.5)),
    "unit": lambda rng, at_s, outlet: t.UnitChanged(at_s, outlet, rng.choice(("lb", "g")), _until(rng, at_s)),
    "frozen": lambda rng, at_s, outlet: t.Frozen(at_s, outlet, _until(rng, at_s)),
    "silent": lambda rng, at_s, outlet: t.Silent(at_s, outlet, _until(rng, at_s)),
    "unplugged": lambda rng, at_s, outlet: t.Unplugged(at_s, outlet, _until(rng, at_s)),
    "garbled": lambda rng, at_s, outlet: t.Garbled(at_s, outlet, rng.uniform(0.1, 0.5), _until(rng, at_s)),
    "pulsing": lambda rng, at_s, _: t.Pulsing(
        at_s, rng.uniform(0.2, 0.5), rng.uniform(2.0, 20.0), _until(rng, at_s)
    ),
    "water": lambda rng, at_s, _: t.WaterChange(at_s, rng.uniform(0.3, 1.5), _until(rng, at_s)),
}
