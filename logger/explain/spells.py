"""From single changes of alarms to spells: raised, seen, and over."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from logger.core.entries import Finding

NS = 10**9
_OVER = ("normal", "returned-unacknowledged")


@dataclass(slots=True)
class Spell:
    """One time that an alarm stood. Times are station time in ns; 0: that did not happen (yet).

    ``changes`` holds every step as (at_ns, word), ``suppressed`` whether it was never sounded at all.
    """

    id: str
    kind: str
    subject: str
    station: str
    from_ns: int
    since_s: int
    what: str
    do: str
    evidence: dict[str, Any]
    suppressed: bool = False
    raised_ns: int = 0
    seen_ns: int = 0
    over_ns: int = 0
    changes: list[tuple[int, str]] = field(default_factory=list)

    def stood(self, at_ns: int, slack_ns: int = 0) -> bool:
        """Whether it stood at a moment, give or take some."""
        return self.from_ns - slack_ns <= at_ns and (not self.over_ns or at_ns <= self.over_ns + slack_ns)


def spells(findings: Iterable[Finding]) -> list[Spell]:
    """The spells of all alarms, in order of their beginning."""
    found: list[Spell] = []
    standing: dict[str, Spell] = {}
    for finding in findings:
        if finding.kind == "alarm":
            _take(finding, standing, found)
    return found


def _take(finding: Finding, standing: dict[str, Spell], found: list[Spell]) -> None:
    told, at_ns = finding.data, finding.at_ns
    word, spell = told["state"], standing.get(finding.subject)
    begins = word in ("raised", "suppressed") and (spell is None or _is_new(spell, word, at_ns))
    if begins:
        spell = standing[finding.subject] = Spell(
            finding.subject, told["kind"], told["subject"], told["station"], at_ns, told["since_s"],
            told["what"], told["do"], dict(told["evidence"]), suppressed=word == "suppressed",
        )  # fmt: skip
        found.append(spell)
    if spell is None:
        return
    spell.changes.append((at_ns, word))
    if word == "raised":
        if spell.suppressed:  # what was excused at first is an alarm now, in its own words
            spell.since_s, spell.what, spell.do = told["since_s"], told["what"], told["do"]
            spell.evidence = dict(told["evidence"])
        spell.raised_ns, spell.suppressed = spell.raised_ns or at_ns, False
    elif word == "acknowledged":
        spell.seen_ns = spell.seen_ns or at_ns
    if told["alarm_state"] in _OVER and not spell.over_ns and word not in ("acknowledged", "unsuppressed"):
        spell.over_ns = at_ns
    elif word == "unsuppressed" and spell.suppressed:
        spell.over_ns = at_ns  # taken back at once where it is raised in the same breath
    elif word == "raised":
        spell.over_ns = 0


def _is_new(spell: Spell, word: str, at_ns: int) -> bool:
    """Whether a step begins another spell, or goes on with one that was excused until this breath."""
    return bool(spell.over_ns) and not (word == "raised" and spell.changes[-1] == (at_ns, "unsuppressed"))
