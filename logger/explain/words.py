"""An explanation in plain words."""

from __future__ import annotations

from collections import Counter
from math import exp, sqrt

from logger.core.localtime import say_time
from logger.core.rules.contract import Evidence
from logger.core.rules.said import minutes
from logger.core.units import kg_to
from logger.explain.probe import RATIO_S, Second
from logger.explain.spells import NS, Spell
from logger.explain.story import Story

_SILENCED = {
    "shelved": "it was shelved by hand",
    "out-of-service": "it was out of service by hand",
}


def in_words(story: Story) -> list[str]:
    """The explanation, one sentence a line; the first says what it is about."""
    second, spell = story.second, story.spell
    evidence = second.evidence.get(story.kind)
    lines = [_head(story, spell)]
    if spell is not None:
        lines += [f'Said: "{spell.what}"', f"To do: {spell.do}"]
    lines += _masses(story, evidence)
    lines += _sure(evidence) if evidence is not None else _told_with(spell)
    lines.append(f"Why: {why(story, second, spell)}")
    if spell is None:
        lines += _nearest(story)
    lines += _around(second) + _held_back(story) + _others(second, story) + _soon(story)
    return lines + differences(story)


def why(story: Story, second: Second, spell: Spell | None = None) -> str:
    """Why an alarm of the story's kind stood in a second, or why not."""
    state = second.alarm_states.get(story.kind, "")
    excuse = second.suppressed_by.get(story.kind, "")
    if not excuse and spell is not None and spell.suppressed:
        excuse = str(spell.evidence.get("suppressed_by", "another cause"))
    if state in _SILENCED:
        return f"nothing sounded because {_SILENCED[state]}; the evidence is judged all the same."
    if excuse:
        return f"it is suppressed by design: {excuse}."
    if spell is not None or state in ("unacknowledged", "acknowledged"):
        return (
            "an alarm stood then."
            if spell is None
            else "the evidence reached what an alarm takes, and nothing spoke against saying so."
        )
    return _not_reached(second.evidence.get(story.kind))


def _not_reached(each: Evidence | None) -> str:
    if each is None:
        return "nothing is known of what the rule saw."
    if each.quiet_because:
        return f"it is not judged, or held back: {each.quiet_because}."
    if each.statistic is None or each.threshold is None:
        return "nothing can be said yet."
    return f"the evidence, {figure(each.statistic, each.unit)}, is {_short_of(each)}."


def _short_of(each: Evidence) -> str:
    asked = figure(each.threshold or 0.0, each.unit)
    reached = (each.statistic or 0.0) >= (each.threshold or 0.0)
    if each.falls:
        reached = (each.statistic or 0.0) <= (each.threshold or 0.0)
        return f"at the {asked} that an alarm takes" if reached else f"not down to the {asked} an alarm takes"
    return f"at the {asked} that an alarm takes" if reached else f"below the {asked} that an alarm takes"


def figure(value: float, unit: str) -> str:
    """A statistic with its unit, to what matters of it."""
    if unit == "s":
        return minutes(value)
    return f"{value:.1f} {unit}"


def _head(story: Story, spell: Spell | None) -> str:
    name = f"{story.subject.station}/{story.kind}/{story.subject.name}".lstrip("/")
    if spell is None:
        return f"{name}: no alarm stood at {_full(story, story.moment_s * NS)}."
    word = "suppressed, never sounded," if spell.suppressed else "raised"
    steps = [f"{word} at {_full(story, spell.raised_ns or spell.from_ns)}"]
    if spell.seen_ns:
        steps.append(f"acknowledged {minutes((spell.seen_ns - spell.from_ns) / NS)} later")
    if spell.over_ns:
        steps.append(f"over after {minutes((spell.over_ns - spell.from_ns) / NS)}")
    else:
        steps.append("standing at the end of what was read")
    return f"{spell.id}: {', '.join(steps)}."


def _full(story: Story, at_ns: int) -> str:
    return say_time(at_ns, story.past.zone)


def uncertainty_mg(story: Story, due_mg: float) -> float:
    """Two standard uncertainties (mg) of what may come where so much is due: weighing, lumps and wander."""
    second = story.second
    lumps = (second.phi_mg or 0.0) * abs(due_mg)
    return 2.0 * sqrt(2.0 * second.u_level_mg**2 + lumps + ((second.wander or 0.0) * due_mg) ** 2)


def _masses(story: Story, evidence: Evidence | None) -> list[str]:
    due = story.mass_mg(story.due_mg, story.since_s, story.moment_s)
    came = story.mass_mg(story.came_mg, story.since_s, story.moment_s)
    lines = []
    if due is not None and came is not None and due > 0.0:
        span = f"from {clock(story, story.since_s * NS)} to {clock(story, story.moment_s * NS)}"
        lines.append(
            f"Expected: {mass(story, due)} ± {mass(story, uncertainty_mg(story, due))} (2 u) "
            f"{span}{_how(story)}."
        )
        lines.append(f"Came: {mass(story, came)}, {max(came, 0.0) / due:.0%} of it.")
    if evidence is not None and (evidence.expected_mg or 0.0) > 0.0 and evidence.came_mg is not None:
        part = max(evidence.came_mg, 0.0) / (evidence.expected_mg or 1.0)
        lines.append(
            f"As the rule counted: {mass(story, evidence.came_mg)} of at least "
            f"{mass(story, evidence.expected_mg or 0.0)} ({part:.0%}) in {minutes(evidence.window_s)}, "
            "by the seconds that can be believed."
        )
    return lines


