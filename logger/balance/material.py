"""What the books know of one material, as a stream of a weigh-up.

Takes the books' own JSON (`core.books`): samples with their results, moistures, containers weighed by hand.
Whatever is left out, estimated or assumed on the way is said in the stream's note.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from math import sqrt
from typing import Any, TypeAlias

from logger.balance.document import Composition, Container, Moisture, Stream

Json: TypeAlias = Mapping[str, Any]
_OF_COMPOSITION = frozenset(Composition.model_fields)
PAN = ("pan", "pan_wet", "pan_dry")


@dataclass(slots=True)
class Material:
    """A material: how it was weighed, what was found in it, and what must be said of that.

    ``dry``: its mass is of dry solids already. ``scale``: the one its net comes from.
    """

    net_kg: float | None = None
    u_kg: float | None = None
    scale: str | None = None
    containers: tuple[Container, ...] = ()
    dry: bool = False
    moisture: Moisture | None = None
    compositions: list[Composition] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    @property
    def weighed(self) -> bool:
        return self.net_kg is not None or bool(self.containers)

    @property
    def kg(self) -> float | None:
        """Its net as weighed, wet or dry; None where it was not."""
        if not self.containers:
            return self.net_kg
        return sum(c.gross - (c.tare if isinstance(c.tare, float) else 0.0) for c in self.containers)

    def take_net(self, kg: float, u_kg: float | None, scale: str | None) -> None:
        """Its net from a scale's tally; a loss is taken for nothing, and said."""
        if kg < 0.0:
            self.notes.append(f"the scale showed {kg:g} kg, a loss; taken as 0 kg with that as uncertainty")
            kg, u_kg = 0.0, max(u_kg or 0.0, -kg)
        self.net_kg, self.u_kg, self.scale = kg, u_kg or None, scale

    def take_containers(self, weighed: Sequence[Json], what: str) -> bool:
        """Its net from containers with gross and tare. False, and said, where one of them lacks a weight."""
        lacking = [c["container"] for c in weighed if c["net_kg"] is None]
        if lacking:
            self.notes.append(f"{what}: container {', '.join(lacking)} lacks its gross or its tare; left out")
        if lacking or not weighed:
            return False
        self.containers = tuple(
            Container(container=c["container"], gross=c["gross_kg"], tare=c["tare_kg"], scale=c["scale"])
            for c in weighed
        )
        return True

    def take_samples(self, samples: Sequence[Json]) -> None:
        """What was found in its samples; all results stand beside each other."""
        for sample in samples:
            for result in sample["results"]:
                told = {k: v for k, v in result.items() if k in _OF_COMPOSITION}
                self.compositions.append(Composition.model_validate(told | {"sample": sample["sample"]}))

    def take_moistures(self, own: Sequence[Json], samples: Sequence[Json], declared: float | None) -> None:
        """Its moisture: what was said of itself, else of its samples, else what was declared of its lot."""
        if self.dry or self.moisture is not None:
            return
        of_samples = [each for sample in samples for each in sample["moistures"]]
        whole = [each for each in own if _whole(each)] or [each for each in of_samples if _whole(each)]
        waiting = [each for each in (*own, *of_samples) if not _whole(each)]
        if waiting:
            pans = ", ".join(dict.fromkeys(each["container"] for each in waiting))
            self.notes.append(f"moisture: {pans} still lacks a weight")
        if len(whole) == 1:
            self.moisture = _moisture(whole[0])
        elif whole:
            self.moisture = mean_moisture([_moisture(each) for each in whole])
            self.notes.append(f"moisture: the mean of {len(whole)} figures")
        elif declared is not None:
            self.moisture = Moisture(share=declared)
            self.notes.append("moisture: as declared when the lot was booked in, not measured here")

    def stream(self) -> Stream:
        return Stream(
            net=self.net_kg,
            u=self.u_kg,
            scale=self.scale,
            containers=self.containers,
            dry=self.dry and self.weighed,
            moisture=None if self.dry and self.weighed else self.moisture,
            compositions=tuple(self.compositions),
            note="; ".join(self.notes)[:2000],
        )


