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
        raise WeighUpError(sentence(fault) for fault in faults(error)) from None
    check(document)
    return document


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
