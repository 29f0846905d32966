"""How much of an element, or of a component, there is in a product: at least, and at most.

A lot is balanced by components ("bronze", "sand"), a grade often speaks of elements ("Cu"). What a component
consists of may be given (`Contents`); whatever is not given could be the element that is asked for, so the
figure has a lowest and a highest value, each with its own uncertainty. Both are the same where nothing is
left open.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from logger.balance.elements import ELEMENTS
from logger.balance.inputs import Array, Input
from logger.balance.joint import Function, Joint, Key
from logger.balance.selling import ROUNDING, Contents


def with_contents(joint: Joint, contents: Contents) -> Joint:
    """The joint, and the contents as further variables ("content", component, element)."""
    more: dict[Key, Input] = {}
    for component, of in contents.items():
        for element, one in of.items():
            key = ("content", component, element)
            more[key] = Input(f"{element} in {component}", one.share, one.u)
    return joint.plus(more)


@dataclass(frozen=True, slots=True)
class Range:
    """A share's lowest and highest value. ``open_``: the components whose contents leave it open."""

    low: Function
    high: Function
    open_: tuple[str, ...]
    none: bool  # nothing at all says how much there is


class Consists:
    """A stream's composition, in components and in what they consist of.

    ``names``: what the grade names. ``complete``: the lot's components are everything in it.
    """

    def __init__(
        self, stream: str, joint: Joint, contents: Contents, names: Iterable[str], complete: bool
    ) -> None:
        self._stream, self._joint, self._contents, self._complete = stream, joint, contents, complete
        self._components = joint.components(stream)
        self._names = frozenset(names)
        self._by_components = bool(self._names & set(self._components) - ELEMENTS)

    @property
    def candidates(self) -> tuple[str, ...]:
        """All that is known to be in it by name, as components or out of their contents."""
        found = [c for c in self._components if self._itself(c)]
        for component in self._components:
            if not self._itself(component):
                found += self._contents.get(component, {})
        return tuple(dict.fromkeys(found))

    def range_of(self, name: str) -> Range:
        """The share of an element or component in the stream."""
        lows = [self._grade(name)] if name in self._components else []
        open_: list[tuple[str, Function]] = []
        given = False
        for component in self._components:
            if component == name or component in ELEMENTS:
                continue
            of = self._contents.get(component, {})
            if name in of:
                given = True
                lows.append(_times(self._grade(component), self._joint.get("content", component, name)))
            if self._has_rest(component):
                open_.append((component, self._rest(component)))
        if name in self._components and not given:
            open_ = []
        elif not self._complete:
            open_.append(("what no component names", self._unnamed))
        low = _sum(lows)
        return Range(
            low,
            _sum([low, *(one for _, one in open_)]) if open_ else low,
            tuple(component for component, _ in open_),
            not lows,
        )

    def others(self) -> Range:
        """All together that the grade does not name."""
        lows: list[Function] = []
        open_: list[tuple[str, Function]] = []
        for component in self._components:
            if self._itself(component):
                lows += [] if component in self._names else [self._grade(component)]
                continue
            for element in self._contents.get(component, {}):
                if element not in self._names:
                    content = self._joint.get("content", component, element)
                    lows.append(_times(self._grade(component), content))
            if self._has_rest(component):
                open_.append((component, self._rest(component)))
        if not self._complete:
            open_.append(("what no component names", self._unnamed))
        low = _sum(lows)
        high = _sum([low, *(one for _, one in open_)])
        return Range(low, high, tuple(component for component, _ in open_), not self._components)

    def unnamed(self) -> Range | None:
        """What could be anything at all; None where everything has a name."""
        open_ = [(c, self._rest(c)) for c in self._components if not self._itself(c) and self._has_rest(c)]
        if not self._complete:
            open_.append(("what no component names", self._unnamed))
        if not open_:
            return None
        return Range(_nothing, _sum([one for _, one in open_]), tuple(c for c, _ in open_), False)

    def _itself(self, component: str) -> bool:
        """Whether it counts as what it is called, and not as a mixture of something else.

        An element; a component that the grade names; and every one without contents, where the grade speaks
        of components at all.
        """
        if component in ELEMENTS or component in self._names:
            return True
        return self._by_components and component not in self._contents

    def _has_rest(self, component: str) -> bool:
        of = self._contents.get(component, {})
        spread = 2.0 * sum(one.u**2 for one in of.values()) ** 0.5
        return bool(1.0 - sum(one.share for one in of.values()) > ROUNDING + spread)

    def _rest(self, component: str) -> Function:
        """What a component holds that its contents don't name."""
        grade = self._grade(component)
        parts = [self._joint.get("content", component, e) for e in self._contents.get(component, {})]
        return lambda x: grade(x) * (1.0 - sum(part(x) for part in parts))

    def _unnamed(self, x: Array) -> Array:
        return 1.0 - _sum([self._grade(c) for c in self._components])(x)

    def _grade(self, component: str) -> Function:
        return self._joint.get("grade", self._stream, component)


def _nothing(x: Array) -> Array:
    return 0.0 * x[..., 0]


def _times(a: Function, b: Function) -> Function:
    return lambda x: a(x) * b(x)


def _sum(parts: list[Callable[[Array], Array]]) -> Function:
    def total(x: Array) -> Array:
        found = _nothing(x)
        for part in parts:
            found = found + part(x)
        return found

    return total
