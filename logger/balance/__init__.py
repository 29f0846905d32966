"""The weigh-up: from masses, moistures and samples to a balance that can be defended.

Stands alone: nothing of the daemon is needed to use it in a script or a notebook::

    import tomllib
    from logger.balance import read, weigh_up

    with open("config/weigh-up.toml", "rb") as file:
        result = weigh_up(read(tomllib.load(file)))
    result.streams["concentrate"].components["bronze"].recovery     # value, u, low, high, how

Beside it: the two-product formula where there are only assays, and how much of a sample is enough, what
a class allows a scale.
"""

from logger.balance.derive import TwoProducts, two_products
from logger.balance.document import (
    CheckWeight,
    Composition,
    Container,
    Moisture,
    Pass,
    Scale,
    Stream,
    Tare,
    WeighUp,
)
from logger.balance.faults import WeighUpError, read
from logger.balance.limits import nist_limit_kg, oiml_limit_kg
from logger.balance.result import Estimate, How, Result
from logger.balance.sampling import Grains, mineral_factor, sample_needed_kg, wilson
from logger.balance.weighup import weigh_up

__all__ = [
    "CheckWeight",
    "Composition",
    "Container",
    "Estimate",
    "Grains",
    "How",
    "Moisture",
    "Pass",
    "Result",
    "Scale",
    "Stream",
    "Tare",
    "TwoProducts",
    "WeighUp",
    "WeighUpError",
    "mineral_factor",
    "nist_limit_kg",
    "oiml_limit_kg",
    "read",
    "sample_needed_kg",
    "two_products",
    "weigh_up",
    "wilson",
]
