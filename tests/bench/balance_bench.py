"""How often the stated 95 % intervals of a balance hold the truth, and how long a balance takes.

    python -m tests.bench.balance_bench coverage [runs] [scenario ...]
    python -m tests.bench.balance_bench naming
    python -m tests.bench.balance_bench time

Truth is fixed for each scenario; each run draws readings from it as instruments would give them (rounded,
with their errors), makes a balance of them, and looks where the truth lies. Coverage is counted of each
figure; its standard error over 10,000 runs is 0.22 %. "auto": the intervals that would be told, by draws
where linear propagation isn't good enough; with `LOOK` draws instead of 10,000 and 100,000, to take minutes
and not a day (their noise makes "auto" turn to draws more often than it would).
"""

from __future__ import annotations

import sys
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from time import perf_counter

import numpy as np
from numpy.typing import NDArray

from logger.balance.derive import Derived
from logger.balance.inputs import Input, Inputs, Term, covariance, evaluate
from logger.balance.montecarlo import draw, enough, reconcile_draws
from logger.balance.network import Network
from logger.balance.propagate import Propagation
from logger.balance.reconcile import Reconciled, reconcile
from logger.balance.result import Estimate
from logger.balance.suspects import Given, examine, figure_names
from tests.balance.made import NETWORKS, measure, truth

LOOK = 2000
METHODS = ("linear", "draws", "auto")
ONE, THREE, TWICE = NETWORKS["one"], NETWORKS["three"], NETWORKS["two passes"]
Random = np.random.Generator


@dataclass
class Readings:
    """One run's inputs, and the measured figures made of them (variable -> term)."""

    random: Random
    inputs: Inputs = field(default_factory=Inputs)
    terms: dict[int, Term] = field(default_factory=dict)

    def normal(self, name: str, true: float, u: float) -> Term:
        return self.inputs.add(Input(name, true + u * self.random.standard_normal(), u))

    def gross(self, name: str, true: float, step: float) -> Term:
        """A scale's reading, rounded to its step."""
        return self.inputs.add(Input(name, step * round(true / step), step / 12**0.5, "rectangular"))

    def count(self, name: str, found: int) -> Term:
        return self.inputs.add(Input.counted(name, found, 1.0))


@dataclass(frozen=True)
class Scenario:
    """Two components, of which the first is wanted; ``read`` fills in what one run measured."""

    network: Network
    masses: tuple[float, ...]
    grades: tuple[float, ...]
    read: Callable[[Readings, Scenario], None]

    @property
    def x(self) -> NDArray[np.float64]:
        rest = [part for g in self.grades for part in (g, 1.0 - g)]
        return np.array([*self.masses, *rest])

    def at(self, stream: int) -> int:
        return self.network.column(stream, 0, 2)


def closed(
    network: Network,
    products: dict[int, tuple[float, float]],
    read: Callable[[Readings, Scenario], None],
) -> Scenario:
    """Masses and grades of the final products; what stands before them follows, node by node backwards."""
    mass = {s: m for s, (m, _) in products.items()}
    held = {s: m * g for s, (m, g) in products.items()}
    for node in reversed(network.nodes):
        (fed,) = node.ins
        mass[fed], held[fed] = sum(mass[s] for s in node.outs), sum(held[s] for s in node.outs)
    streams = range(len(network.streams))
    return Scenario(network, tuple(mass[s] for s in streams), tuple(held[s] / mass[s] for s in streams), read)


def _plain(run: Readings, case: Scenario) -> None:
    """Products weighed, each by itself to 0.5 %, and assayed to 3 %; the feed follows."""
    for s in case.network.sinks:
        _weigh(run, case, s)
        _assay(run, case, s)


def _all(run: Readings, case: Scenario) -> None:
    """Every stream weighed and assayed."""
    for s in range(len(case.masses)):
        _weigh(run, case, s)
        _assay(run, case, s)


