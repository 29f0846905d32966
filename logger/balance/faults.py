"""What is wrong with a weigh-up, all at once, each with its place and what to do."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from pydantic import ValidationError

from logger.balance.document import Composition, WeighUp
from logger.balance.selling import contents_faults
from logger.core.actions.faults import faults, sentence


class WeighUpError(ValueError):
    """A weigh-up that can't be used. ``faults``: one sentence each, with its place."""

    def __init__(self, found: Iterable[str]) -> None:
        self.faults = tuple(found)
        super().__init__("\n".join(self.faults))


def read(data: Mapping[str, Any]) -> WeighUp:
    """A weigh-up from what a TOML or JSON file holds. WeighUpError with every fault at once."""
    try:
        document = WeighUp.model_validate(dict(data))
    except ValidationError as error:
        raise WeighUpError(told(error)) from None
    check(document)
    return document


def told(error: ValidationError) -> list[str]:
    """Every fault of a document that was not understood, in a sentence with its place."""
    typed = {".".join(map(str, raw["loc"])): raw for raw in error.errors(include_url=False)}
    return [
        sentence(fault) + _hint(fault["place"], typed.get(fault["place"])) for fault in faults(error, WeighUp)
    ]


def _hint(place: str, raw: Mapping[str, Any] | None) -> str:
    """What was probably meant, where a number alone tells."""
    if raw is None or isinstance(raw["input"], bool) or not isinstance(raw["input"], int | float):
        return ""
    given, limit = raw["input"], raw.get("ctx", {})
    if limit.get("le") == 1 and 1 < given <= 100 and not place.endswith(".size"):
        return f'; a percentage is written "{given:g} %"'
    if limit.get("ge") == 0 and place.endswith(".net"):
        return "; a net below zero: were gross and tare swapped, or was the wrong tare taken off?"
    return ""


_WEIGHED = ("net", "gross", "tare", "pan", "pan_wet", "pan_dry", "mass")
_OF_SCALES = (
    "resolution",
    "verification_interval",
    "repeatability",
    "tolerance",
    "nominal",
    "shown",
    "u_nominal",
)
MASSES = frozenset((*_WEIGHED, *_OF_SCALES))
"""Fields of a document that hold a mass."""


def bare_masses(data: Mapping[str, Any]) -> list[str]:
    """Masses without a unit in what a person who works in pounds has typed: they would be read as kg."""
    if data.get("units") != "lb":
        return []
    return [
        f'{place}: {value:g} has no unit, and a number alone is kg; write "{value:g} lb" (or "{value:g} kg")'
        for place, name, value in _numbers(data)
        if value != 0 and (name in MASSES or ".sorted." in place or _u_of_a_mass(place))
    ]


def _numbers(data: Any, place: str = "") -> Iterator[tuple[str, str, float]]:
    steps = data.items() if isinstance(data, Mapping) else enumerate(data)
    for name, value in steps:
        at = f"{place}.{name}" if place else f"{name}"
        if isinstance(value, Mapping | list):
            yield from _numbers(value, at)
        elif isinstance(value, int | float) and not isinstance(value, bool):
            yield at, f"{name}", value


def _u_of_a_mass(place: str) -> bool:
    """Of a stream's net, or of a tare."""
    steps = place.split(".")
    return steps[-1] == "u" and len(steps) == 3 and steps[0] in ("streams", "tares")


def check(document: WeighUp) -> None:
    """WeighUpError where parts that are sound by themselves do not fit together."""
    found = [*_names(document), *_components(document), *contents_faults(document.contents)]
    if found:
        raise WeighUpError(found)


def _names(document: WeighUp) -> Iterator[str]:
    """Scales and kinds of container that nothing is known of."""
    for name, stream in document.streams.items():
        place = f"streams.{name}"
        scales = [("scale", stream.scale)]
        scales += [(f"containers.{k}.scale", each.scale) for k, each in enumerate(stream.containers)]
        scales += [(f"compositions.{k}.scale", each.scale) for k, each in enumerate(stream.compositions)]
        if stream.moisture is not None:
            scales.append(("moisture.scale", stream.moisture.scale))
        for at, scale in scales:
            if scale is not None and scale not in document.scales:
                yield f"{place}.{at}: {unknown('scale', scale, document.scales)}"
        for k, each in enumerate(stream.containers):
            if isinstance(each.tare, str) and each.tare not in document.tares:
                words = unknown("kind of container", each.tare, document.tares)
                yield f'{place}.containers.{k}.tare: {words}; or give a mass, such as "1.2 kg"'


def _components(document: WeighUp) -> Iterator[str]:
    names = document.components
    if len(set(names)) < len(names):
        yield "components: the same component twice; name each once"
    if document.wanted is not None and document.wanted not in names:
        yield f"wanted: {unknown('component', document.wanted, names)}"
    if document.complete and len(names) == 1:
        yield (
            f'components: "{names[0]}" alone would be 100 % of everything; name the rest too, or say '
            '"complete = false": there is more than what is named'
        )
    for name, stream in document.streams.items():
        for k, each in enumerate(stream.compositions):
            for said in sorted(_said(each)):
                if said not in names:
                    yield f"streams.{name}.compositions.{k}: {unknown('component', said, names)}"


def _said(composition: Composition) -> set[str]:
    said = set(getattr(composition, composition.way))
    for beside in (composition.u, composition.density):
        if isinstance(beside, Mapping):
            said |= set(beside)
    return said


def unknown(what: str, name: str, known: Iterable[str]) -> str:
    """That there is no such thing, what there is, and what may have been meant."""
    known = list(known)
    near = difflib.get_close_matches(name, known, n=1, cutoff=0.6)
    hint = f'; did you mean "{near[0]}"?' if near else ""
    return f'there is no {what} "{name}"; there is {", ".join(known) or "none"}{hint}'
