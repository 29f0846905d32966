"""What a balance assumed, what is missing from it, and what that does: in sentences."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from logger.balance.checks import latest, scale_warnings
from logger.balance.document import WeighUp
from logger.balance.evidence import Assembled, Evidence
from logger.balance.result import How
from logger.balance.words import listed, mass, percent

_HERE = "\0"


def notes(made: Assembled) -> list[str]:
    """Every note once, those that were typed first; what is so of several streams is one note."""
    typed = [f"{name}: {one.note}" for name, one in made.document.streams.items() if one.note]
    checked = list(_checked(made.document))
    of_evidence = ((name, note) for name, known in made.evidence.items() for note in _of(known))
    return list(
        dict.fromkeys([*typed, *checked, *merged(of_evidence), *merged(_missing(made)), *_impossible(made)])
    )


def _checked(document: WeighUp) -> Iterator[str]:
    """Scales whose last check failed, was old when it was weighed, or that drift; one not checked is told of
    by its calibration."""
    for name, scale in document.scales.items():
        last = latest(scale)
        if last is None:
            continue
        at = document.at if document.at is None or last.at is None else max(document.at, last.at)
        yield from (f'scale "{name}": {each}' for each in scale_warnings(scale, at, unit=document.units))


def merged(said: Iterable[tuple[str, str]]) -> list[str]:
    """Notes with the stream each was made for; those that differ in its name alone become one."""
    found: dict[str, list[str]] = {}
    for name, note in said:
        found.setdefault(re.sub(rf"(?<!\w){re.escape(name)}(?!\w)", _HERE, note, count=1), []).append(name)
    return [note.replace(_HERE, listed(list(dict.fromkeys(names)))) for note, names in found.items()]


def _of(known: Evidence) -> Iterator[str]:
    for each in (known.wet, known.moisture, *known.grades.values()):
        if each is not None:
            yield from each.notes


def _missing(made: Assembled) -> Iterator[tuple[str, str]]:
    """Of each stream: what was not measured, and what was taken from expectations instead."""
    components, known, count = made.document.components, made.found.known, len(made.document.components)
    for s, name in enumerate(made.net.streams):
        if not known[s]:
            yield name, f"the mass of {name} was not measured and does not follow from the rest"
    for s, name in enumerate(made.net.streams):
        at = {c: made.net.column(s, k, count) for k, c in enumerate(components)}
        missing = [c for c in components if not known[at[c]]]
        if missing:
            yield (
                name,
                f"{', '.join(missing)} in {name}: not measured, and it does not follow from the rest",
            )
        used = [
            c
            for c in components
            if made.figures.measured[at[c]] and made.evidence[name].grades[c].how is How.ESTIMATED
        ]
        if used:
            yield (
                name,
                f"{', '.join(used)} in {name}: as expected, not measured; what rests on it is estimated",
            )


def _impossible(made: Assembled) -> Iterator[str]:
    components, streams = made.document.components, made.net.streams
    for k in made.found.impossible:
        value = float(made.found.x[k])
        if k < len(streams):
            what = f"the mass of {streams[k]} comes out as {mass(value, made.document.units)}"
        else:
            s, c = divmod(k - len(streams), len(components))
            what = f"{components[c]} in {streams[s]} comes out as {percent(value)}"
        yield f"{what}, which can't be: a figure it follows from is wrong"
