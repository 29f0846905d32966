"""What a person types, read."""

from __future__ import annotations

from logger.core.proof.values import Asked
from logger.core.units import UnitError, parse_quantity

YES, NO = ("y", "yes"), ("n", "no")


class AnswerError(ValueError):
    """An answer can't be used. The message says what is wanted."""


def read_answer(asked: Asked, text: str) -> float | bool:
    """A mass in kg, or whether yes was said. AnswerError where it is neither."""
    if asked.kind == "yes-no":
        word = text.lower()
        if word in YES + NO:
            return word in YES
        raise AnswerError(f'"{text}" is neither y nor n')
    try:
        kg = float(parse_quantity(text, "mass"))
    except UnitError as error:
        raise AnswerError(str(error)) from None
    if kg <= 0:
        raise AnswerError(f'"{text}": a mass above nothing is wanted, e.g. "5 kg"')
    return kg
