"""What the log says of alarms, runs, refusals and links: one line each, and fields for a machine."""

from __future__ import annotations

import logging
from typing import Any

import pytest

from logger.core.actions import BODY
from logger.core.bay import Bay
from logger.core.entries import Action, Circumstance, Finding
from logger.service.chronicle import tell_findings, tell_link
from tests.core.folding import T0, configuration


@pytest.fixture
def log(caplog: pytest.LogCaptureFixture) -> pytest.LogCaptureFixture:
    caplog.set_level(logging.INFO, "tallydeck")
    return caplog


def own(record: logging.LogRecord) -> dict[str, Any]:
    fields: dict[str, Any] = record.tallydeck  # type: ignore[attr-defined]
    return fields


def told_by(entries: list[Any]) -> None:
    """Fold on a real bay and tell what it concludes."""
    bay = Bay(configuration().bay)
    for seq, entry in enumerate(entries, 1):
        tell_findings(bay.apply(entry._replace(seq=seq)))


def said(**body: Any) -> Action:
    return Action(T0, BODY.validate_python(body))


def test_an_alarm_is_one_line_with_what_to_do(log: pytest.LogCaptureFixture) -> None:
    told_by([Circumstance(T0, "journal", "", {"state": "not-recorded", "message": "the disk is full"})])
    (record,) = log.records
    assert record.levelname == "WARNING"
    assert record.getMessage().startswith("ALARM record-at-risk/journal: the disk is full")
    assert "\n" not in record.getMessage()
    assert own(record)["kind"] == "alarm-raised"
    assert own(record)["alarm"] == "record-at-risk/journal"


def test_an_alarm_that_ends_is_told_as_well(log: pytest.LogCaptureFixture) -> None:
    states = ("not-recorded", "recorded")
    told_by([Circumstance(T0, "journal", "", {"state": state, "message": ""}) for state in states])
    assert [own(record)["kind"] for record in log.records] == ["alarm-raised", "alarm-changed"]
    assert own(log.records[1])["state"] == "cleared"


def test_an_instruments_alarm_names_it_in_a_field(log: pytest.LogCaptureFixture) -> None:
    data = {
        "state": "raised",
        "kind": "instrument-silent",
        "channel": "feed",
        "what": "No word.",
        "do": "Look.",
    }
    tell_findings([Finding(T0, "alarm", "instrument-silent/feed", 3, data, 9)])
    assert own(log.records[0])["instrument"] == "feed"
    assert own(log.records[0])["seq"] == 9


def test_runs_and_refusals(log: pytest.LogCaptureFixture) -> None:
    told_by(
        [
            said(action="start-run", run="first"),
            said(action="end-run"),
            said(action="start-run", run="second", lot="L-9"),
        ]
    )
    assert [own(record)["kind"] for record in log.records] == ["run-opened", "run-closed", "action-refused"]
    assert "run first opened, lot none" in log.messages[0]
    assert 'no lot "L-9"' in log.messages[2]
    assert own(log.records[2])["action"] == "start-run"


def test_links(log: pytest.LogCaptureFixture) -> None:
    for state, why in (("up", "opened"), ("down", "the wire is gone")):
        tell_link(Circumstance(T0, "link", "feed", {"state": state, "why": why, "url": "/dev/x"}))
    tell_link(Circumstance(T0, "clock", "", {}))
    assert log.messages == ["feed: link up (/dev/x)", "feed: link down: the wire is gone"]
    assert [own(record)["kind"] for record in log.records] == ["link-up", "link-down"]
    assert own(log.records[1])["instrument"] == "feed"
