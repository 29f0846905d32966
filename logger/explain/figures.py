"""An explanation as figures for a machine: every second of it."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from logger.core.rules.contract import Evidence
from logger.core.walltime import rfc3339
from logger.explain.probe import Second
from logger.explain.spells import NS, Spell
from logger.explain.story import Story
from logger.explain.words import in_words


def to_json(story: Story) -> dict[str, Any]:
    """All of it for a machine: kg, kg/h, s and RFC 3339 (UTC)."""
    zone = story.past.bay.time_zone
    return {
        "station": story.subject.station,
        "subject": story.subject.name,
        "kind": story.kind,
        "at": rfc3339(story.moment_s * NS),
        "since": rfc3339(story.since_s * NS),
        "alarm": story.spell is not None,
        "time_zone": zone,
        "words": in_words(story),
        "told": None if story.told is None else [_spell(s) for s in story.told],
        "judged": [_spell(s) for s in story.judged],
        "seconds": [
            _second(s, due, came)
            for s, due, came in zip(story.seconds, story.due_mg, story.came_mg, strict=True)
        ],
    }


def _spell(spell: Spell) -> dict[str, Any]:
    times = {"raised": spell.raised_ns, "acknowledged": spell.seen_ns, "over": spell.over_ns}
    return {
        "id": spell.id,
        "began": rfc3339(spell.from_ns),
        **{name: rfc3339(ns) if ns else None for name, ns in times.items()},
        "since": rfc3339(spell.since_s * NS),
        "suppressed": spell.suppressed,
        "what": spell.what,
        "do": spell.do,
        "evidence": spell.evidence,
        "changes": [{"at": rfc3339(ns), "state": word} for ns, word in spell.changes],
    }


def _kg(mg: float | None) -> float | None:
    return None if mg is None else round(mg / 1e6, 6)


def _second(second: Second, due: float | None, came: float | None) -> dict[str, Any]:
    return {
        "at": rfc3339(second.at_s * NS),
        "track": second.track,
        "shown": None if second.shown is None else round(second.shown, 6),
        "expected_kg": _kg(due),
        "delivered_kg": _kg(came),
        "delivered_then_kg": _kg(second.came_mg),
        "share": None if second.share is None else round(second.share, 6),
        "lag_s": second.lag_s,
        "phi_g": None if second.phi_mg is None else round(second.phi_mg / 1e3, 3),
        "wander": None if second.wander is None else round(second.wander, 4),
        "noticed_in_s": None if second.notice_s is None else round(second.notice_s, 1),
        "feed_kg_h": None if second.feed_mg_s is None else round(second.feed_mg_s * 3.6e-3, 3),
        "feed_stopped": second.feed_stopped,
        "paused": second.paused,
        "run_open": second.run_open,
        "ratios": {k: None if r is None else round(r, 4) for k, r in second.ratios.items()},
        "alarm_states": second.alarm_states,
        "suppressed_by": second.suppressed_by,
        "evidence": {kind: _evidence(each) for kind, each in second.evidence.items()},
    }


def _evidence(each: Evidence) -> dict[str, Any]:
    told = asdict(each)
    del told["kind"], told["expected_mg"], told["came_mg"]
    for name in ("statistic", "threshold"):
        told[name] = None if told[name] is None else round(told[name], 4)
    return told | {"expected_kg": _kg(each.expected_mg), "came_kg": _kg(each.came_mg)}