def _assays(run: Readings, case: Scenario) -> None:
    """Feed, concentrate and tail assayed to 3 %; nothing weighed."""
    for s in range(len(case.masses)):
        _assay(run, case, s)


def _weigh(run: Readings, case: Scenario, s: int) -> None:
    run.terms[s] = run.normal(f"mass {s}", case.masses[s], 0.005 * case.masses[s])


def _assay(run: Readings, case: Scenario, s: int) -> None:
    run.terms[case.at(s)] = run.normal(f"assay {s}", case.grades[s], 0.03 * case.grades[s])


def _shared(run: Readings, case: Scenario) -> None:
    """Three pails a product on one scale (d = 20 g, span good to 0.4 %), one kind of pail (1 kg, ± 40 g).

    Each pail's own tare varies by 15 g; moisture 8 %, good to 1 % of the wet mass, as assumed for all.
    """
    span = run.normal("span", 0.0, 0.004)
    true_span = -run.inputs.values[0]
    tare = run.normal("tare", 1.0, 0.04)
    water = run.normal("moisture", 0.08, 0.01)
    for s in case.network.sinks:
        pails = [_pail(run, case, s, k, true_span) for k in range(3)]
        run.terms[s] = _net(pails, span, tare, water)
        _assay(run, case, s)


def _pail(run: Readings, case: Scenario, s: int, k: int, span: float) -> Term:
    """Gross over span, less the pail's own deviation from its kind."""
    own = 0.015 * run.random.standard_normal()
    true = case.masses[s] / 3 / (1.0 - 0.08) + 1.0 + own
    gross = run.gross(f"gross {s}.{k}", true * (1.0 + span), 0.02)
    deviation = run.inputs.add(Input(f"pail {s}.{k}", 0.0, 0.015))
    return lambda z: gross(z) - deviation(z)


def _net(pails: Sequence[Term], span: Term, tare: Term, water: Term) -> Term:
    return lambda z: (
        (sum(one(z) for one in pails) * (1.0 + span(z)) - len(pails) * tare(z)) * (1.0 - water(z))
    )


def _counted(run: Readings, case: Scenario) -> None:
    """Products weighed; of each, 200 pieces looked at."""
    for s in case.network.sinks:
        _weigh(run, case, s)
        found = int(run.random.binomial(200, case.grades[s]))
        wanted, rest = run.count(f"wanted {s}", found), run.count(f"rest {s}", 200 - found)
        run.terms[case.at(s)] = _part(wanted, rest)


def _counted_and_fed(run: Readings, case: Scenario) -> None:
    """As `_counted`; the feed is weighed and assayed too, and checks them."""
    _counted(run, case)
    for s in case.network.sources:
        _weigh(run, case, s)
        _assay(run, case, s)


def _part(wanted: Term, rest: Term) -> Term:
    return lambda z: wanted(z) / (wanted(z) + rest(z))


THREE_PRODUCTS = {1: (12.0, 0.82), 2: (28.0, 0.30), 3: (60.0, 0.04)}
SCENARIOS = {
    "plain": closed(THREE, THREE_PRODUCTS, _plain),
    "shared scale and tares": closed(THREE, THREE_PRODUCTS, _shared),
    "reconciled with the feed": closed(THREE, THREE_PRODUCTS, _all),
    "assays alone": closed(ONE, {1: (10.0, 0.60), 2: (90.0, 0.02)}, _assays),
    "two passes": closed(TWICE, {1: (12.0, 0.82), 3: (60.0, 0.04), 4: (9.0, 0.7), 5: (19.0, 0.1)}, _all),
    "few counts, near 1 (1 in the tail)": closed(ONE, {1: (10.0, 0.90), 2: (90.0, 0.005)}, _counted),
    "few counts, near 1 (3 in the tail)": closed(ONE, {1: (20.0, 0.90), 2: (80.0, 0.015)}, _counted),
    "few counts, near 1 (two tails)": closed(
        THREE, {1: (10.0, 0.9), 2: (50.0, 0.004), 3: (40.0, 0.01)}, _counted
    ),
    "few counts, near 1 (3 in the tail), feed known": closed(
        ONE, {1: (20.0, 0.90), 2: (80.0, 0.015)}, _counted_and_fed
    ),
    "few counts, near 0 (2 in it)": closed(ONE, {1: (10.0, 0.01), 2: (90.0, 0.30)}, _counted),
    "few counts, near 0 (5 in it)": closed(ONE, {1: (10.0, 0.025), 2: (90.0, 0.30)}, _counted),
}


