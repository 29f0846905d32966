"""The weigh-up: from masses, moistures and samples to a balance that can be defended.

Stands alone: nothing of the daemon is needed to use it in a script or a notebook::

    import tomllib
    from logger.balance import read, weigh_up

    with open("config/weigh-up.toml", "rb") as file:
        result = weigh_up(read(tomllib.load(file)))
    result.streams["concentrate"].components["bronze"].recovery     # value, u, low, high, how
"""

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
from logger.balance.result import Estimate, How, Result
from logger.balance.weighup import weigh_up

__all__ = [
    "CheckWeight",
    "Composition",
    "Container",
    "Estimate",
    "How",
    "Moisture",
    "Pass",
    "Result",
    "Scale",
    "Stream",
    "Tare",
    "WeighUp",
    "WeighUpError",
    "read",
    "weigh_up",
]
