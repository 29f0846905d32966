"""The course of a run in words and rows: settings and yields, stops and what each cost, what was said.

Stops and alarms are told as they were told then; what each cost, yields and masses as they are judged now.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from logger.core.localtime import say_time
from logger.core.rhythm_words import cost
from logger.core.walltime import parse_rfc3339
from logger.explain.spells import NS, Spell, spells
from logger.report import figures
from logger.report.record import Record

STOPS = ("feed-stopped", "outlet-not-delivering")
MOST_EVENTS = 200
"""Of a kind, on paper; the journal holds them all, and the report says how many were left out."""


def clock(record: Record, text: str | None) -> str:
    """A time of the record (RFC 3339) by the bay's clock on the wall; empty for none."""
    return "" if text is None else moment(record, parse_rfc3339(text))


def moment(record: Record, at_ns: int) -> str:
    """A station time by the clock on the wall, as it is known now."""
    return say_time(record.wall(at_ns), record.zone)


# -- settings ------------------------------------------------------------------------------------------


def settings_rows(record: Record) -> list[dict[str, str]]:
    """Every time something was set: ``from``, ``values`` in words; those that changed carry a star."""
    rows: list[dict[str, str]] = []
    before: dict[str, str] = {}
    for each in record.run_json()["settings"]:
        values = each["values"]
        changed = {key for key, value in values.items() if before and before.get(key) != value}
        text = ", ".join(f"{key} {value}{'*' if key in changed else ''}" for key, value in values.items())
        rows.append({"from": clock(record, each["time"]), "values": text})
        before = values
    return rows


def yields_by_settings(record: Record) -> dict[str, Any] | None:
    """Yields of each stretch of equal settings; None where they never changed."""
    stretches = record.tally()["by_settings"]
    if len(stretches) < 2:
        return None
    unit = record.bay.units
    heads = [
        {
            "span": f"{clock(record, each['start'])} to {clock(record, each['end'])}",
            "values": ", ".join(f"{key} {value}" for key, value in each["values"].items()),
            "feed": figures.mass(each["feed_kg"], each["feed_u_kg"], unit),
        }
        for each in stretches
    ]
    names = list(stretches[0]["outlets"])
    rows = [
        [name]
        + [
            figures.percent(each["outlets"][name].get("yield"), each["outlets"][name].get("u_yield"))
            for each in stretches
        ]
        for name in names
    ]
    return {"heads": heads, "rows": rows}


# -- stops and alarms ----------------------------------------------------------------------------------


def run_spells(record: Record) -> list[Spell]:
    """Every alarm of the run's station that stood in its time, in order, less those held back by design."""
    mine = (each for each in record.findings if each.kind == "alarm")
    mine = (each for each in mine if each.data.get("station") in (None, "", record.station.name))
    return [each for each in spells(mine) if not each.suppressed]


def stop_rows(record: Record, found: Iterable[Spell]) -> list[dict[str, str]]:
    """Each stop of the feed or an outlet: ``what``, ``from``, ``noticed``, ``lasted``, ``cost``."""
    unit = record.bay.units
    rows = []
    for each in found:
        if each.kind not in STOPS:
            continue
        since_ns = min(each.since_s * NS, each.from_ns)
        until_ns = each.over_ns or record.end_ns
        seconds = max(0.0, (until_ns - since_ns) / NS)
        usual = each.evidence.get("usual_kg_h")
        due = (
            "" if usual is None else f"about {figures.mass(_two_digits(usual * seconds / 3600), None, unit)}"
        )
        word = "not fed meanwhile" if each.kind == "feed-stopped" else "due from it meanwhile"
        rows.append(
            {
                "what": "feed" if each.kind == "feed-stopped" else each.subject,
                "from": moment(record, since_ns),
                "noticed": f"after {figures.length((each.from_ns - since_ns) / NS)}",
                "lasted": figures.length(seconds) + ("" if each.over_ns else ", still standing then"),
                "cost": f"{due} {word}".strip() if due else figures.NOT_KNOWN,
            }
        )
    return rows


def stop_costs(record: Record) -> list[str]:
    """What plugging cost each outlet in all, with uncertainty, as it is judged now."""
    told = record.tally().get("rhythm") or {}
    lines = []
    for name, each in told.items():
        if each["stops"]:
            lines.append(f"{name}: {each['sentence']}. {cost(each, record.bay.units)}".strip())
    return lines


def _two_digits(value: float) -> float:
    return float(f"{value:.2g}")


def alarm_rows(record: Record, found: Iterable[Spell]) -> list[dict[str, str]]:
    """Each alarm as it was told: ``from``, ``stood``, ``seen``, ``what``."""
    return [
        {
            "from": moment(record, each.from_ns),
            "stood": figures.length((each.over_ns - each.from_ns) / NS) if each.over_ns else "still stood",
            "seen": "" if not each.seen_ns else f"after {figures.length((each.seen_ns - each.from_ns) / NS)}",
            "what": each.what,
        }
        for each in found
    ]


# -- events, words and corrections -----------------------------------------------------------------------

RECOGNISED = {
    "container-off": "container taken off",
    "container-on": "container put on",
    "container-changed": "container changed",
    "refill": "refilled",
    "bump": "touched",
    "tare": "tare pressed at the scale",
}