def figures(case: Scenario, tell: Propagation) -> dict[str, Estimate | None]:
    """What is told of the wanted component and the masses, by name; None where it isn't determined."""
    derived, names = Derived(case.network, 2), case.network.streams
    of_finals = {
        "yield": derived.yields,
        "recovery": lambda x: derived.recoveries(x)[..., 0],
        "efficiency": lambda x: derived.efficiency(x, 0),
    }
    found: dict[str, Estimate | None] = {}
    for word, function in of_finals.items():
        family = tell.of_x(function)
        for s in case.network.sinks:
            found[f"{word} {names[s]}"] = _told(tell, family, s)
    grades = tell.of_x(lambda x: derived.grades(x)[..., 0])
    for s in range(len(names)):
        found[f"grade {names[s]}"] = _told(tell, grades, s)
    return found


def _told(tell, family, s):
    picked = tell.pick(family, s)
    return None if picked is None else tell.tell(picked)


def true_figures(case: Scenario) -> dict[str, float]:
    derived, names, x = Derived(case.network, 2), case.network.streams, case.x
    parts = {
        "yield": derived.yields(x),
        "recovery": derived.recoveries(x)[:, 0],
        "efficiency": derived.efficiency(x, 0),
    }
    found = {f"{w} {names[s]}": float(v[s]) for w, v in parts.items() for s in case.network.sinks}
    return found | {f"grade {names[s]}": case.grades[s] for s in range(len(names))}


@dataclass(frozen=True)
class Weighed:
    """One run of a scenario, reconciled."""

    case: Scenario
    inputs: Inputs
    terms: list[Term]
    given: Given
    found: Reconciled

    def linear(self) -> dict[str, Estimate | None]:
        return figures(self.case, Propagation(self.inputs, self.terms, self.found))

    def by_draws(self, draws: int, seed: int) -> dict[str, Estimate | None]:
        drawn = draw(self.inputs, self.terms, self.given, draws, seed)
        return figures(self.case, Propagation(self.inputs, self.terms, self.found, drawn))


def weighed(case: Scenario, seed: int) -> Weighed:
    """Read one run off the truth, and balance it."""
    run = Readings(np.random.default_rng([seed, 77]))
    case.read(run, case)
    order = sorted(run.terms)
    measured = np.zeros(len(case.x), dtype=bool)
    measured[order] = True
    terms = [run.terms[k] for k in order]
    y, v = evaluate(terms, run.inputs.values), covariance(terms, run.inputs)
    given = Given(y, v, measured, case.network, ("wanted", "rest"), True)
    return Weighed(case, run.inputs, terms, given, reconcile(y, v, measured, case.network, 2, complete=True))


def linear_coverage(case: Scenario, runs: int, first: int = 0) -> dict[str, float]:
    """Figure -> how often its linear interval held the truth."""
    true, held = true_figures(case), defaultdict(float)
    for seed in range(first, first + runs):
        _count(held, weighed(case, seed).linear(), true, runs)
    return held


