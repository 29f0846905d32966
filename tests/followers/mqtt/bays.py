"""Snapshots of a bay for tests: small, with what the retained topics are made of."""

from __future__ import annotations

from typing import Any


def alarm(name: str, state: str, station: str = "", what: str = "It stands.") -> dict[str, Any]:
    kind, _, subject = name.removeprefix(f"{station}/").partition("/")
    return {
        "id": name,
        "kind": kind,
        "station": station,
        "subject": subject,
        "channel": "",
        "state": state,
        "since": "2026-03-01T10:00:00.000Z",
        "state_since": "2026-03-01T10:00:01.000Z",
        "what": what,
        "do": "Look.",
    }


def snapshot(
    *alarms: dict[str, Any], recorded: bool = True, seq: int = 7, stations: Any = ()
) -> dict[str, Any]:
    return {
        "seq": seq,
        "at": "2026-03-01T10:00:02.000Z",
        "recording": {"state": "recorded" if recorded else "not-recorded", "held": 0, "message": ""},
        "stations": list(stations),
        "alarms": list(alarms),
    }
