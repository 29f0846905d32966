"""The verdict on a product: does it meet the grade it is sold as, limit by limit and as a whole?

Each limit is judged by itself at 95 % (`conformity`). A figure that was not measured, or that is only an
estimate, gives *can't tell*, with what is missing. Where the sample is what leaves it open, the verdict says
how much more of it would settle the matter.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from logger.balance.asked import Asked, Kind, limit_words, listed, open_missing, range_words, sentence
from logger.balance.conformity import (
    SURE,
    Sample,
    Settled,
    Verdict,
    at_least,
    at_most,
    settle,
    verdict,
    worst,
)
from logger.balance.consists import Consists, Range, with_contents
from logger.balance.elements import ELEMENTS
from logger.balance.grades import CONTRACT, Grade, GradeError
from logger.balance.inputs import Array
from logger.balance.joint import Function, Joint, Told
from logger.balance.result import Estimate, plain
from logger.balance.selling import Contents, contents_faults

BAND = (
    "Each limit is judged by itself, at 95 % probability (guard band by JCGM 106); brackets give the 95 % "
    "interval."
)


@dataclass(frozen=True, slots=True)
class LimitJudged:
    """One limit of a grade. ``value`` to ``highest``: the same figure, unless contents leave it open."""

    of: str  # what is limited: "Cu", "moisture", "all others together", or the name of a condition
    kind: Kind
    limit: float | None  # a share; None of a condition
    value: Estimate | None
    highest: Estimate | None
    chance: float | None  # the probability that the limit is kept, at the end that matters
    verdict: Verdict
    missing: tuple[str, ...]  # what is not known and would have to be
    settled: Settled | None
    says: str


@dataclass(frozen=True, slots=True)
class Judged:
    """The verdict on one product."""

    stream: str
    grade: str
    source: str
    verdict: Verdict
    limits: tuple[LimitJudged, ...]
    missing: tuple[str, ...]
    notes: tuple[str, ...]
    says: str

    def to_json(self) -> dict[str, Any]:
        """Plain JSON values; shares as fractions of 1."""
        told: dict[str, Any] = plain(self)
        return told | {"level": SURE}


def judge(
    name: str,
    grade: Grade,
    stream: str,
    joint: Joint,
    *,
    contents: Contents | None = None,
    answers: Mapping[str, bool] | None = None,
    complete: bool = True,
    sample: Sample | None = None,
) -> Judged:
    """Judge ``stream`` against the grade called ``name``.

    ``contents``: what components consist of. ``answers`` to the grade's conditions. ``complete``: the lot's
    components are everything. ``sample``: what the stream's grades rest on, for how much more would settle
    it. GradeError where the contents make no sense.
    """
    wrong = contents_faults(contents or {})
    if wrong:
        raise GradeError(tuple(wrong))
    judging = _Judging(
        grade,
        stream,
        with_contents(joint, contents or {}),
        contents=contents or {},
        complete=complete,
        sample=sample,
    )
    limits = (*judging.limits(), *_conditions(grade, answers or {}))
    whole = worst([one.verdict for one in limits])
    missing = tuple(dict.fromkeys(m for one in limits for m in one.missing))
    notes = [CONTRACT, BAND, f"The limits of {name}: {grade.source} ({grade.seen})."]
    unasked = sorted(set(answers or {}) - set(grade.conditions))
    if unasked:
        notes.append(f"{name} does not ask for {', '.join(unasked)}; the answer was not used.")
    says = _whole(name, stream, whole, limits)
    return Judged(stream, name, grade.source, whole, limits, missing, tuple(notes), says)


def _whole(name: str, stream: str, whole: Verdict, limits: tuple[LimitJudged, ...]) -> str:
    if whole is Verdict.MEETS:
        return f"{stream} meets {name}: every limit is kept with at least 95 % probability."
    those = [one.of for one in limits if one.verdict is whole]
    if whole is Verdict.FAILS:
        return f"{stream} fails {name} by {listed(those)}."
    return f"Whether {stream} meets {name} can't be told because of {listed(those)}."


def _conditions(grade: Grade, answers: Mapping[str, bool]) -> Iterator[LimitJudged]:
    for name, question in grade.conditions.items():
        answer = answers.get(name)
        missing: tuple[str, ...] = ()
        if answer is None:
            found, says = Verdict.OPEN, f"{name}: nobody has answered: {question}"
            missing = (f"an answer (yes or no) to: {question}",)
        else:
            found = Verdict.MEETS if answer else Verdict.FAILS
            says = f"{name}: {'yes' if answer else 'no'}, to the question: {question}"
        yield LimitJudged(name, "condition", None, None, None, None, found, missing, None, says)


class _Judging:
    """One stream against one grade."""

    def __init__(
        self,
        grade: Grade,
        stream: str,
        joint: Joint,
        *,
        contents: Contents,
        complete: bool,
        sample: Sample | None,
    ) -> None:
        self._grade, self._stream, self._joint, self._sample = grade, stream, joint, sample
        self._consists = Consists(stream, joint, contents, grade.named, complete)

    def limits(self) -> list[LimitJudged]:
        return [self._judged(one) for one in (*self._asked(), *self._asked_of_others())] + [*self._moisture()]

    def _asked(self) -> Iterator[Asked]:
        for limits, minimum in ((self._grade.minimum, True), (self._grade.maximum, False)):
            for name, limit in limits.items():
                found = self._consists.range_of(name)
                yield Asked(
                    name,
                    "minimum" if minimum else "maximum",
                    limit,
                    minimum,
                    found,
                    f"how much {name} there is in {self._stream} (an assay, or its components' contents)",
                )

    def _asked_of_others(self) -> Iterator[Asked]:
        """Every other one by itself, and all together."""
        lacks = f"what else there is in {self._stream}"
        if self._grade.each_other is not None:
            limit = self._grade.each_other
            for name in self._consists.candidates:
                if name not in self._grade.named:
                    found = self._consists.range_of(name)
                    yield Asked(name, "each other", limit, False, found, lacks)
            rest = self._consists.unnamed()
            if rest is not None:
                yield Asked("whatever has no name", "each other", limit, False, rest, lacks)
        if self._grade.others is not None:
            found = self._consists.others()
            yield Asked("all others together", "others", self._grade.others, False, found, lacks)

    def _moisture(self) -> Iterator[LimitJudged]:
        if self._grade.moisture is None:
            return
        lacks = f"the moisture of {self._stream}"
        if not self._joint.has("moisture", self._stream):
            yield self._lacking(Asked("moisture", "moisture", self._grade.moisture, False, _NONE, lacks))
            return
        get = self._joint.get("moisture", self._stream)
        asked = Asked("moisture", "moisture", self._grade.moisture, False, Range(get, get, (), False), lacks)
        yield self._judged(asked, wet=True)

    def _judged(self, asked: Asked, wet: bool = False) -> LimitJudged:
        if asked.range_.none and asked.of not in ELEMENTS:
            return self._lacking(asked)  # a component that was not looked for is not known to be absent
        low = self._joint.tell(self._on_basis(asked.range_.low, wet))
        high = low if not asked.range_.open_ else self._joint.tell(self._on_basis(asked.range_.high, wet))
        if low is None or high is None:
            return self._lacking(asked)
        chance = at_least if asked.minimum else at_most
        ends = [chance(one.value, one.u, one.judged_at(asked.limit), one.drawn) for one in (low, high)]
        at_ends = [verdict(end) for end in ends]
        found = at_ends[0] if at_ends[0] is at_ends[1] else Verdict.OPEN
        if low.estimated or high.estimated:
            return self._by_estimate(asked, low, high, found)
        if found is Verdict.OPEN and asked.range_.none:
            return self._lacking(asked)
        missing = () if at_ends[0] is at_ends[1] else open_missing(asked)
        settled = self._settled(asked, low) if found is Verdict.OPEN and not missing else None
        shown = (low.estimate(share=True), high.estimate(share=True))
        told = max(ends) if found is Verdict.FAILS else min(ends)
        says = sentence(asked, *shown, None if missing else told, found)
        if missing:
            says += f" What is missing: {listed(missing)}."
        if settled is not None:
            says += f" {settled.says[0].upper()}{settled.says[1:]}."
        return LimitJudged(asked.of, asked.kind, asked.limit, *shown, told, found, missing, settled, says)

    def _on_basis(self, figure: Function, wet: bool) -> Function:
        if wet or self._grade.basis == "dry":
            return figure
        if not self._joint.has("moisture", self._stream):
            return _unknown
        moisture = self._joint.get("moisture", self._stream)
        return lambda x: figure(x) * (1.0 - moisture(x))

    def _settled(self, asked: Asked, told: Told) -> Settled | None:
        if self._sample is None or asked.kind == "moisture":
            return None
        part = _part_of(told, self._joint, self._sample)
        return settle(
            told.value, told.u, min(part, told.u), asked.limit, minimum=asked.minimum, sample=self._sample
        )

    def _by_estimate(self, asked: Asked, low: Told, high: Told, would: Verdict) -> LimitJudged:
        shown = (low.estimate(share=True), high.estimate(share=True))
        lacks = f"a measurement of {asked.of} in {self._stream}"
        words = {
            Verdict.MEETS: "it would meet",
            Verdict.FAILS: "it would fail",
            Verdict.OPEN: "even so it is open",
        }
        says = (
            f"{range_words(asked, *shown)} is an estimate, not a measurement, so it can't be told whether "
            f"{limit_words(asked)}; going by the estimate, {words[would]}."
        )
        return LimitJudged(
            asked.of, asked.kind, asked.limit, *shown, None, Verdict.OPEN, (lacks,), None, says
        )

    def _lacking(self, asked: Asked) -> LimitJudged:
        lacks = asked.lacks
        if self._grade.basis == "wet" and not self._joint.has("moisture", self._stream):
            lacks = f"the moisture of {self._stream}, since the grade is of the wet mass"
        says = f"Whether {limit_words(asked)} can't be told. What is missing: {lacks}."
        return LimitJudged(
            asked.of, asked.kind, asked.limit, None, None, None, Verdict.OPEN, (lacks,), None, says
        )


def _unknown(x: Array) -> Array:
    return np.nan * x[..., 0]


_NONE = Range(_unknown, _unknown, (), True)


def _part_of(told: Told, joint: Joint, sample: Sample) -> float:
    """The part of u that comes from the sample; all of it, where the sample names no sources."""
    if not sample.sources:
        return told.u
    mine = np.array([one.name.startswith(sample.sources) for one in joint.sources], dtype=bool)
    whole = float(np.linalg.norm(told.spread))
    return told.u * float(np.linalg.norm(told.spread[mine])) / whole if whole > 0.0 else 0.0