def coverage(case: Scenario, runs: int, first: int = 0, draws: int = LOOK) -> dict[str, dict[str, float]]:
    """Method -> figure -> how often its interval held the truth."""
    true = true_figures(case)
    held: dict[str, dict[str, float]] = {method: defaultdict(float) for method in METHODS}
    for seed in range(first, first + runs):
        one = weighed(case, seed)
        linear, drawn = one.linear(), one.by_draws(draws, seed)
        doubt = any(a is not None and b is not None and enough(a, b) for a, b in _pairs(linear, drawn))
        for method, told in zip(METHODS, (linear, drawn, drawn if doubt else linear), strict=True):
            _count(held[method], told, true, runs)
    return held


def _pairs(one, other):
    return [(one[name], other[name]) for name in one]


def _count(held, told, true, runs):
    for name, one in told.items():
        if one is not None:
            held[name] += (one.low <= true[name] <= one.high) / runs


def _report(runs: int, names: Sequence[str]) -> None:
    for name in names or SCENARIOS:
        began = perf_counter()
        held = coverage(SCENARIOS[name], runs)
        print(f"{name} ({runs} runs, {perf_counter() - began:.0f} s)")
        for method in METHODS:
            one = held[method]
            least, most = min(one, key=one.__getitem__), max(one, key=one.__getitem__)
            recovery = {k: v for k, v in one.items() if k.startswith("recovery")}
            print(
                f"  {method:7} mean {np.mean(list(one.values())):.2%}  recoveries "
                f"{min(recovery.values()):.2%} to {max(recovery.values()):.2%}  "
                f"least {one[least]:.2%} ({least})  most {one[most]:.2%} ({most})",
                flush=True,
            )


def naming(off: float, runs: int, network: str = "two passes") -> dict[str, int]:
    """How often a mass or assay that is off by so many standard deviations is named, and rightly.

    All measured, masses to 1 %, assays of two components to 1 %.
    """
    counts: dict[str, int] = defaultdict(int)
    for seed in range(runs):
        true = truth(network, 2, seed)
        random = np.random.default_rng([seed, 5])
        sd = 0.01 * true.x
        y = true.x + sd * random.standard_normal(len(sd))
        wrong = int(random.integers(len(sd)))
        y[wrong] += off * sd[wrong] * random.choice([-1.0, 1.0])
        given = Given(y, np.diag(sd**2), np.ones(len(sd), bool), true.network, true.names, True)
        tests = examine(reconcile(y, given.v, given.measured, true.network, 2, complete=True), given)
        name = figure_names(true.network, true.names)[wrong]
        counts[_verdict(tests.passed, tests.named, name)] += 1
    return dict(counts)


def _verdict(passed: bool, named: tuple[str, ...], wrong: str) -> str:
    if passed:
        return "not noticed"
    if not named:
        return "noticed, none named"
    if wrong in named:
        return "the wrong one named alone" if len(named) == 1 else "the wrong one among several"
    return "a right figure named instead"


def timed(draws: int = 100_000) -> dict[str, float]:
    """Seconds for a balance of 12 streams and 6 components over 5 passes."""
    true = truth("twelve", 6, 1)
    y, v, measured = measure(true, 1, hide=6)
    many = y + np.random.default_rng(1).standard_normal((draws, len(y))) * np.sqrt(np.diag(v))
    began = perf_counter()
    for _ in range(10):
        reconcile(y, v, measured, true.network, 6, complete=True)
    linear = (perf_counter() - began) / 10
    began = perf_counter()
    reconcile_draws(many, y, v, measured, true.network, components=6, complete=True)
    return {"linear": linear, "draws": perf_counter() - began}


if __name__ == "__main__":
    if sys.argv[1] == "naming":
        for sigmas in (0.0, 3.0, 5.0, 10.0, 20.0):
            print(f"off by {sigmas:g} u: {naming(sigmas, 300)}", flush=True)
    elif sys.argv[1] == "time":
        for word, seconds in timed().items():
            print(f"{word}: {seconds:.3f} s")
    else:
        _report(int(sys.argv[2]) if len(sys.argv) > 2 else 10_000, sys.argv[3:])
