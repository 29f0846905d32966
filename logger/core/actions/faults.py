"""What is wrong with an action, said so that the person who typed it can put it right.

Command line, API, replay and broker all say it with these words.
"""

from __future__ import annotations

import difflib
import json
import re
from collections.abc import Mapping, Sequence
from types import UnionType
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError

from logger.core.actions import MODELS, LotContainer

_AS_SAID = "change it as the message says"
_SHOWN = 60  # characters of a value that a message repeats
_WITH_OFFSET = 'a time with its offset, like "2030-05-04T14:05:00+02:00" or "…Z"'
# A union's branch is a step of pydantic's path, but no field that a person could find.
_BRANCH = re.compile(r"(constrained-)?(int|float|str)|(literal|function-[a-z]+|dict)\[.*\]")
_FREE = frozenset({"values", "change"})  # fields whose keys are the person's own


def known_actions() -> list[str]:
    """The names of all actions, in the schema's order."""
    return list(MODELS)


def faults(error: ValidationError, within: type[BaseModel] | None = None) -> list[dict[str, str]]:
    """Every fault at once: ``place``, ``found``, ``allowed``, ``message`` (all in a sentence), ``remedy``.

    ``allowed`` is empty where the message itself says it. A value that fits no branch of "a mass or a
    word" is one fault, not one a branch. ``within``: what was read, where it is no action, so that a message
    can name the fields there are.
    """
    told: dict[str, dict[str, str]] = {}
    for raw in error.errors(include_url=False):
        fault = _fault(raw, within)
        known = told.setdefault(fault["place"], fault)
        if known is not fault and fault["allowed"] not in known["allowed"]:
            both = " or ".join(filter(None, (known["allowed"], fault["allowed"])))
            known["allowed"] = both
            if known["message"].startswith("found "):
                known["message"] = f"found {known['found']}; allowed: {both}"
    return list(told.values())


def sentence(fault: Mapping[str, str]) -> str:
    """One fault on one line: ``gross: found -1; allowed: at least 0``; no remedy that only repeats it."""
    told = f"{fault['place']}: {fault['message']}"
    repeats = fault["allowed"] and fault["remedy"].endswith(fault["allowed"])
    return told if repeats or fault["remedy"] == _AS_SAID else f"{told}; {fault['remedy']}"


def _fault(raw: Mapping[str, Any], within: type[BaseModel] | None) -> dict[str, str]:
    kind, loc = raw["type"], _fields_of(raw["loc"])
    context = raw.get("ctx", {})
    field = str(loc[-1]) if loc else "it"
    allowed, remedy = _allowed(kind, context, field, raw["input"])
    found = _found(kind, context, raw["input"])
    if kind == "missing":
        about = _about(raw["loc"], within)
        message = f'"{field}" is missing' + (f": {about}" if about else "")
    elif kind == "extra_forbidden":
        names = _names_at(raw["loc"], within)
        near = difflib.get_close_matches(field.lower(), names, n=1, cutoff=0.7)
        allowed = ", ".join(names)
        message = f'there is no "{field}" here' + (f"; allowed: {allowed}" if names else "")
        remedy = f'did you mean "{near[0]}"?' if near else remedy
    elif _own_words(kind):
        message = str(raw["msg"]).removeprefix("Value error, ")
    else:
        message = f"found {found}; allowed: {allowed}" if allowed else str(raw["msg"])
    place = ".".join(str(step) for step in loc) or "action"
    return {"place": place, "found": found, "allowed": allowed, "message": message, "remedy": remedy}


def _own_words(kind: str) -> bool:
    """Whether the message was written here, in a validator, and says all there is to say."""
    return kind == "value_error"


def _fields_of(loc: Sequence[int | str]) -> tuple[int | str, ...]:
    """The path that a person sees: without the action's name, which is no field, and without branches."""
    rest = tuple(loc[1:] if loc and loc[0] in MODELS else loc)
    if not _FREE.intersection(map(str, rest)):
        rest = tuple(step for step in rest if isinstance(step, int) or not _BRANCH.fullmatch(step))
    return rest


def _model_at(loc: Sequence[int | str], within: type[BaseModel] | None) -> type[BaseModel] | None:
    """The model whose field the last step names."""
    if within is not None:
        return _model_along(within, loc[:-1])
    if not loc or loc[0] not in MODELS:
        return None
    return LotContainer if len(loc) > 2 and loc[1] == "containers" else MODELS[str(loc[0])]


