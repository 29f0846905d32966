"""Two worlds of physics: `TUNING`, on which detection may be tuned, and `REPORT`, on which it is judged.

They differ in more than seeds: kernel shapes, lumps, wander, surging, noise and a person's habits. Every
figure is assumed; no recording of a real table stands behind it. A pair is a range (low, high).
"""

from __future__ import annotations

from dataclasses import dataclass

Range = tuple[float, float]


@dataclass(frozen=True)
class Regime:
    name: str
    key: int  # keeps the seeds of the sets apart
    # feed
    hopper_kg_h: Range
    scoop_kg: Range
    scoop_every_s: Range
    scoop_spread: Range  # of mass and interval, as a standard deviation relative to the mean
    pour_s: Range
    feed_wander: Range  # relative standard deviation, and how long it lasts
    feed_wander_s: Range
    auger: Range  # relative amplitude and period
    auger_s: Range
    feed_lump_g: Range
    # table
    kernels: tuple[str, ...]  # of "first-order", "tanks", "dispersion"
    dead_s: Range
    spread_s: Range
    split_wander: Range
    split_wander_s: Range
    split_steps_an_hour: float  # somebody turns a knob: shares move by up to a tenth
    surge: Range
    surge_s: Range
    # what arrives
    lumps: tuple[str, ...]  # of "gamma", "exponential", "lognormal"
    phi_g: Range  # dispersion of the common lumps
    wad_share: Range  # mass fraction that comes in wads
    wad_phi_g: Range
    excess_water: Range  # that drains away again, and within what time
    excess_s: Range
    # scales
    resolutions_g: tuple[float, ...]
    rates_hz: tuple[float, ...]
    sigma_d: Range  # reading noise in resolutions
    vibration_d: Range
    slow_noise_d: Range  # of some minutes' correlation
    filter_s: Range  # time constant of the indicator's own filter
    jitter_s: float
    lost: Range  # fraction of lines that never come
    # habits
    gap_s: Range  # without a container
    caught: float  # how often what flowed meanwhile is caught and poured in
    tare_kg: Range
    bump_kg: Range
    bump_s: Range
    release_fast: Range  # share of what was held back that comes in the first seconds
    astray: Range  # share of what was held back that crosses into the neighbour


TUNING = Regime(
    name="tuning",
    key=1,
    hopper_kg_h=(20, 110),
    scoop_kg=(0.3, 1.0),
    scoop_every_s=(5, 20),
    scoop_spread=(0.08, 0.25),
    pour_s=(0.5, 2.0),
    feed_wander=(0.01, 0.05),
    feed_wander_s=(60, 300),
    auger=(0.0, 0.3),
    auger_s=(2, 7),
    feed_lump_g=(1, 8),
    kernels=("first-order", "tanks"),
    dead_s=(5, 50),
    spread_s=(5, 35),
    split_wander=(0.02, 0.08),
    split_wander_s=(200, 900),
    split_steps_an_hour=0.0,
    surge=(0.0, 0.15),
    surge_s=(30, 60),
    lumps=("gamma", "exponential"),
    phi_g=(4, 15),
    wad_share=(0.0, 0.2),
    wad_phi_g=(15, 40),
    excess_water=(0.0, 0.06),
    excess_s=(15, 60),
    resolutions_g=(1, 2, 5, 10, 20),
    rates_hz=(5, 5, 10),
    sigma_d=(0.25, 1.0),
    vibration_d=(0.0, 1.2),
    slow_noise_d=(0.0, 0.1),
    filter_s=(0.05, 0.3),
    jitter_s=0.01,
    lost=(0.0, 0.01),
    gap_s=(5, 50),
    caught=0.4,
    tare_kg=(0.5, 1.6),
    bump_kg=(2, 15),
    bump_s=(0.3, 4.0),
    release_fast=(0.3, 0.7),
    astray=(0.0, 0.5),
)

REPORT = Regime(
    name="report",
    key=2,
    hopper_kg_h=(15, 130),
    scoop_kg=(0.3, 1.0),
    scoop_every_s=(5, 20),
    scoop_spread=(0.05, 0.35),
    pour_s=(0.3, 4.0),
    feed_wander=(0.01, 0.07),
    feed_wander_s=(40, 400),
    auger=(0.0, 0.4),
    auger_s=(1.5, 9),
    feed_lump_g=(1, 15),
    kernels=("first-order", "tanks", "dispersion", "dispersion"),
    dead_s=(5, 65),
    spread_s=(5, 45),
    split_wander=(0.02, 0.10),
    split_wander_s=(120, 1500),
    split_steps_an_hour=0.3,
    surge=(0.0, 0.20),
    surge_s=(25, 70),
    lumps=("gamma", "lognormal", "exponential"),
    phi_g=(3, 18),
    wad_share=(0.0, 0.3),
    wad_phi_g=(15, 60),
    excess_water=(0.0, 0.09),
    excess_s=(10, 90),
    resolutions_g=(1, 2, 5, 10, 20),
    rates_hz=(5, 5, 10),
    sigma_d=(0.2, 1.3),
    vibration_d=(0.0, 1.5),
    slow_noise_d=(0.0, 0.25),
    filter_s=(0.05, 0.5),
    jitter_s=0.02,
    lost=(0.0, 0.02),
    gap_s=(4, 60),
    caught=0.5,
    tare_kg=(0.4, 2.2),
    bump_kg=(2, 20),
    bump_s=(0.2, 6.0),
    release_fast=(0.2, 0.9),
    astray=(0.0, 0.8),
)

REGIMES = {regime.name: regime for regime in (TUNING, REPORT)}
