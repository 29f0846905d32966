"""What all samples have in common: their place, their words, and what they say of a stream."""

from __future__ import annotations

from dataclasses import dataclass

from logger.balance.document import Composition, Stream, WeighUp
from logger.balance.inputs import Inputs, Term
from logger.balance.moisture import moisture
from logger.balance.result import How
from logger.balance.words import listed


@dataclass(frozen=True, slots=True)
class Said:
    """One sample: its shares as terms, and what each would have as variance at given shares."""

    label: str
    how: How
    shares: dict[str, Term]
    values: dict[str, float]
    variances: dict[str, float]  # at its own values
    each: float | None  # effective mass of a lump / mass of the sample; None where it isn't made of lumps
    notes: tuple[str, ...]

    def variance(self, component: str, share: float) -> float:
        """Variance of the component's share if ``share`` is what it is."""
        if self.each is None:
            return self.variances[component]
        return share * (1.0 - share) * self.each


@dataclass(frozen=True, slots=True)
class Where:
    """The place of a composition: which stream, which in order, and the way to say so."""

    name: str
    k: int
    stream: Stream
    document: WeighUp

    @property
    def place(self) -> str:
        return f"streams.{self.name}.compositions.{self.k}"

    def label(self, one: Composition) -> str:
        words = {"assay": "assay", "sorted": "hand sort", "counted": "count", "expected": "expectation"}
        number = f"sample {one.sample}" if one.sample else ""
        twice = [k for k, each in enumerate(self.stream.compositions) if each.way == one.way]
        which = f"no. {twice.index(self.k) + 1}" if len(twice) > 1 else ""
        inside = ", ".join(each for each in (number, which) if each)
        return f"{words[one.way]} of {self.name}" + (f" ({inside})" if inside else "")


def water_share(where: Where) -> float:
    """The stream's moisture as a plain number, without entering an input."""
    aside = Inputs()
    term = moisture(where.name, where.stream, where.document, aside).term
    return float(term(aside.values))


def unused(one: Composition, fields: tuple[str, ...], where: Where) -> list[str]:
    """What was given and says nothing here."""
    given = [each for each in fields if each in one.model_fields_set and getattr(one, each) is not None]
    given = [each for each in given if each != "basis" or one.basis != "dry"]
    if not given:
        return []
    what = {"counted": "a count", "sorted": "a hand sort", "assay": "an assay", "expected": "an expectation"}
    quoted = listed([f'"{each}"' for each in given])
    return [f"{where.label(one)}: {quoted} says nothing of {what[one.way]}; left aside"]