def event_rows(record: Record) -> tuple[list[dict[str, str]], int]:
    """What was recognised by itself and what was said, in order of time, and how many are left out."""
    rows: list[tuple[int, dict[str, str]]] = []
    unit = record.bay.units
    for finding in record.findings:
        if finding.kind == "recognised" and finding.data.get("station") in (None, "", record.station.name):
            data = finding.data
            what = f"{data['channel']}: {RECOGNISED.get(data['what'], data['what'].replace('-', ' '))}"
            if data.get("credit_kg"):
                credit = figures.mass(data["credit_kg"], data.get("credit_u_kg"), unit)
                what += f"; {credit} passed meanwhile and are credited"
            rows.append((parse_rfc3339(data["at"]), {"what": what, "kind": "recognised"}))
    run = record.run_json()
    for note in run["notes"]:
        rows.append((parse_rfc3339(note["time"]), {"what": note["text"], "kind": "note"}))
    for mark in run["marks"]:
        rows.append((parse_rfc3339(mark["time"]), {"what": mark["text"] or "(a mark)", "kind": "mark"}))
    for pause in run["pauses"]:
        until = "" if pause["to"] is None else f" until {clock(record, pause['to'])}"
        why = f": {pause['why']}" if pause["why"] else ""
        rows.append((parse_rfc3339(pause["from"]), {"what": f"feed paused{until}{why}", "kind": "said"}))
    rows.sort(key=lambda each: each[0])
    told = [{"time": moment(record, at_ns)} | row for at_ns, row in rows]
    return told[:MOST_EVENTS], max(0, len(told) - MOST_EVENTS)


def correction_rows(record: Record) -> list[dict[str, str]]:
    """What was said of this run and later said otherwise or taken back."""
    about = {*range(record.fingerprint.first_seq, record.fingerprint.last_seq + 1), *record.fingerprint.later}
    rows = []
    for spoken in reversed(record.fold.books.said_json()):
        if spoken["entry"] not in about:
            continue
        what = f"{spoken['action'].replace('-', ' ')} of {clock(record, spoken['said'])}"
        for change, after in zip(spoken["history"], _afters(spoken), strict=False):
            difference = _difference(change["was"], after) or f"taken back: {_words(after)}"
            because = f" ({change['why']})" if change["why"] else ""
            rows.append({"when": clock(record, change["said"]), "what": what, "change": difference + because})
    return rows


def _afters(spoken: dict[str, Any]) -> list[dict[str, Any]]:
    """What each change made of it: the next one's ``was``, at last what stands."""
    return [*(each["was"] for each in spoken["history"][1:]), spoken["body"]]


_UNSAID = ("id", "who", "action")


def _words(body: dict[str, Any]) -> str:
    return ", ".join(
        f"{k} {_value(v)}" for k, v in body.items() if k not in _UNSAID and v not in (None, "", [])
    )


def _difference(was: dict[str, Any], now: dict[str, Any]) -> str:
    keys = [key for key in {**was, **now} if key not in _UNSAID and was.get(key) != now.get(key)]
    return "; ".join(
        f"{key}: {_value(was.get(key))} \N{RIGHTWARDS ARROW} {_value(now.get(key))}" for key in keys
    )


def _value(value: Any) -> str:
    if value in (None, "", [], {}):
        return "(nothing)"
    if isinstance(value, dict):
        return ", ".join(f"{key} {_value(each)}" for key, each in value.items())
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def told_then(record: Record) -> list[dict[str, str]]:
    """Masses as they were told when the run was closed, beside what is judged now, where they differ."""
    if not record.tallies_told:
        return []
    then, now, unit = record.tallies_told[0].data.get("tally"), record.tally(), record.bay.units
    if not then:
        return []
    pairs = [("feed", then["feed_kg"], then["feed_u_kg"], now["feed_kg"], now["feed_u_kg"])]
    for name, each in now["outlets"].items():
        old = then["outlets"].get(name, {})
        pairs.append((name, old.get("delivered_kg"), old.get("u_kg"), each["delivered_kg"], each["u_kg"]))
    return [
        {"name": name, "then": figures.mass(old, old_u, unit), "now": figures.mass(new, new_u, unit)}
        for name, old, old_u, new, new_u in pairs
        if figures.mass(old, old_u, unit) != figures.mass(new, new_u, unit)
    ]


# -- scales ----------------------------------------------------------------------------------------------


def scale_rows(record: Record) -> list[dict[str, str]]:
    """The last check weight of each scale up to now: ``name``, ``when``, ``off``, ``verdict`` …"""
    from logger.balance.scale_log import scale_json

    unit, rows = record.bay.units, []
    for name, scale in record.scales().items():
        told = scale_json(name, scale, None, unit)
        last = told["checks"][0] if told["checks"] else None
        if last is None:
            rows.append(
                {"name": name, "when": "", "weight": "", "off": "", "allowed": "", "verdict": "never checked"}
            )
            continue
        rows.append(
            {
                "name": name,
                "when": clock(record, last["time"]),
                "weight": figures.mass(last["nominal_kg"], None, unit),
                "off": figures.mass(last["error_kg"], None, unit),
                "allowed": figures.NOT_KNOWN
                if last["limit_kg"] is None
                else figures.mass(last["limit_kg"], None, unit),
                "verdict": last["verdict"],
            }
        )
    return rows
