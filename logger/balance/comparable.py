"""The figures of a balance that runs are compared by, and how each follows from masses and grades."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TypeAlias

import numpy as np

from logger.balance.inputs import Array
from logger.balance.joint import Function, Joint, Key
from logger.balance.result import Estimate, Result

Made: TypeAlias = Callable[[Joint], Function | None]


def figures(result: Result) -> Iterator[tuple[str, Estimate]]:
    """Every figure of a result that can be compared, by name."""
    for name, stream in result.streams.items():
        told = [("yield", stream.share)] if stream.role != "feed" else []
        for component, of in stream.components.items():
            told.append((f"grade of {component}", of.grade))
            if stream.role != "feed":
                told.append((f"recovery of {component}", of.recovery))
        yield from ((f"{what} in {name}", one) for what, one in told if one is not None)
    for name, each in result.passes.items():
        closures, at = {"mass": each.closure, **each.closures}, _in_pass(name, result)
        yield from ((f"closure of {what}{at}", one) for what, one in closures.items() if one is not None)
        yield from (
            (f"efficiency of {product}{at}", one)
            for product, one in each.efficiency.items()
            if one is not None
        )


def _in_pass(name: str, result: Result) -> str:
    """Where it is one of several; the only pass of one run is what the only pass of another is."""
    return f" in pass {name}" if len(result.passes) > 1 else ""


def functions(result: Result) -> dict[str, Made]:
    """How each figure follows from the balance's masses and grades; closures don't (they are measured)."""
    roles = {name: stream.role for name, stream in result.streams.items()}
    feeds = tuple(name for name, role in roles.items() if role == "feed")
    finals = tuple(name for name, role in roles.items() if role == "product")
    found: dict[str, Made] = {}
    for name, stream in result.streams.items():
        found[f"yield in {name}"] = _part((name,), feeds, None)
        whole = finals if stream.role == "product" else feeds
        for component in stream.components:
            found[f"recovery of {component} in {name}"] = _part((name,), whole, component)
            found[f"grade of {component} in {name}"] = _grade(name, component)
    if result.wanted is not None:
        for name, each in result.passes.items():
            for product in each.efficiency:
                at = _in_pass(name, result)
                found[f"efficiency of {product}{at}"] = _efficiency(product, each.feed, result.wanted)
    return found


def _grade(stream: str, component: str) -> Made:
    return lambda joint: (
        joint.get("grade", stream, component) if joint.has("grade", stream, component) else None
    )


def _held(streams: tuple[str, ...], component: str | None, joint: Joint) -> Function | None:
    """Mass of some streams, or of a component in them."""
    keys: list[Key] = [("mass", s) for s in streams]
    keys += [("grade", s, component) for s in streams if component is not None]
    if not all(key in joint.keys for key in keys):
        return None
    masses = [joint.get("mass", s) for s in streams]
    grades = [joint.get("grade", s, component) for s in streams] if component is not None else None

    def total(x: Array) -> Array:
        parts = (
            [m(x) for m in masses]
            if grades is None
            else [m(x) * g(x) for m, g in zip(masses, grades, strict=True)]
        )
        return np.asarray(sum(parts))

    return total


def _part(some: tuple[str, ...], whole: tuple[str, ...], component: str | None) -> Made:
    def made(joint: Joint) -> Function | None:
        upper, lower = _held(some, component, joint), _held(whole, component, joint)
        return None if upper is None or lower is None else lambda x: upper(x) / lower(x)

    return made


def _efficiency(product: str, feed: tuple[str, ...], wanted: str) -> Made:
    """Schulz: recovery of the wanted component - recovery of all else."""

    def made(joint: Joint) -> Function | None:
        held, fed = _held((product,), wanted, joint), _held(feed, wanted, joint)
        mass, feed_mass = _held((product,), None, joint), _held(feed, None, joint)
        if held is None or fed is None or mass is None or feed_mass is None:
            return None
        return lambda x: held(x) / fed(x) - (mass(x) - held(x)) / (feed_mass(x) - fed(x))

    return made
