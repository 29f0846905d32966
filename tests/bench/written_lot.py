"""A lot of grains that is split, weighed, dried and sampled, and what a person writes down of it.

The physics are its own and use nothing of `logger.balance`: grains with lognormal masses are really drawn and
sorted, scales have an error of their own, pails vary, and only what was read off goes into the document.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

DENSITY = {"bronze": 8.8, "slag": 3.2, "sand": 2.65}  # g/cm³
COMPONENTS = tuple(DENSITY)
CV = 1.0  # of the masses of single grains
GRAIN_CM3 = 0.012  # mean volume, alike for all components
RELATIVE = np.array(list(DENSITY.values()))
Shares = tuple[float, float, float]


def class_iii_in_service(most: float, e: float) -> float:
    """The largest relative error that keeps to class III in service at every load up to ``most``.

    Twice 0.5 e, 1 e, 1.5 e up to 500 e, 2000 e and beyond (OIML R 76-1, 3.5.1 and 3.5.2).
    """
    found, below = np.inf, 0.0
    for end, limit in ((500 * e, e), (2000 * e, 2 * e), (10_000 * e, 3 * e)):
        if most > below:
            found = min(found, limit / min(end, most))
        below = end
    return found


@dataclass
class RealScale:
    """Shows load · (1 + error), with scatter, in steps."""

    random: np.random.Generator
    step: float
    error: float
    scatter: float

    def show(self, load: float) -> float:
        shown = load * (1.0 + self.error) + self.scatter * self.random.standard_normal()
        return round(round(shown / self.step) * self.step, 9)


@dataclass
class Lot:
    """The truth: dry kg and composition of each stream, its water; and the document as far as written."""

    random: np.random.Generator
    held: dict[str, np.ndarray]  # kg of each component
    water: dict[str, float]  # share of the wet mass
    scales: dict[str, RealScale] = field(default_factory=dict)
    pails: dict[str, tuple[float, float]] = field(default_factory=dict)  # kind -> mean, spread
    document: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.document = {
            "components": list(COMPONENTS),
            "scales": {},
            "tares": {},
            "streams": {name: {} for name in self.held},
        }

    def mass(self, name: str) -> float:
        return float(self.held[name].sum())

    def grades(self, name: str) -> np.ndarray:
        return self.held[name] / self.held[name].sum()

    def wet(self, name: str) -> float:
        return self.mass(name) / (1.0 - self.water[name])

    # ------------------------------------------------------------------ scales

    def scale_of_class(self, name: str, step: float, scatter: float, most: float) -> None:
        """Its error lies anywhere within what class III allows in service at the greatest load."""
        error = self.random.uniform(-1.0, 1.0) * class_iii_in_service(most, step)
        self._scale(name, RealScale(self.random, step, error, scatter))
        self.document["scales"][name]["accuracy_class"] = "III"

    def scale_with_check(self, name: str, step: float, scatter: float, nominal: float) -> None:
        """Its error is whatever it is, 0.05 % as a rule; one check weight (u 1e-4) was put on."""
        real = RealScale(self.random, step, 5e-4 * self.random.standard_normal(), scatter)
        self._scale(name, real)
        u = 1e-4 * nominal
        shown = real.show(nominal + u * self.random.standard_normal())
        self.document["scales"][name]["checks"] = [{"nominal": nominal, "shown": shown, "u_nominal": u}]

    def _scale(self, name: str, real: RealScale) -> None:
        self.scales[name] = real
        self.document["scales"][name] = {"resolution": real.step, "repeatability": real.scatter or None}

    # ------------------------------------------------------------------ masses

    def kind_of_pail(self, kind: str, scale: str, mean: float, spread: float) -> None:
        """One of them is weighed."""
        self.pails[kind] = (mean, spread)
        one = mean + spread * self.random.standard_normal()
        self.document["tares"][kind] = {"mass": self.scales[scale].show(one), "u": spread}

    def in_pails(self, name: str, scale: str, kind: str, count: int) -> None:
        mean, spread = self.pails[kind]
        parts = self.random.dirichlet(np.full(count, 50.0)) * self.wet(name)
        self.document["streams"][name]["containers"] = [
            {
                "gross": self.scales[scale].show(part + mean + spread * self.random.standard_normal()),
                "tare": kind,
                "scale": scale,
            }
            for part in parts
        ]

    def by_difference(self, name: str, scale: str) -> None:
        """The scale before and after: as from a hopper."""
        there, real = self.random.uniform(0.5, 1.5) * 3.0, self.scales[scale]
        net = real.show(there + self.wet(name)) - real.show(there)
        self.document["streams"][name] |= {"net": round(net, 9), "scale": scale}

    # ------------------------------------------------------------------ water

    def dried(self, name: str, scale: str, sample: float = 0.12) -> None:
        pan, real = 0.0085, self.scales[scale]
        weights = (pan, pan + sample, pan + sample * (1.0 - self.water[name]))
        shown = dict(zip(("pan", "pan_wet", "pan_dry"), map(real.show, weights), strict=True))
        self.document["streams"][name]["moisture"] = {**shown, "scale": scale}

    def moisture_said(self, name: str, u: float) -> None:
        share = max(self.water[name] + u * self.random.standard_normal(), 0.0)
        self.document["streams"][name]["moisture"] = {"share": share, "u": u}

    # ------------------------------------------------------------------ composition

    def grains(self, name: str, count: int) -> np.ndarray:
        """How many of each component are among so many grains: by number, not by mass."""
        by_number = self.grades(name) / RELATIVE
        return self.random.multinomial(count, by_number / by_number.sum())

    def sorted_by_hand(self, name: str, count: int, scale: str) -> None:
        sigma = np.sqrt(np.log1p(CV**2))
        masses = {}
        for component, rho, found in zip(COMPONENTS, RELATIVE, self.grains(name, count), strict=True):
            each = np.exp(sigma * self.random.standard_normal(found) - 0.5 * sigma**2)
            masses[component] = self.scales[scale].show(1e-3 * GRAIN_CM3 * rho * float(each.sum()))
            masses[component] = max(masses[component], 0.0)
        self._found(name, {"sorted": masses, "pieces": count, "cv": CV, "density": DENSITY, "scale": scale})

    def counted(self, name: str, count: int) -> None:
        found = self.grains(name, count)
        self._found(
            name,
            {"counted": dict(zip(COMPONENTS, map(int, found), strict=True)), "density": DENSITY},
        )

    def assayed(self, name: str, relative: float) -> None:
        """Each component by itself, good to so much of its share, or of the rest."""
        true = self.grades(name)
        u = relative * np.minimum(true, 1.0 - true)
        said = true + u * self.random.standard_normal(3)
        both = (dict(zip(COMPONENTS, map(float, each), strict=True)) for each in (said, u))
        self._found(name, dict(zip(("assay", "u"), both, strict=True)))

    def _found(self, name: str, composition: Mapping[str, Any]) -> None:
        said = {key: value for key, value in composition.items() if value is not None}
        self.document["streams"][name].setdefault("compositions", []).append(said)


def split(
    seed: tuple[int, ...],
    products: Mapping[str, tuple[float, Shares]],
    wander: float,
    passes: Mapping[str, Any],
) -> Lot:
    """A lot that fell apart into these products, dry kg and shares; what they came from follows.

    ``wander``: by how much (standard deviation of the logarithm) the shares differ from lot to lot.
    """
    random = np.random.default_rng([*seed, 2211])
    held = {}
    for name, (kg, shares) in products.items():
        varied = np.array(shares) * np.exp(wander * random.standard_normal(3))
        held[name] = kg * np.exp(0.1 * random.standard_normal()) * varied / varied.sum()
    for one in reversed(list(passes.values())):
        held[one["feed"][0]] = np.sum([held[name] for name in one["products"]], axis=0)
    water = {name: float(random.uniform(0.03, 0.12)) for name in held}
    lot = Lot(random, held, water)
    lot.document["passes"] = dict(passes)
    return lot
