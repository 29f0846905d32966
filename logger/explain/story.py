"""The whole of one explanation: what was wanted, what was told, what is judged now, and every second."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from logger.core.entries import Finding
from logger.core.localtime import say_time
from logger.explain.probe import Probe, ProbedBay, Second, Subject
from logger.explain.record import ExplainError, Past
from logger.explain.spells import NS, Spell, spells
from logger.explain.wanted import Wanted, find

LEAST_BEFORE_S = 60  # more than the condition itself is shown, to see what was normal
MOST_S = 1_800
"""No longer span is shown: the picture could not be read, and the fold remembers no more to its second."""


@dataclass(frozen=True, slots=True)
class Story:
    """``moment_s`` is what all is told about: when the alarm came, or the moment that was asked for.

    ``since_s`` is where masses count from. ``due_mg`` and ``came_mg`` run with ``seconds``; ``came_mg`` is
    as it is counted now, after all that was found out later. ``told`` and ``judged`` are the spells of the
    span, as they were told then (None: a CSV does not hold that) and as they are judged now.
    """

    past: Past
    subject: Subject
    kind: str
    moment_s: int
    since_s: int
    by_alarm: bool
    seconds: Sequence[Second]
    due_mg: list[float | None]
    came_mg: list[float | None]
    told: list[Spell] | None
    judged: list[Spell]

    @property
    def spell(self) -> Spell | None:
        """The spell that is explained: as told, or, where nothing was told, as judged now."""
        return self._at(self.told or []) or self._at(self.judged)

    @property
    def differs(self) -> bool:
        """Whether what is judged now is not what was told then, by more than a second."""
        if self.told is None:
            return False
        pairs = [(s.id, s.from_ns // NS, s.suppressed) for s in self.told]
        return pairs != [(s.id, s.from_ns // NS, s.suppressed) for s in self.judged]

    def _at(self, among: list[Spell]) -> Spell | None:
        mine = [s for s in among if s.kind == self.kind and s.from_ns // NS <= self.moment_s]
        mine = [s for s in mine if s.stood(self.moment_s * NS)]
        return mine[-1] if mine else None

    @property
    def index(self) -> int:
        """The place of the moment among the seconds."""
        return min(range(len(self.seconds)), key=lambda k: abs(self.seconds[k].at_s - self.moment_s))

    @property
    def second(self) -> Second:
        return self.seconds[self.index]

    def mass_mg(self, series: list[float | None], from_s: int, to_s: int) -> float | None:
        """The difference of a cumulative series between two seconds; None where it is not known."""
        at = {second.at_s: value for second, value in zip(self.seconds, series, strict=True)}
        start, end = at.get(from_s), at.get(to_s)
        return None if start is None or end is None else end - start


def tell(past: Past, wanted: Wanted, progress: Callable[[float], None] = lambda part: None) -> Story:
    """Fold the record up to what is wanted and answer its story. ExplainError says what there is instead.

    ``progress`` hears the part (0 to 1) that is done, now and then.
    """
    known = spells(past.told) if past.told is not None else None
    if known is None:  # a CSV: what alarms there are is known after a first fold
        known = judged_spells(past, lambda part: progress(part / 2))
    subject, kind, spell = find(past, wanted, known)
    moment_s = _moment(past, wanted, spell)
    since_s = spell.since_s if spell is not None else 0
    from_s = moment_s - min(wanted.before_s, MOST_S)
    if spell is not None:
        from_s = max(min(from_s, since_s - LEAST_BEFORE_S), moment_s - MOST_S)
    to_s = moment_s + min(wanted.after_s, MOST_S)
    probe = Probe(subject, from_s, to_s)
    bay, findings = _look(past, probe, progress)
    if not probe.seconds:
        raise ExplainError(f"{past.name}: nothing was read around that time")
    kind = kind or _main(probe, subject)
    if not since_s:
        stood = [s for s in spells(findings) if s.kind == kind and s.stood(moment_s * NS)]
        since_s = stood[-1].since_s if stood and stood[-1].subject == subject.name else 0
    if not since_s:
        since_s = _since(probe, kind, moment_s)
    due = _due(probe.seconds)
    names = _names(bay, subject)

    def of_span(spell: Spell) -> bool:
        if spell.subject not in names or spell.station not in ("", subject.station):
            return False
        return spell.from_ns // NS <= to_s and spell.stood(max(spell.from_ns, probe.seconds[0].at_s * NS))

    return Story(
        past=past, subject=subject, kind=kind, moment_s=moment_s,
        since_s=_known_since(probe.seconds, due, since_s, moment_s), by_alarm=spell is not None,
        seconds=probe.seconds, due_mg=due, came_mg=_came(bay, subject, probe.seconds),
        told=None if past.told is None else [s for s in known if of_span(s)],
        judged=[s for s in spells(findings) if of_span(s)],
    )  # fmt: skip


def _known_since(seconds: list[Second], due: list[float | None], since_s: int, moment_s: int) -> int:
    """``since_s``, or the first second after it of which it is known what was due, if that comes in time."""
    first = max(since_s, seconds[0].at_s)
    known = [s.at_s for s, mg in zip(seconds, due, strict=True) if mg is not None and s.at_s >= first]
    return known[0] if known and known[0] < moment_s else first


def judged_spells(past: Past, progress: Callable[[float], None] = lambda part: None) -> list[Spell]:
    """The alarms of the whole record as they are judged now."""
    return spells(_fold(past, lambda bay, now_s: None, (None, past.last_ns // NS), progress))


def _moment(past: Past, wanted: Wanted, spell: Spell | None) -> int:
    if spell is not None:
        return spell.from_ns // NS
    at_ns = wanted.at_ns or past.last_ns
    if not past.first_ns <= at_ns <= past.last_ns:
        first, last = say_time(past.first_ns, past.zone), say_time(past.last_ns, past.zone)
        raise ExplainError(
            f"{say_time(at_ns, past.zone)} is not in {past.name}; it goes from {first} to {last}"
        )
    return at_ns // NS


# -- the fold --------------------------------------------------------------------------------------


def _look(past: Past, probe: Probe, progress: Callable[[float], None]) -> tuple[ProbedBay, list[Finding]]:
    kept: list[ProbedBay] = []

    def look(bay: ProbedBay, now_s: int) -> None:
        if not kept:
            kept.append(bay)
        probe(bay, now_s)

    whole = past.told is not None
    span = (_early(past, probe), probe.to_s)
    findings = _fold(past, look, span, lambda part: progress(part if whole else 0.5 + part / 2))
    if not kept:
        raise ExplainError(f"{past.name}: holds less than a second of readings")
    return kept[0], findings


def _early(past: Past, probe: Probe) -> int:
    """A time (ns) before the span, and before any alarm that stood in it came."""
    stood = [s.from_ns for s in spells(past.told or []) if s.stood(probe.from_s * NS)]
    return min([probe.from_s * NS, *stood]) - 2 * NS


def _fold(
    past: Past,
    look: Callable[[ProbedBay, int], None],
    span: tuple[int | None, int],
    progress: Callable[[float], None],
) -> list[Finding]:
    """Fold to the second ``span[1]``; from a checkpoint before ``span[0]`` (ns) if there is one, else from
    the start."""
    early_ns, to_s = span
    kept = None if early_ns is None else past.resume(early_ns)
    after, bay = (0, ProbedBay(past.bay, look)) if kept is None else (kept[0], ProbedBay.of(kept[1], look))
    from_ns = max(bay.at_ns, past.first_ns)
    findings: list[Finding] = []
    for number, entry in enumerate(past.entries(after)):
        if entry.at_ns > (to_s + 1) * NS:
            break
        findings += bay.apply(entry)
        if number % 20_000 == 0:
            progress(min((entry.at_ns - from_ns) / max(to_s * NS - from_ns, 1), 1.0))
    progress(1.0)
    return findings


def _names(bay: ProbedBay, subject: Subject) -> set[str]:
    channel = subject.channel(bay)
    return {subject.name} | (set() if channel is None else {channel.channel.name})


def _main(probe: Probe, subject: Subject) -> str:
    """The alarm one would have waited for: an outlet's that does not deliver, a feed's that stopped."""
    kinds = probe.seconds[-1].evidence
    if not kinds:
        raise ExplainError(f'no rule judges "{subject.name}": it is not weighed')
    return "outlet-not-delivering" if "outlet-not-delivering" in kinds else next(iter(kinds))


def _since(probe: Probe, kind: str, moment_s: int) -> int:
    """Where the window begins that spoke loudest at the moment; a minute before where none did."""
    at = [second for second in probe.seconds if second.at_s <= moment_s] or probe.seconds[:1]
    evidence = at[-1].evidence.get(kind)
    return moment_s - (evidence.window_s if evidence is not None and evidence.window_s >= 10 else 60)


def _due(seconds: list[Second]) -> list[float | None]:
    """Cumulative; begins where it is first known what is due, a second that is not known adds nothing."""
    total, found = 0.0, []
    known = False
    for second in seconds:
        known = known or second.due_mg is not None
        total += second.due_mg or 0.0
        found.append(total if known else None)
    return found


def _came(bay: ProbedBay, subject: Subject, seconds: list[Second]) -> list[float | None]:
    channel = subject.channel(bay)
    if channel is None or channel.track is None:
        return [None] * len(seconds)
    return [channel.track.delivered_at(second.at_s) for second in seconds]
