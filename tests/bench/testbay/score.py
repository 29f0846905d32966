"""Alarms and tallies beside the truth of a trace: records that can be added up and printed."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

from tests.bench.testbay.limits import clog_bound_s, drift_bound_s, mass_u_kg
from tests.bench.testbay.plan import Event
from tests.bench.testbay.play import RUN_AT_S, Alarm, Played
from tests.bench.testbay.trace import Trace

OUTLET_KINDS = ("outlet-not-delivering", "outlet-slow")
AFTERMATH_S = 90.0  # an alarm so long after a clog's end still speaks of it
BLAME_S = 120.0  # what happened so long before an alarm may be its cause
ALLOWED = {  # alarms of other kinds that have a right to come, and the events that give it
    "feed-stopped": ("feed-stop",),
    "feed-drift": ("drift", "feed-stop"),
    "instrument-silent": ("silent",),
    "instrument-frozen": ("frozen",),
    "unit-changed": ("unit",),
    "container-missing": ("change",),
    "outlet-surging": ("clog",),
    "product-astray": ("clog",),
}


@dataclass
class Record:
    """One thing judged; ``seed`` and ``what`` (the class) say in which trace."""

    seed: int
    what: str
    hand: bool
    subject: str
    at_s: float
    note: dict[str, Any] = field(default_factory=dict)


@dataclass
class Scored:
    """What one trace adds to the table."""

    set: str
    outlet_h: float = 0.0
    station_h: float = 0.0
    took_s: float = 0.0
    readings: int = 0
    traces: int = 1
    clogs: list[Record] = field(default_factory=list)
    false: list[Record] = field(default_factory=list)
    drifts: list[Record] = field(default_factory=list)
    frozen: list[Record] = field(default_factory=list)
    masses: list[Record] = field(default_factory=list)
    stops: list[Record] = field(default_factory=list)
    others: list[Record] = field(default_factory=list)  # false alarms of other kinds
    kinds: list[str] = field(default_factory=list)  # class and kind of every alarm raised
    busy_h: float = 0.0  # outlet-hours of the class in which nothing clogs
    clogless_h: float = 0.0  # of all classes without clogs
    busy_events: list[str] = field(default_factory=list)  # kinds of all that happened in them

    def to_json(self) -> dict[str, Any]:
        return asdict(self)


def from_json(data: dict[str, Any]) -> Scored:
    lists = ("clogs", "false", "drifts", "frozen", "masses", "stops", "others")
    return Scored(**{k: [Record(**r) for r in v] if k in lists else v for k, v in data.items()})


class Scorer:
    def __init__(self, trace: Trace, played: Played) -> None:
        self.trace, self.plan, self.played = trace, trace.plan, played
        plan = trace.plan
        hours = (plan.length_s - plan.feed_from_s) / 3600.0
        self.out = Scored(plan.regime.name, hours * len(plan.outlets), hours, played.took_s, played.readings)
        if plan.what == "busy":
            self.out.busy_h = self.out.outlet_h
        if plan.what not in ("hopper", "tub"):
            self.out.clogless_h = self.out.outlet_h
        self.explained: set[int] = set()

    def score(self) -> Scored:
        for e in self.trace.events:
            if self.plan.what == "busy":
                self.out.busy_events.append(e.kind)
            if e.kind == "clog":
                self._clog(e)
            elif e.kind == "drift":
                self._drift(e)
            elif e.kind == "frozen" and e.outlet is not None and e.outlet >= 0:
                self._frozen(e)
            elif e.kind == "feed-stop":
                self._stop(e)
        for alarm in self.played.alarms:
            self._false(alarm)
            self.out.kinds.append(f"{self.plan.what} {alarm.kind}")
        self._masses()
        return self.out

    def _record(self, subject: str, at_s: float, **note: Any) -> Record:
        plan = self.plan
        return Record(plan.seed, plan.what, plan.hand, subject, round(at_s, 1), note)

    def _name(self, e: Event) -> str:
        return "feed" if e.outlet is None or e.outlet < 0 else self.plan.outlets[e.outlet].name

    def _first(self, kinds: tuple[str, ...], subject: str, a: float, b: float) -> Alarm | None:
        """The first alarm of those kinds raised between a and b."""
        for alarm in self.played.alarms:
            if alarm.kind in kinds and alarm.subject == subject and a <= alarm.at_s <= b:
                return alarm
        return None

    def _clog(self, e: Event) -> None:
        name = self._name(e)
        spec = self.trace.outlet(name)
        rate = self.trace.rate_kg_s(name, max(e.at_s - 240.0, 0.0), e.at_s)
        bound = clog_bound_s(rate, spec, e.data["blocked"], e.data["ramp_s"])
        hit = self._first(OUTLET_KINDS, name, e.at_s, e.until_s)
        for alarm in self.played.alarms:
            if (
                alarm.kind in OUTLET_KINDS
                and alarm.subject == name
                and e.at_s <= alarm.at_s <= e.until_s + AFTERMATH_S
            ):
                self.explained.add(id(alarm))
        stated = self.played.stated_s.get((name, e.at_s))
        self.out.clogs.append(
            self._record(
                name,
                e.at_s,
                kind=e.data["what"],
                until_s=e.until_s,
                bound_s=bound,
                watchable=bound is not None and bound <= 0.6 * (e.until_s - e.at_s),
                delay_s=None if hit is None else round(hit.at_s - e.at_s, 2),
                said=None if hit is None else hit.kind,
                stated_s=stated,
                kg_h=round(rate * 3600.0, 2),
                phi_g=round(spec.all_phi_kg * 1000, 1),
                d_g=spec.scale.resolution_kg * 1000,
                surge=round(spec.surge, 2),
                near=self._near(e.at_s, e.until_s, name),
            )
        )

    def _near(self, a: float, b: float, name: str) -> str:
        """Everything else that happened around a time, in words."""
        return ", ".join(
            f"{e.kind}/{self._name(e)}@{e.at_s:.0f}-{e.until_s:.0f}"
            for e in self.trace.events
            if e.at_s < b and e.until_s > a - BLAME_S and not (e.kind == "clog" and self._name(e) == name)
            and (self._name(e) in (name, "feed") or e.kind in ("clog", "silent"))
        )  # fmt: skip

    def _drift(self, e: Event) -> None:
        plan = self.plan
        bound = None if plan.hand else drift_bound_s(plan, e)
        hit = self._first(("feed-drift",), "feed", e.at_s, e.until_s)
        other = self._first(("feed-stopped",), "feed", e.at_s, e.until_s)
        self.out.drifts.append(
            self._record(
                "feed",
                e.at_s,
                kind=e.data["what"],
                size=e.data["size"],
                ramp_s=e.data["ramp_s"],
                bound_s=bound,
                delay_s=None if hit is None else round(hit.at_s - e.at_s, 2),
                stopped=other is not None,
            )
        )

    def _frozen(self, e: Event) -> None:
        name = self._name(e)
        hit = self._first(("instrument-frozen",), name, e.at_s, e.until_s + 10.0)
        clog = self._first(OUTLET_KINDS, name, e.at_s, e.until_s + 60.0)
        self.out.frozen.append(
            self._record(
                name,
                e.at_s,
                delay_s=None if hit is None else round(hit.at_s - e.at_s, 2),
                clog=clog is not None,
                d_g=self.trace.outlet(name).scale.resolution_kg * 1000,
                sigma_d=round(
                    self.trace.outlet(name).scale.sigma_kg / self.trace.outlet(name).scale.resolution_kg, 2
                ),
                kg_h=round(self.trace.rate_kg_s(name, e.at_s - 120.0, e.at_s) * 3600.0, 2),
            )
        )

    def _stop(self, e: Event) -> None:
        hit = self._first(("feed-stopped",), "feed", e.at_s, e.until_s + 5.0)
        self.out.stops.append(
            self._record("feed", e.at_s, delay_s=None if hit is None else round(hit.at_s - e.at_s, 2))
        )

    def _false(self, alarm: Alarm) -> None:
        if alarm.kind in OUTLET_KINDS:
            if id(alarm) in self.explained:
                return
            self.out.false.append(
                self._record(
                    alarm.subject,
                    alarm.at_s,
                    kind=alarm.kind,
                    since_s=round(alarm.since_s, 1),
                    cause=self._cause(alarm),
                    flowed=self._flowed(alarm),
                    near=self._near(alarm.since_s, alarm.at_s, alarm.subject),
                    evidence={k: v for k, v in alarm.evidence.items() if isinstance(v, int | float | str)},
                )
            )
            return
        allowed = ALLOWED.get(alarm.kind)
        if allowed is None:
            return
        if not any(
            e.kind in allowed and e.at_s - 5.0 <= alarm.at_s <= e.until_s + 300.0 for e in self.trace.events
        ):
            near = self._near(alarm.since_s, alarm.at_s, alarm.subject)
            self.out.others.append(
                self._record(
                    alarm.subject,
                    alarm.at_s,
                    kind=alarm.kind,
                    near=near,
                    fed=self._fed(alarm),
                    what=alarm.what,
                )
            )

    def _flowed(self, alarm: Alarm) -> float:
        """What truly flowed in an outlet alarm's window, over its mean of the quarter hour before it."""
        a = min(max(alarm.since_s, 60.0), alarm.at_s - 5.0)
        before = self.trace.rate_kg_s(alarm.subject, max(a - 900.0, 30.0), a)
        return round(self.trace.rate_kg_s(alarm.subject, a, alarm.at_s) / max(before, 1e-9), 2)

    def _fed(self, alarm: Alarm) -> float:
        """What was truly fed in the alarm's window (two minutes at least), over the target."""
        a = max(min(alarm.since_s, alarm.at_s - 120.0), 0.0)
        mean_kg_h = self.trace.mass_kg("feed", a, alarm.at_s) / (alarm.at_s - a) * 3600.0
        return round(mean_kg_h / self.plan.target_kg_h, 3)

    def _cause(self, alarm: Alarm) -> str:
        """What happened last at its outlet or to the feed, from two minutes before an alarm's window on."""
        cause, latest = "nothing", -1e9
        for e in self.trace.events:
            if e.kind == "feed-stop" and e.at_s <= alarm.at_s and e.until_s >= alarm.since_s - BLAME_S:
                return e.kind  # whatever else there was
        for e in self.trace.events:
            name = self._name(e)
            mine = name == alarm.subject or name == "feed" or e.kind == "clog"
            if (
                mine
                and e.at_s <= alarm.at_s
                and e.until_s >= alarm.since_s - BLAME_S
                and min(e.until_s, alarm.at_s) > latest
            ):
                cause = e.kind if not (e.kind == "clog" and name != alarm.subject) else "clog elsewhere"
                latest = min(e.until_s, alarm.at_s)
        return cause

    def _masses(self) -> None:
        end_s = self.plan.length_s
        tally = self.played.tally
        handled = {self._name(e) for e in self.trace.events if e.kind in ("change", "tare", "sample")}
        for spec in self.plan.outlets:
            told = tally["outlets"][spec.name]
            true = self.trace.mass_kg(spec.name, RUN_AT_S, end_s)
            self.out.masses.append(
                self._record(
                    spec.name,
                    0.0,
                    true_kg=true,
                    off_kg=told["delivered_kg"] - true,
                    u_kg=told["u_kg"],
                    allowed_kg=mass_u_kg(self.trace, spec.name),
                    handled=spec.name in handled,
                )
            )
        true = self.trace.mass_kg("feed", RUN_AT_S, end_s)
        self.out.masses.append(
            self._record(
                "feed",
                0.0,
                true_kg=true,
                off_kg=tally["feed_kg"] - true,
                u_kg=tally["feed_u_kg"],
                allowed_kg=None,
                handled=True,
            )
        )


def score(trace: Trace, played: Played) -> Scored:
    return Scorer(trace, played).score()
