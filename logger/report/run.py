"""The run report for the customer: everything from the journal, nothing retyped, one self-contained page.

`result` tells what was recovered and how it is known, `course` what happened, `run_picture` draws it. The
page holds no date of its own making: the same journal gives the same bytes.
"""

from __future__ import annotations

from typing import Any

from logger.balance.result import Result
from logger.report import course, figures, result
from logger.report.contract import Progress, quiet
from logger.report.page import page
from logger.report.photographs import photographs
from logger.report.record import Record
from logger.report.run_picture import run_picture
from logger.report.style import data_address

PICTURE = (
    "Above, the mass fed and the mass each outlet delivered since the start; in the middle the feed rate "
    "against its band; below, when alarms stood, what was recognised and what was said."
)


def run_report(record: Record, *, paper: str = "a4", progress: Progress = quiet) -> str:
    """The page as HTML. ValueError for a paper that is none of ours."""
    progress(0.9, "balancing")
    outcome = result.balanced(record)
    found = course.run_spells(record)
    progress(0.93, "drawing")
    picture = run_picture(record, found)
    events, left_out = course.event_rows(record)
    component = _component(record, outcome.balance)
    values: dict[str, Any] = {
        "bay": record.bay.name,
        "when": _when(record),
        "warnings": _warnings(record),
        "headline": result.headline(record, outcome),
        "facts": _facts(record),
        "component": component,
        "grade_head": f"{component}, of dry mass",
        "recovery_head": f"recovery of {component}",
        "products": result.product_rows(record, outcome),
        "balance": result.balance_lines(outcome),
        "sales": result.sale_lines(outcome),
        "measured": result.measured_lines(record, outcome),
        "budgets": result.budget_lines(outcome),
        "picture": None if picture is None else data_address(picture),
        "picture_says": PICTURE,
        "settings": course.settings_rows(record),
        "by_settings": course.yields_by_settings(record),
        "stops": course.stop_rows(record, found),
        "stop_costs": course.stop_costs(record),
        "alarms": course.alarm_rows(record, found),
        "events": events,
        "events_left_out": left_out,
        "photographs": photographs(record),
        "corrections": course.correction_rows(record),
        "told_then": course.told_then(record),
        "scales": course.scale_rows(record),
        "made_from": _made_from(record),
    }
    return page("run.html", title=_title(record), paper=paper, **values)


def _title(record: Record) -> str:
    lot = record.run.lot
    return f"Report of run {record.run.run}" + ("" if lot is None else f", lot {lot}")


def _component(record: Record, balance: Result | None) -> str:
    wanted = None if balance is None else balance.wanted
    return wanted or record.station.component or "the component that matters"


def _when(record: Record) -> str:
    start = course.moment(record, record.start_ns)
    if record.open:
        return f"from {start}; still open, as of {course.moment(record, record.end_ns)}"
    lasted = figures.length((record.end_ns - record.start_ns) / 10**9)
    return f"{start} to {course.moment(record, record.end_ns)} ({lasted}), time of {record.bay.time_zone}"


def _warnings(record: Record) -> list[str]:
    told = []
    if record.open:
        told.append("This run is still open: all figures are those so far, and will change.")
    if not record.clock_trusted:
        told.append(
            "Nothing ever said that the computer's clock was right during this run: times of day may be "
            "wrong; lengths of time are not."
        )
    return told


def _facts(record: Record) -> list[tuple[str, str]]:
    unit, lot = record.bay.units, record.lot_json()
    facts = [("station", record.station.name)]
    if lot is None:
        return [*facts, ("lot", "none was booked for this run")]
    facts += [("lot", lot["lot"]), ("owner", lot["owner"]), ("material", lot["material"])]
    if lot["net_kg"] is not None:
        facts.append(("booked in", f"{figures.mass(lot['net_kg'], None, unit)} net"))
    if lot["moisture"] is not None:
        facts.append(("moisture as booked", figures.percent(lot["moisture"], None)))
    if lot["note"]:
        facts.append(("note", lot["note"]))
    return [(name, value) for name, value in facts if value]


def _made_from(record: Record) -> list[tuple[str, str]]:
    mark = record.fingerprint
    return [
        ("fingerprint of the record", mark.digest),
        (
            "over",
            f"{mark.entries} entries: numbers {mark.first_seq} to {mark.last_seq} of the journal, and "
            f"{len(mark.later)} actions about the run outside them",
        ),
        ("configuration", record.digest),
        ("reproduce it with", f"tallydeck report {record.run.run} --journal JOURNAL"),
    ]