def _how(story: Story) -> str:
    second = story.second
    if second.share is None or second.lag_s is None:
        return ""
    return f" ({second.share:.1%} of the feed, {second.lag_s:.0f} s after it)"


def _sure(evidence: Evidence | None) -> list[str]:
    if evidence is None or evidence.statistic is None or evidence.threshold is None:
        return []
    asked = figure(evidence.threshold, evidence.unit)
    at = "or less" if evidence.falls else "or more"
    line = f"Evidence: {figure(evidence.statistic, evidence.unit)}; an alarm takes {asked} {at}"
    if evidence.unit == "nats" and evidence.statistic >= 1.0:
        line += (
            f" (by chance at most about once in {_round(exp(min(evidence.statistic, 60.0)))} such windows)"
        )
    return [line + "."]


def _told_with(spell: Spell | None) -> list[str]:
    """Of a rule that cannot be asked: what it told with the alarm."""
    if spell is None or not spell.evidence:
        return []
    return ["Told with it: " + ", ".join(f"{key} {value}" for key, value in spell.evidence.items()) + "."]


def _round(value: float) -> str:
    if value >= 1e9:
        return f"{value:.0e}"
    digits = max(len(f"{value:.0f}") - 2, 0)
    return f"{round(value, -digits):,.0f}".replace(",", " ")


def _nearest(story: Story) -> list[str]:
    """Where in the span the evidence was greatest."""
    seen = [(s, s.evidence[story.kind]) for s in story.seconds if story.kind in s.evidence]
    seen = [(s, e) for s, e in seen if e.statistic is not None and e.threshold is not None]
    if not seen:
        return []
    by = min if seen[0][1].falls else max
    second, most = by(seen, key=lambda pair: pair[1].statistic or 0.0)
    what = f"{figure(most.statistic or 0.0, most.unit)} at {clock(story, second.at_s * NS)}"
    return [f"Most in the span shown: {what}; {why(story, second)}"]


def _around(second: Second) -> list[str]:
    told = [
        ("the feed was said to be paused", second.paused),
        ("the feed counts as stopped", second.feed_stopped),
    ]
    said = [text for text, holds in told if holds]
    if said and (second.due_mg is not None or second.ratios):
        return [f"Meanwhile: {said[0]}, so that little is due."]
    return []


def held(second: Second, kind: str) -> str:
    """What keeps an alarm of that kind from being judged, said or heard in a second; "" nothing does."""
    state = second.alarm_states.get(kind, "")
    if state in _SILENCED:
        return _SILENCED[state]
    evidence = second.evidence.get(kind)
    return second.suppressed_by.get(kind, "") or ("" if evidence is None else evidence.quiet_because)


def _held_back(story: Story) -> list[str]:
    """What held the rule back anywhere in the span, and for how long in all."""
    counts = Counter(held(second, story.kind) for second in story.seconds)
    told = [f"{reason}, {minutes(seconds)}" for reason, seconds in counts.most_common(6) if reason]
    return [f"Held back in the span shown: {'; '.join(told)}."] if told else []


def _others(second: Second, story: Story) -> list[str]:
    told = [
        f"{name} {'not known' if ratio is None else format(ratio, '.0%')}"
        for name, ratio in second.ratios.items()
        if name != story.subject.name
    ]
    return [f"The other outlets, in {minutes(RATIO_S)}, of what was due: {', '.join(told)}."] if told else []


def _soon(story: Story) -> list[str]:
    at = story.index
    normal = [s.notice_s for s in story.seconds[: at + 1] if s.at_s <= story.since_s and s.notice_s]
    if normal:
        return [f"A stop of this outlet would have been noticed in about {minutes(normal[-1])}."]
    known = story.second.share is not None or any(s.share is not None for s in story.seconds)
    return ["How soon a stop would be noticed is not known, or it takes above ten minutes."] if known else []


def differences(story: Story) -> list[str]:
    """What was told then beside what is judged now, where they differ."""
    if story.told is None or not story.differs:
        return []
    then, now = _list(story, story.told), _list(story, story.judged)
    return [f"Told then: {then}.", f"Judged now: {now}."]


def _list(story: Story, listed: list[Spell]) -> str:
    texts = [f"{s.id} {'suppressed' if s.suppressed else 'raised'} {clock(story, s.from_ns)}" for s in listed]
    return "; ".join(texts) or "nothing"


def clock(story: Story, at_ns: int) -> str:
    """A moment by the bay's clock; its date only where it is another day than the one told about."""
    text, day = say_time(at_ns, story.past.zone), say_time(story.moment_s * NS, story.past.zone)[:10]
    return text[11:] if text[:10] == day else text


def mass(story: Story, mg: float) -> str:
    """A mass in the bay's unit, to a gram."""
    unit = story.past.bay.units
    return f"{kg_to(mg / 1e6, unit) + 0.0:.3f} {unit}".replace("-0.000", "0.000")
