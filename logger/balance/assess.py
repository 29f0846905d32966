"""All that a weigh-up says of selling, in one call: verdicts, worth, and whether another pass pays."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from logger.balance.another_pass import AnotherPass, PassShape, another_pass
from logger.balance.conformity import SURE, Sample
from logger.balance.document import Stream, WeighUp
from logger.balance.faults import unknown
from logger.balance.grades import Grade
from logger.balance.joint import Joint
from logger.balance.result import Result, plain
from logger.balance.verdict import Judged, judge
from logger.balance.worth import Worth, worth


@dataclass(frozen=True, slots=True)
class Assessment:
    """Verdicts by stream, the lot's worth, and other passes by the stream that would go over again."""

    verdicts: dict[str, Judged]
    worth: Worth | None
    again: dict[str, AnotherPass]
    notes: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """Plain JSON values; shares as fractions of 1, money in the currency of the prices."""
        told: dict[str, Any] = plain(self)
        return told | {"level": SURE}


def assess(document: WeighUp, result: Result, joint: Joint, grades: Mapping[str, Grade]) -> Assessment:
    """Everything that ``document`` asks about selling: its ``sales``, ``contents`` and ``prices``.

    ``joint``: of the same balance (`joint_of_balance`). Whatever names a stream, a grade or a component
    that isn't there is told in ``notes``. GradeError where contents make no sense.
    """
    notes: list[str] = []
    verdicts = {}
    for name, sale in document.sales.items():
        grade = grades.get(sale.grade)
        if name not in result.streams:
            notes.append(f"sales: {unknown('stream', name, result.streams)}")
        elif grade is None:
            notes.append(f"sales.{name}: {unknown('grade', sale.grade, grades)}")
        else:
            verdicts[name] = judge(
                sale.grade,
                grade,
                name,
                joint,
                contents=document.contents,
                answers=sale.answers,
                complete=document.complete,
                sample=sample_of(name, document.streams.get(name)),
            )
    for component in document.contents:
        if component not in document.components:
            notes.append(f"contents: {unknown('component', component, document.components)}")
    if document.prices is None:
        return Assessment(verdicts, None, {}, tuple(notes))
    payable = tuple(
        dict.fromkeys((*document.components, *(c for of in document.contents.values() for c in of)))
    )
    for name, price in document.prices.products.items():
        if price.component is not None and price.component not in payable:
            notes.append(f"prices.products.{name}: {unknown('component', price.component, payable)}")
    return Assessment(
        verdicts,
        worth(
            document.prices,
            joint,
            wanted=result.wanted,
            finals=tuple(name for name, one in result.streams.items() if one.role == "product"),
            feeds={name: one.feed for name, one in result.passes.items()},
        ),
        _again(document, result, joint, notes),
        tuple(notes),
    )


def _again(document: WeighUp, result: Result, joint: Joint, notes: list[str]) -> dict[str, AnotherPass]:
    shapes = {name: PassShape(one.feed, one.products) for name, one in result.passes.items()}
    prices, found = document.prices, {}
    for name, asked in ({} if prices is None else prices.again).items():
        if name not in result.streams:
            notes.append(f"prices.again: {unknown('stream', name, result.streams)}")
        elif prices is not None and result.wanted is not None:
            found[name] = another_pass(name, asked, prices, joint, wanted=result.wanted, passes=shapes)
        else:
            notes.append(f"prices.again.{name}: no component is known that a pass could win")
    return found


def sample_of(name: str, stream: Stream | None) -> Sample | None:
    """What a stream's grades rest on; None where nothing was measured, or in several ways."""
    measured = [] if stream is None else [one for one in stream.compositions if one.way != "expected"]
    ways = {one.way for one in measured}
    if len(ways) != 1:
        return None
    way = ways.pop()
    amount, unit, word = {
        "counted": (float(sum(sum((one.counted or {}).values()) for one in measured)), "pieces", "count"),
        "sorted": (sum(sum((one.sorted or {}).values()) for one in measured), "kg", "hand sort"),
        "assay": (float(len(measured)), "assays", "assay"),
    }[way]
    return Sample(amount, unit, (f"{word} of {name}:", f"{word} of {name} ("))
