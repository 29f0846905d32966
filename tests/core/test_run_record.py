"""A run as lines and events, from the findings of a played bay."""

from __future__ import annotations

from typing import Any

import pytest

from logger.core import run_record as module
from logger.core.bay import Bay
from logger.core.entries import Finding
from logger.core.run_record import KINDS, run_record
from logger.core.walltime import parse_rfc3339
from tests.core.folding import NS, T0, configuration, entries, fold, foundry_trace


@pytest.fixture(scope="module")
def played() -> tuple[dict[str, Any], list[Finding], Bay]:
    bay = Bay(configuration().bay)
    found = fold(bay, entries(foundry_trace()))
    return bay.books.run_json(bay.books.runs["run-1"]), [f for f in found if f.kind in KINDS], bay


def test_the_lines_are_those_that_were_told(played: tuple[dict[str, Any], list[Finding], Bay]) -> None:
    run, findings, _ = played
    made = run_record(run, findings)
    names = {f"outlet {name}" for name in ("concentrate", "middlings", "tailings", "fines")}
    assert set(made["rates"]["lines"]) == set(made["tally"]["lines"]) == {"feed"} | names
    last = [f for f in findings if f.kind == "rates"][-1]
    assert parse_rfc3339(made["rates"]["times"][-1]) == last.at_ns
    assert made["rates"]["lines"]["outlet tailings"][-1] == last.data["outlets"]["tailings"][0]
    told = [f for f in findings if f.kind == "tally"]
    fed = made["tally"]["lines"]["feed"]
    assert fed == [f.data["feed_kg"] for f in told]
    assert fed == sorted(fed)


def test_events_are_what_was_recognised_and_alarmed_at_the_station(
    played: tuple[dict[str, Any], list[Finding], Bay],
) -> None:
    run, findings, _ = played
    alien = Finding(T0, "alarm", "other/feed-drift/feed", 1, {"station": "other", "kind": "x"})
    disk = Finding(T0, "alarm", "record-at-risk/journal", 1, {"station": "", "kind": "record-at-risk"})
    made = run_record(run, [alien, disk, *findings])
    assert {"recognised", "alarm"} <= {event["type"] for event in made["events"]}
    assert all(event.get("station") != "other" for event in made["events"])
    assert [event for event in made["events"] if event.get("kind") == "record-at-risk"]
    assert len(made["events"]) == 1 + sum(f.kind not in ("rates", "tally") for f in findings)


def test_a_long_run_is_drawn_with_fewer_points(
    played: tuple[dict[str, Any], list[Finding], Bay], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rates become means of neighbours, so nothing is skipped; a tally keeps the latest of them."""
    run, findings, _ = played
    whole = run_record(run, findings)
    monkeypatch.setattr(module, "MOST_POINTS", 5)
    thin = run_record(run, findings)
    count = len(whole["rates"]["times"])
    step = -(-count // 5)
    assert len(thin["rates"]["times"]) == -(-count // step) <= 5
    first = whole["rates"]["lines"]["outlet tailings"][:step]
    mean = sum(first) / step
    assert thin["rates"]["lines"]["outlet tailings"][0] == pytest.approx(mean, abs=1e-4)
    assert thin["tally"]["lines"]["feed"][-1] == whole["tally"]["lines"]["feed"][-1]


def test_a_run_without_findings_has_empty_lines(played: tuple[dict[str, Any], list[Finding], Bay]) -> None:
    empty = {"times": [], "lines": {}}
    assert run_record(played[0], []) == {"run": "run-1", "rates": empty, "tally": empty, "events": []}


def test_what_was_not_known_is_none() -> None:
    run = {"run": "run-1", "station": "table"}
    rows = [
        Finding(T0, "rates", "table", 1, {"outlets": {"a": None}, "water": {"w": [3.5, 0.1]}}),
        Finding(
            T0 + 10 * NS, "rates", "table", 2, {"feed": [40.0, 1], "outlets": {"a": [2, 1]}, "water": {}}
        ),
    ]
    assert run_record(run, rows)["rates"]["lines"] == {
        "outlet a": [None, 2.0],
        "water w": [3.5, None],
        "feed": [None, 40.0],
    }
