"""A record judged with other settings: which alarms would have come, and when."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from logger.core.description import Bay
from logger.core.entries import Finding
from logger.explain.record import Past
from logger.explain.spells import Spell, spells
from logger.replay import from_journal
from logger.settings.places import locate

NEAR_NS = 60 * 10**9  # spells of one alarm that begin no further apart are taken for the same; common sense


@dataclass(frozen=True, slots=True)
class Pair:
    """One alarm's spell as judged with the settings as they are, and with the change; None: it did not come.

    Both are judged by the program as it is today, so a difference comes from the settings alone.
    """

    as_is: Spell | None
    changed: Spell | None

    @property
    def moved_s(self) -> float | None:
        """Seconds by which the change makes it come later (below 0: sooner); None where one is missing."""
        if self.as_is is None or self.changed is None:
            return None
        return (self.changed.raised_ns - self.as_is.raised_ns) / 1e9


def with_setting(text: str, key: str, value: str) -> str:
    """A configuration's text with one setting changed or added; ``value`` is TOML, as it is written there.

    Whether the bay knows the key and can use the value is found out when the text is read.
    """
    path = tuple(key.split("."))
    span = locate(text).spans.get(path)
    if span is not None:
        return text[: span[0]] + value + text[span[1] :]
    table, line = ".".join(path[:-1]), f"{path[-1]} = {value}\n"
    head = re.search(rf"^\[{re.escape(table)}\][^\n]*(\n|\Z)", text, re.MULTILINE)
    if head is None:
        return f"{text}\n[{table}]\n{line}"
    return text[: head.end()] + line + text[head.end() :]


def raised(past: Past, bay: Bay) -> list[Spell]:
    """The alarms that were sounded when the whole record is folded with that description, in order."""
    found: list[Finding] = []
    from_journal(bay, past.entries(0), found.append)
    return [spell for spell in spells(found) if spell.raised_ns]


def pairs(as_is: Iterable[Spell], changed: Iterable[Spell]) -> list[Pair]:
    """Each spell beside its like: the same alarm, standing at the same time or begun within a minute."""
    left, found = list(changed), []
    for spell in as_is:
        like = next((other for other in left if _alike(spell, other)), None)
        if like is not None:
            left.remove(like)
        found.append(Pair(spell, like))
    found += [Pair(None, spell) for spell in left]
    return sorted(found, key=_begin)


def told_then(past: Past, pair: Pair) -> bool | None:
    """Whether a person was told of it at the time; None where the record does not say."""
    if past.told is None:
        return None
    told = [spell for spell in spells(past.told) if spell.raised_ns]
    return any(_alike(spell, each) for spell in told for each in (pair.as_is, pair.changed) if each)


def _begin(pair: Pair) -> int:
    return min(spell.raised_ns for spell in (pair.as_is, pair.changed) if spell is not None)


def _alike(one: Spell, other: Spell) -> bool:
    near = one.stood(other.from_ns, NEAR_NS) or other.stood(one.from_ns, NEAR_NS)
    return one.id == other.id and near
