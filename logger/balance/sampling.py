"""How far a sample can be trusted by its size: Gy's fundamental error, Wilson's interval, what is enough.

Nothing here knows of errors made in *taking* a sample (the wrong place, the fines left behind); these come on
top, and can be many times as large.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from statistics import NormalDist

COMPACT = 0.5
WIDE_RANGE = 0.25
NORMAL = NormalDist()
G_PER_CM3 = 1000.0  # kg/m³


@dataclass(frozen=True, slots=True)
class Grains:
    """The grains of a material, as Gy's formula describes them.

    ``size_m``: of the largest (95 % pass), in m. ``shape``: volume of a grain / size³, 0.5 for compact grains
    (0.2 for flakes). ``spread``: the mean cube / the largest cube, 0.25 where the largest are more than four
    times the smallest (sieved closely: up to 1). ``liberation``: 1 where grains are of one component each.
    ValueError outside 0 < each factor <= 1, size > 0.
    """

    size_m: float
    shape: float = COMPACT
    spread: float = WIDE_RANGE
    liberation: float = 1.0

    def __post_init__(self) -> None:
        if not self.size_m > 0.0:
            raise ValueError(f"a size of {self.size_m:g} m must lie above 0")
        for what in ("shape", "spread", "liberation"):
            if not 0.0 < getattr(self, what) <= 1.0:
                raise ValueError(f"the {what} factor {getattr(self, what):g} must lie above 0 and up to 1")

    def grain_kg(self, density_g_cm3: float) -> float:
        """The mass that counts as one grain: shape · spread · liberation · size³ · density, in kg."""
        return self.shape * self.spread * self.liberation * self.size_m**3 * density_g_cm3 * G_PER_CM3


def spread(ratio: float) -> float:
    """Gy's granulometric factor by d95/d5: 1 for a single size, 0.75 below 2, 0.5 up to 4, 0.25 above.

    ValueError below 1.
    """
    if not ratio >= 1.0:
        raise ValueError(f"d95/d5 of {ratio:g} must be at least 1")
    return 1.0 if ratio == 1.0 else 0.75 if ratio < 2.0 else 0.5 if ratio <= 4.0 else WIDE_RANGE


def liberation(liberated_at_m: float, size_m: float) -> float:
    """Gy's liberation factor √(L/d), 1 where the grains are no larger than the size L that sets free."""
    if not (liberated_at_m > 0.0 and size_m > 0.0):
        raise ValueError(f"sizes {liberated_at_m:g} and {size_m:g} m must lie above 0")
    return min(1.0, sqrt(liberated_at_m / size_m))


def mineral_factor(share: float, density_wanted: float, density_rest: float) -> float:
    """Gy's mineralogical factor m = (1-a)/a·[(1-a)·ρ_wanted + a·ρ_rest], densities and result in g/cm³.

    ``share``: mass fraction of the *mineral* that carries the wanted component (5 % lead as a mineral of
    86.6 % lead: 0.05/0.866). ValueError unless 0 < share <= 1 and the densities lie above 0.
    """
    if not 0.0 < share <= 1.0:
        raise ValueError(f"a share of {share:g} must lie above 0 and up to 1")
    if not (density_wanted > 0.0 and density_rest > 0.0):
        raise ValueError(f"densities {density_wanted:g} and {density_rest:g} g/cm³ must lie above 0")
    return (1.0 - share) / share * ((1.0 - share) * density_wanted + share * density_rest)


def relative_variance(
    grains: Grains, factor_g_cm3: float, sample_kg: float, lot_kg: float = float("inf")
) -> float:
    """Gy's fundamental error: (standard deviation / value)² of a grade, f·g·l·m·d³·(1/M - 1/M_lot).

    0 where the sample is the whole lot. ValueError where it is more than that, or nothing.
    """
    if not 0.0 < sample_kg <= lot_kg:
        raise ValueError(f"a sample of {sample_kg:g} kg must lie above 0 and up to its lot, {lot_kg:g} kg")
    return grains.grain_kg(factor_g_cm3) * (1.0 / sample_kg - 1.0 / lot_kg)


def sample_needed_kg(
    grains: Grains, factor_g_cm3: float, relative_sd: float, lot_kg: float = float("inf")
) -> float:
    """The sample's mass, in kg, for a relative standard deviation by Gy's fundamental error."""
    if not relative_sd > 0.0:
        raise ValueError(f"a relative standard deviation of {relative_sd:g} must lie above 0")
    return 1.0 / (relative_sd**2 / grains.grain_kg(factor_g_cm3) + 1.0 / lot_kg)


def wilson(found: float, of: float, level: float = 0.95) -> tuple[float, float]:
    """Wilson's score interval of a share: ``found`` of ``of`` pieces (Wilson 1927; no continuity correction).

    ``of`` may be an effective number (see `effective`). ValueError unless 0 <= found <= of, of > 0.
    """
    if not (0.0 <= found <= of and of > 0.0):
        raise ValueError(f"{found:g} of {of:g}: must lie from 0 to the whole, which must be above 0")
    z = quantile(0.5 * (1.0 + level))
    share = found / of
    middle = share + z * z / (2.0 * of)
    half = z * sqrt(share * (1.0 - share) / of + z * z / (4.0 * of * of))
    low, high = (middle - half) / (1.0 + z * z / of), (middle + half) / (1.0 + z * z / of)
    return (0.0 if found == 0 else low), (1.0 if found == of else high)


def effective(pieces: float, cv: float) -> float:
    """So many pieces of one mass would tell as much by mass as ``pieces`` whose masses vary: n / (1 + CV²).

    ``cv``: standard deviation / mean of the pieces' masses. ValueError unless pieces > 0, cv >= 0.
    """
    if not (pieces > 0.0 and cv >= 0.0):
        raise ValueError(f"{pieces:g} pieces, CV {cv:g}: must lie above 0, and at least at 0")
    return pieces / (1.0 + cv * cv)


def quantile(level: float) -> float:
    """The standard normal quantile. ValueError outside 0 to 1."""
    if not 0.0 < level < 1.0:
        raise ValueError(f"a level of {level:g} must lie between 0 and 1")
    return NORMAL.inv_cdf(level)
