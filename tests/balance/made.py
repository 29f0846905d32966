"""Networks with true figures that close, for the tests and the benches of the balance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logger.balance.network import Network, connect

NETWORKS = {
    "one": connect("fct", {"run": ("f", "ct")}),
    "three": connect("fcmt", {"run": ("f", "cmt")}),
    "two passes": connect("fcmtde", {"run": ("f", "cmt"), "again": ("m", "de")}),
    "circle": connect("abcde", {"one": ("ae", "bc"), "two": ("b", "de")}),
    "twelve": connect(
        "abcdefghijkl",
        {"1": ("a", "bcd"), "2": ("c", "ef"), "3": ("d", "gh"), "4": ("eg", "ij"), "5": ("i", "kl")},
    ),
}


@dataclass(frozen=True)
class Truth:
    """A network and variables that close exactly."""

    network: Network
    components: int
    x: NDArray[np.float64]

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(f"c{k}" for k in range(self.components))


def truth(name: str, components: int, seed: int, kg: float = 100.0) -> Truth:
    """True masses and grades: what goes in is split at random, component by component."""
    network = NETWORKS[name]
    streams = len(network.streams)
    held = np.zeros((streams, components))
    for _ in range(200 if name == "circle" else 1):
        held = _passed(network, held, kg, np.random.default_rng(seed))
    masses = held.sum(axis=1)
    return Truth(network, components, np.concatenate([masses, (held / masses[:, None]).ravel()]))


def _passed(network, held, kg, same):
    components = held.shape[1]
    for s in network.sources:
        held[s] = kg * same.dirichlet(np.full(components, 3.0))
    for node in network.nodes:
        fed = held[list(node.ins)].sum(axis=0)
        held[list(node.outs)] = (same.dirichlet(np.full(len(node.outs), 2.0), components) * fed[:, None]).T
    return held


def measure(true: Truth, seed: int, relative: float = 0.02, hide: int = 0):
    """y, v, measured: independent errors, relative to each figure; ``hide`` of them are not measured."""
    random = np.random.default_rng(seed + 1000)
    measured = np.ones(len(true.x), dtype=bool)
    measured[random.choice(len(true.x), hide, replace=False)] = False
    sd = relative * true.x[measured] * random.uniform(0.3, 1.5, int(measured.sum()))
    return true.x[measured] + sd * random.standard_normal(len(sd)), np.diag(sd**2), measured