def _whole(moisture: Json) -> bool:
    """Whether all its weights are there. A pan that was tared out is said to weigh 0."""
    return "share" in moisture or None not in [moisture[f"{each}_kg"] for each in PAN]


def _moisture(said: Json) -> Moisture:
    if "share" in said:
        return Moisture(share=said["share"], basis=said["basis"], u=said["u"])
    weights = {each: said[f"{each}_kg"] for each in PAN}
    return Moisture(**weights, scale=said["scale"])


def wet_share(moisture: Moisture) -> float:
    """Water / wet mass."""
    if moisture.share is not None:
        return moisture.share if moisture.basis == "wet" else moisture.share / (1.0 + moisture.share)
    wet, dry, pan = moisture.pan_wet or 0.0, moisture.pan_dry or 0.0, moisture.pan or 0.0
    return (wet - dry) / (wet - pan)


def mean_moisture(figures: Sequence[Moisture]) -> Moisture:
    """The mean of several, on the wet basis; its uncertainty from their scatter (JCGM 100, 4.2.3).

    Never less than their own stated uncertainties give.
    """
    shares = [wet_share(each) for each in figures]
    n, mean = len(shares), sum(shares) / len(shares)
    scatter = sum((share - mean) ** 2 for share in shares) / (n * (n - 1))
    stated = sum((each.u or 0.0) ** 2 for each in figures) / n**2
    return Moisture(share=mean, basis="wet", u=sqrt(max(scatter, stated)))


def shares_of(composition: Composition) -> dict[str, float]:
    """What a composition says, as shares; of a count by pieces."""
    said: Mapping[str, float] = getattr(composition, composition.way) or {}
    if composition.way in ("assay", "expected"):
        return dict(said)
    total = float(sum(said.values()))
    return {component: value / total for component, value in said.items()}


def components_of(materials: Iterable[Material], wanted: str | None) -> tuple[tuple[str, ...], bool]:
    """All components that were looked for, the wanted one first; and whether they are everything.

    They are where every result is of all of them and sums to one: a hand sort or a count does by itself, an
    assay within 2 % or four of its uncertainties.
    """
    results = [each for material in materials for each in material.compositions]
    found = [component for each in results for component in shares_of(each)]
    names = dict.fromkeys([wanted, *found] if wanted in found else found)
    measured = [each for each in results if each.way != "expected"]
    complete = bool(measured) and all(set(shares_of(e)) == set(names) and _sums_to_one(e) for e in measured)
    return tuple(name for name in names if name is not None), complete and len(names) > 1


def _sums_to_one(composition: Composition) -> bool:
    said = shares_of(composition)
    u = composition.u or 0.0
    most_u = max(u.values(), default=0.0) if isinstance(u, Mapping) else u
    return abs(sum(said.values()) - 1.0) <= max(0.02, 4 * most_u * sqrt(len(said)))


def wide(
    components: Sequence[str], complete: bool, like: Sequence[tuple[float, Material]]
) -> Composition | None:
    """An expectation for what nobody sampled: as the ``like`` (weight, material), and hardly known.

    None where no component is looked for.
    """
    if not components:
        return None
    grades: dict[str, float] = {}
    for component in components:
        known = [
            (weight, shares[component])
            for weight, material in like
            for shares in map(shares_of, material.compositions)
            if component in shares
        ]
        total = sum(weight for weight, _ in known)
        grades[component] = (
            sum(w * share for w, share in known) / total if total > 0 else 1.0 / (len(components) + 1)
        )
    whole = sum(grades.values())
    if whole > 0 and (complete or whole > 1.0):
        grades = {component: share / whole for component, share in grades.items()}
    u = {component: min(0.5, max(0.05, 0.5 * share)) for component, share in grades.items()}
    return Composition(expected=grades, u=u)
