"""The documented schema against what a bay really sends, both ways; its questions asked of real stores."""

from __future__ import annotations

import json
import re
import time
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import urlencode

import pytest

from logger.core.actions import Amend, EndRun, OpenLot, Shelve, StartRun, WeighProduct
from logger.core.bay import Bay
from logger.core.entries import Action, Entry, Reading, Record
from logger.core.tagging import Changed, Clockwork, Spans, Tag
from logger.followers.store.places import Places
from logger.followers.store.points import RETRACTABLE, Line, Meaning
from logger.followers.store.times import Times
from tests.core.folding import NS, T0, configuration, entries, foundry_trace
from tests.followers.store.protocol import parsed
from tests.followers.store.test_engines import written
from tests.program import until
from tests.servers import Influx, VictoriaMetrics, ask, needs_influx, needs_victoria

TEXT = (Path(__file__).parents[3] / "deploy" / "store" / "SCHEMA.md").read_text("utf-8")
TYPES = {"float": float, "integer": int, "boolean": bool, "string": str}
LENGTH_S = 700.0


class Described(NamedTuple):
    tags: set[str]
    fields: dict[str, type]


@cache
def documented() -> dict[str, Described]:
    """Measurement -> its tags and fields, as the tables say."""
    found: dict[str, Described] = {}
    for name, section in re.findall(r"^## `(\w+)`\n(.*?)(?=^## )", TEXT, re.MULTILINE | re.DOTALL):
        rows = re.findall(r"^\| `(\w+)` \| (\w*)", section, re.MULTILINE)
        tags = {row for row, kind in rows if kind not in TYPES}
        if "Tags as `reading`" in section:
            tags = found["reading"].tags
        found[name] = Described(tags, {row: TYPES[kind] for row, kind in rows if kind in TYPES})
    return found


def questions(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)\n```$", TEXT, re.MULTILINE | re.DOTALL)


@cache
def sent(newest_ns: int = T0 + int(LENGTH_S) * NS) -> list[Line]:
    """All that a bay with water sends in a run that is corrected; the last of it at about ``newest_ns``."""
    water = '[stations.table.water.wash]\nmeter = "wash-water"\n'
    bay = Bay(configuration(configuration().text + water).bay)
    readings = [entry for entry in entries(foundry_trace(duration_s=LENGTH_S)) if type(entry) is Reading]
    odd = [
        Reading(T0 + 20 * NS, "wash-water", 5, 0, "L"),
        Reading(T0 + 21 * NS, "wash-water", 5, 0, "pulse"),
        Reading(T0 + 22 * NS, "fines", 5, 0, "kg", False, "over"),
    ]
    shelve = Shelve(alarm="table/feed-stopped/feed", minutes=5, why="the hopper is cleaned")
    start = T0 + NS
    before = sum(reading.at_ns <= start for reading in readings)
    said = [
        Action(start, OpenLot(lot="sweepings 7")),
        Action(start, StartRun(lot="sweepings 7")),
        Action(T0 + 600 * NS, shelve),
        Action(T0 + 640 * NS, EndRun()),
        Action(
            T0 + 650 * NS, WeighProduct(outlet="fines", container="pail", gross=2.0, tare=1.0, run="run-1")
        ),
        Action(T0 + 660 * NS, Amend(entry=before + 2, change={"time": "2026-03-02T06:00:00Z"})),
    ]
    listed: list[Entry] = sorted([*readings, *odd, *said], key=lambda entry: entry.at_ns)
    records: list[Record] = []
    for entry in listed:
        numbered = entry._replace(seq=len(records) + 1)
        records.append(numbered)
        records += [f._replace(seq=len(records) + n) for n, f in enumerate(bay.apply(numbered), 1)]
    times = Times()
    times.update([Clockwork(0, newest_ns - T0 - int(LENGTH_S) * NS, True)], 0)
    told = Meaning("foundry", Spans(bay.books.spans()), Places([(1, bay.description)]), times)
    return told.lines(records) + told.withdrawn(
        records, [Changed("table", 0, None, Tag("run-1", "sweepings 6"))]
    )


def really() -> dict[str, Described]:
    found: dict[str, Described] = {}
    for line in sent():
        point = parsed(line.text)
        mine = found.setdefault(point.measurement, Described(set(point.tags), {}))
        assert mine.tags == set(point.tags), line
        mine.fields.update({name: type(value) for name, value in point.fields.items()})
    return found


def test_the_documented_measurements_are_those_that_are_sent() -> None:
    assert documented().keys() == really().keys() == {*RETRACTABLE, "run"}


@pytest.mark.parametrize("measurement", [*RETRACTABLE, "run"])
def test_every_point_has_the_documented_tags(measurement: str) -> None:
    assert really()[measurement].tags == documented()[measurement].tags


@pytest.mark.parametrize("measurement", [*RETRACTABLE, "run"])
def test_every_field_that_is_sent_is_documented_with_its_type(measurement: str) -> None:
    described = documented()[measurement].fields
    assert {n: t for n, t in really()[measurement].fields.items() if described.get(n) is not t} == {}


@pytest.mark.parametrize("measurement", [*RETRACTABLE, "run"])
def test_every_documented_field_is_sent(measurement: str) -> None:
    assert documented()[measurement].fields.keys() - really()[measurement].fields.keys() == set()


def test_there_are_questions_in_every_language() -> None:
    assert [len(questions(each)) > 0 for each in ("influxql", "flux", "promql")] == [True] * 3


@needs_influx
def test_each_question_in_influxql_has_an_answer(tmp_path: Path) -> None:
    with Influx(tmp_path) as store:
        written(store, sent(time.time_ns()), Authorization=f"Token {store.token}")
        answers: dict[str, Any] = {question: store.query(question) for question in questions("influxql")}
    assert [question for question, found in answers.items() if not found] == []
    errors = [found for found in answers.values() if "error" in json.dumps(found)]
    assert errors == []


@needs_victoria
def test_each_question_in_promql_has_an_answer(tmp_path: Path) -> None:
    newest_ns = time.time_ns()
    lines = sent(newest_ns)
    with VictoriaMetrics(tmp_path) as store:
        written(store, lines)
        until(lambda: len(store.held()) > 1000, "points in the store", 20.0)
        empty = []
        for question in questions("promql"):
            asked = urlencode({"query": question, "time": newest_ns // NS - 65, "nocache": 1})
            answer = json.loads(ask(f"{store.url}/api/v1/query?{asked}"))
            assert answer["status"] == "success", answer
            if not answer["data"]["result"]:
                empty.append(question)
    assert empty == []
