"""A weigh-up from beginning to end: evidence -> figures -> balance -> what the person wants to know."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from itertools import product
from typing import Literal

from logger.balance.assess import assess
from logger.balance.derive import Derived
from logger.balance.document import WeighUp
from logger.balance.evidence import Assembled, assemble
from logger.balance.grades import Grade
from logger.balance.inputs import Term
from logger.balance.joint import Joint, Key, joint_of_balance
from logger.balance.montecarlo import FIRST_LOOK, draw, enough
from logger.balance.network import Node
from logger.balance.notes import notes
from logger.balance.propagate import Function, Propagation
from logger.balance.result import ComponentOf, Contribution, Estimate, How, PassOf, Result, StreamOf
from logger.balance.suspects import examine

Method = Literal["auto", "linear", "monte-carlo"]
DRAWS = 100_000


@dataclass(frozen=True, slots=True)
class Weighed:
    """A balance, and what its figures share: for whoever computes further figures of them (`Joint.tell`)."""

    result: Result
    joint: Joint


def weigh_up(
    document: WeighUp,
    *,
    grades: Mapping[str, Grade] | None = None,
    method: Method = "auto",
    draws: int = DRAWS,
    seed: int = 1,
) -> Result:
    """The balance of a weigh-up, and what it asks about selling. ``grades``: those that its sales may name.

    ``method``: "linear" propagation (JCGM 100), "monte-carlo" (JCGM 101, with ``draws`` draws), or "auto":
    linear where that is good enough, and else Monte Carlo, with the reason in `Result.why`. WeighUpError,
    with every fault, where the document makes no sense.
    """
    return weigh(document, grades=grades, method=method, draws=draws, seed=seed).result


def weigh(
    document: WeighUp,
    *,
    grades: Mapping[str, Grade] | None = None,
    method: Method = "auto",
    draws: int = DRAWS,
    seed: int = 1,
) -> Weighed:
    """As `weigh_up`, with the joint of its figures beside it."""
    weighing = _Weighing(assemble(document), grades or {})
    result = weighing.result(method, draws, seed)
    return Weighed(result, weighing.joint())


class _Weighing:
    """One balance, ready to be told."""

    def __init__(self, made: Assembled, grades: Mapping[str, Grade]) -> None:
        self._made, self._grades = made, grades
        self._document, self._net, self._evidence, self._inputs = (
            made.document,
            made.net,
            made.evidence,
            made.inputs,
        )
        self._figures, self._given, self._balanced = made.figures, made.given, made.found
        self._components = made.document.components
        self._wanted = made.document.wanted or (self._components[0] if self._components else None)
        self._derived = Derived(made.net, len(self._components))
        self._tell = Propagation(made.inputs, made.figures.terms, made.found)

    # ------------------------------------------------------------------ linear or not

    def result(self, method: Method, draws: int, seed: int) -> Result:
        """Tell everything, by the method asked for or the one that is needed."""
        count, why = 0, "linear propagation of uncertainty, as was asked for"
        if method == "auto":
            first = self._drawn(FIRST_LOOK, seed)
            reason = self._doubt(first)
            method = "linear" if reason is None else "monte-carlo"
            why = reason or "linear propagation of uncertainty; a look at draws found it good enough"
        elif method == "monte-carlo":
            why = "propagation of distributions, as was asked for"
        if method == "monte-carlo":
            self._tell = self._drawn(draws, seed)
            count, why = draws, f"{why} ({draws:,} draws)"
        return self._told(method, why, count)

    def _drawn(self, count: int, seed: int) -> Propagation:
        made = draw(self._inputs, self._figures.terms, self._given, count, seed)
        return Propagation(self._inputs, self._figures.terms, self._balanced, made)

    def _doubt(self, first: Propagation) -> str | None:
        """Why linear propagation is not good enough for a grade or a recovery; None where it is.

        Of the wanted component, and of the others too: limits of a grade are set for them.
        """
        columns = sorted(range(len(self._components)), key=lambda k: self._components[k] != self._wanted)
        for what, function in (("recovery", self._derived.recoveries), ("grade", self._derived.grades)):
            linear, drawn = self._tell.of_x(function), first.of_x(function)
            for column, (s, name) in product(columns, enumerate(self._net.streams)):
                ours = self._tell.tell(self._tell.pick(linear, s, column))
                theirs = first.tell(first.pick(drawn, s, column))
                doubt = None if ours is None or theirs is None else enough(ours, theirs)
                if doubt is not None:
                    which = self._components[column]
                    return f"propagation of distributions: {what} of {which} in {name} {doubt}"
        return None

    # ------------------------------------------------------------------ telling

    def _told(self, method: str, why: str, draws: int) -> Result:
        result = Result(
            self._document.lot,
            self._document.material,
            self._document.units,
            self._wanted,
            self._streams(),
            {node.name: self._pass(node) for node in self._net.nodes},
            examine(self._balanced, self._given),
            method,
            why,
            draws,
            tuple(notes(self._made)),
            self._budgets(),
        )
        return replace(result, sale=assess(self._document, result, self.joint(), self._grades))

    def joint(self) -> Joint:
        """The balance's variables, wet masses and moistures, with all that they share."""
        more: dict[Key, Term] = {}
        for name, known in self._evidence.items():
            if known.wet is not None:
                more["wet", name] = known.wet.term
                more["moisture", name] = known.moisture.term
        return joint_of_balance(
            self._net.streams,
            self._components,
            x=self._balanced.x,
            by_z=self._tell.by_z,
            known=self._balanced.known,
            inputs=self._inputs,
            more=more,
            draws=self._tell.draws,
        )

    def _teller(self, function: Function) -> Callable[..., Estimate | None]:
        """Tells figures of one kind by their position."""
        family = self._tell.of_x(function)

        def at(*where: int, how: How = How.CALCULATED) -> Estimate | None:
            return self._tell.tell(self._tell.pick(family, *where), how)

        return at

    def _streams(self) -> dict[str, StreamOf]:
        of = {
            name: self._teller(getattr(self._derived, name))
            for name in ("masses", "grades", "amounts", "yields", "recoveries", "enrichment")
        }
        told = {}
        for s, name in enumerate(self._net.streams):
            wet, water, measured = self._before(name)
            components = {}
            for k, c in enumerate(self._components):
                one = self._evidence[name].grades.get(c) if name in self._evidence else None
                grade = None if one is None else self._tell.tell(self._tell.of_inputs(one.term), one.how)
                how = How.SOLVED if one is None or one.how is How.ESTIMATED else one.how
                components[c] = ComponentOf(
                    grade,
                    of["grades"](s, k, how=how),
                    of["amounts"](s, k),
                    of["recoveries"](s, k),
                    of["enrichment"](s, k),
                )
            dry = of["masses"](s, how=How.SOLVED if measured is None else measured.how)
            told[name] = StreamOf(
                name, self._net.role(s), wet, water, measured, dry, of["yields"](s), components
            )
        return told

    def _before(self, name: str) -> tuple[Estimate | None, Estimate | None, Estimate | None]:
        """Wet mass, moisture and dry mass of a stream as measured, before the balance."""
        known, tell = self._evidence.get(name), self._tell
        if known is None or known.wet is None or known.dry is None:
            return None, None, None
        return (
            tell.tell(tell.of_inputs(known.wet.term), known.wet.how),
            tell.tell(tell.of_inputs(known.moisture.term), known.moisture.how),
            tell.tell(tell.of_inputs(known.dry), known.wet.how),
        )

    def _pass(self, node: Node) -> PassOf:
        streams, parts = self._net.streams, list(enumerate(self._components))
        outs = [streams[s] for s in node.outs]
        yields = self._teller(lambda x: self._derived.pass_yields(x, node))
        recoveries = self._teller(lambda x: self._derived.pass_recoveries(x, node))
        efficiency: dict[str, Estimate | None] = {}
        if self._wanted is not None:
            column = self._components.index(self._wanted)
            efficient = self._teller(lambda x: self._derived.pass_efficiency(x, node, column))
            efficiency = {name: efficient(s) for s, name in enumerate(outs)}
        return PassOf(
            node.name,
            tuple(streams[s] for s in node.ins),
            tuple(outs),
            self._closure(node, None),
            {c: self._closure(node, c) for c in self._components},
            {name: yields(s) for s, name in enumerate(outs)},
            {name: {c: recoveries(s, k) for k, c in parts} for s, name in enumerate(outs)},
            efficiency,
            {c: self._head(node.outs, c) for c in self._components},
            {c: self._head(node.ins, c) for c in self._components},
        )

    def _measured(self, s: int, component: str | None) -> Term | None:
        """The dry mass of a stream as measured, or of a component in it; None where it was not measured."""
        known = self._evidence.get(self._net.streams[s])
        if known is None or known.dry is None:
            return None
        if component is None:
            return known.dry
        one = known.grades.get(component)
        if one is None or one.how is How.ESTIMATED:
            return None
        dry, grade = known.dry, one.term
        return lambda z: dry(z) * grade(z)

    def _sum(self, streams: Iterable[int], component: str | None) -> Term | None:
        terms = [self._measured(s, component) for s in streams]
        if any(term is None for term in terms):
            return None
        return lambda z: sum(term(z) for term in terms if term is not None)  # type: ignore[return-value]

    def _ratio(self, above: Term | None, below: Term | None) -> Estimate | None:
        if above is None or below is None or float(below(self._inputs.values)) <= 0.0:
            return None
        return self._tell.tell(self._tell.of_inputs(lambda z: above(z) / below(z)))

    def _closure(self, node: Node, component: str | None) -> Estimate | None:
        return self._ratio(self._sum(node.outs, component), self._sum(node.ins, component))

    def _head(self, streams: Iterable[int], component: str) -> Estimate | None:
        """The grade of some streams together, by what was measured of them alone."""
        streams = tuple(streams)
        return self._ratio(self._sum(streams, component), self._sum(streams, None))

    def _budgets(self) -> dict[str, tuple[Contribution, ...]]:
        """What makes the recoveries of the wanted component in the final products uncertain."""
        if self._wanted is None:
            return {}
        found = {}
        family = self._tell.of_x(self._derived.recoveries)
        for s in self._net.sinks:
            figure = self._tell.pick(family, s, self._components.index(self._wanted))
            if figure is not None and (budget := self._tell.budget(figure)):
                found[f"recovery of {self._wanted} in {self._net.streams[s]}"] = budget
        return found