def _model_along(model: type[BaseModel], steps: Sequence[int | str]) -> type[BaseModel] | None:
    """The model that a path through fields, names and positions leads to; None where it leads to none."""
    at: Any = model
    for step in steps:
        if isinstance(at, type) and issubclass(at, BaseModel):
            field = at.model_fields.get(str(step))
            at = None if field is None else field.annotation
        else:
            inner = [each for each in get_args(at) if each is not Ellipsis]  # of a mapping: its values
            at = inner[-1] if inner else None
        while get_origin(at) in (Annotated, Union, UnionType):
            inner = [each for each in get_args(at) if each is not type(None)]
            at = inner[0] if inner else None
    return at if isinstance(at, type) and issubclass(at, BaseModel) else None


def _about(loc: Sequence[int | str], within: type[BaseModel] | None) -> str:
    model = _model_at(loc, within)
    field = None if model is None else model.model_fields.get(str(loc[-1]))
    return "" if field is None or field.description is None else field.description


def _names_at(loc: Sequence[int | str], within: type[BaseModel] | None) -> list[str]:
    model = _model_at(loc, within)
    return [] if model is None else [name for name in model.model_fields if name != "action"]


def _found(kind: str, context: Mapping[str, Any], given: object) -> str:
    if kind in {"missing", "union_tag_not_found"}:
        return "nothing"
    return show(context["tag"] if kind == "union_tag_invalid" else given)


def show(value: object) -> str:
    """A value as a message repeats it: short, printable, on one line."""
    if isinstance(value, Mapping):
        return "an object"
    if isinstance(value, list | tuple):
        return "a list"
    try:
        text = json.dumps(value, ensure_ascii=False)
    except (TypeError, ValueError):
        text = str(value)
    text = "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in text)
    return text if len(text) <= _SHOWN else text[: _SHOWN - 1] + "…"


def _allowed(kind: str, context: Mapping[str, Any], field: str, given: object) -> tuple[str, str]:
    """What is allowed, and the remedy."""
    if kind in {"union_tag_invalid", "union_tag_not_found"}:
        names = ", ".join(known_actions())
        return f"one of {names}", f'set "action" to one of {names}'
    if kind.startswith(("datetime", "timezone")):
        return _WITH_OFFSET, f"give {_WITH_OFFSET}"
    if kind.startswith("float"):
        return "a number, or a quantity with its unit", 'give it like "412.5 kg" or "6 %"'
    if kind in _LIMITS and isinstance(given, str) and given.rstrip().endswith("%"):
        word, limit = _LIMITS[kind]
        told = f"{word} {100 * context[limit]:g} %"
        return told, f"give {told}"
    allowed, remedy = _KINDS.get(kind, ("", _AS_SAID))
    return allowed.format(field=field, **context), remedy.format(field=field, **context)


_LIMITS = {"less_than_equal": ("at most", "le"), "greater_than_equal": ("at least", "ge")}
_AN_OBJECT = ("an object", "give an object with its fields")
_A_LIST = ("a list", "give a list")
_WHOLE = ("a whole number", "give a whole number")
_TRUTH = ("true or false", "give true or false")
_KINDS = {
    "missing": ("", 'give "{field}"'),
    "extra_forbidden": ("", 'take "{field}" out, or check how it is spelt'),
    "string_type": ("text", "give text in quotation marks"),
    "string_too_long": ("at most {max_length} characters", "make it shorter"),
    "string_too_short": ("at least one character", "give at least one character"),
    "string_pattern_mismatch": ("printable characters on one line", "use printable characters only"),
    "less_than_equal": ("at most {le:g}", "give at most {le:g}"),
    "greater_than_equal": ("at least {ge:g}", "give at least {ge:g}"),
    "greater_than": ("more than {gt:g}", "give more than {gt:g}"),
    "finite_number": ("a finite number", "give a finite number"),
    "literal_error": ("{expected}", "use one of {expected}"),
    "too_long": ("at most {max_length} of them", "give fewer"),
    "too_short": ("at least {min_length} of them", "give at least one"),
    "model_type": _AN_OBJECT,
    "model_attributes_type": _AN_OBJECT,
    "dict_type": _AN_OBJECT,
    "list_type": _A_LIST,
    "tuple_type": _A_LIST,
    "bool_type": _TRUTH,
    "bool_parsing": _TRUTH,
    "int_type": _WHOLE,
    "int_parsing": _WHOLE,
    "int_from_float": _WHOLE,
}
"""Kind of fault -> what is allowed, and the remedy."""
