"""Snapshots of an invented foundry bay that wins bronze back from floor sweepings."""

from __future__ import annotations

from copy import deepcopy
from typing import Any

_CALM: dict[str, Any] = {
    "bay": "sweepings bay",
    "seq": 100,
    "at": "2030-05-04T12:40:00Z",
    "wall_step_s": 0.0,
    "units": "kg",
    "version": "0.0-test",
    "time_zone": "Europe/Lisbon",
    "recording": {"state": "recorded", "held": 0, "message": ""},
    "stations": [
        {
            "name": "table",
            "component": "bronze",
            "lot": {
                "lot": "L-0412",
                "owner": "PO 7781",
                "material": "floor sweepings",
                "net_kg": 398.3,
                "moisture": 0.06,
            },
            "run": {"run": "L-0412/1", "since": "2030-05-04T11:16:20Z", "elapsed_s": 5020},
            "settings": {"tilt": "4.5°", "stroke": "14 mm"},
            "feed": {
                "kind": "hopper",
                "channel": "hopper",
                "weighed": True,
                "rate_kg_h": 61.8,
                "u_rate_kg_h": 1.4,
                "target_kg_h": 60.0,
                "band_low_kg_h": 54.0,
                "band_high_kg_h": 66.0,
                "used_kg": 84.62,
                "u_used_kg": 0.05,
                "level_kg": 31.4,
                "state": "steady",
            },
            "outlets": [
                {
                    "name": "concentrate",
                    "channel": "scale-1",
                    "weighed": True,
                    "by_difference": False,
                    "kind": "drains",
                    "says": "wet",
                    "delivered_kg": 9.316,
                    "u_kg": 0.012,
                    "estimated_kg": 0.0,
                    "rate_kg_h": 6.62,
                    "u_rate_kg_h": 0.31,
                    "yield": 0.1104,
                    "u_yield": 0.0004,
                    "state": "steady",
                    "content_kg": 4.1,
                    "fill": 0.34,
                    "full_kg": 12.0,
                    "full_in_s": 4300,
                    "notice_s": 48,
                },
                {
                    "name": "middlings",
                    "channel": "scale-2",
                    "weighed": True,
                    "by_difference": False,
                    "kind": "brim-full",
                    "says": "solids",
                    "delivered_kg": 17.84,
                    "u_kg": 0.06,
                    "estimated_kg": 0.42,
                    "rate_kg_h": 12.9,
                    "u_rate_kg_h": 0.8,
                    "yield": 0.211,
                    "u_yield": 0.001,
                    "state": "steady",
                    "content_kg": 15.2,
                    "fill": 0.76,
                    "full_kg": 20.0,
                    "full_in_s": 1340,
                    "notice_s": 65,
                },
                {
                    "name": "tailings",
                    "channel": None,
                    "weighed": False,
                    "by_difference": True,
                    "kind": "retains",
                    "says": "as shown",
                    "delivered_kg": 56.9,
                    "u_kg": 0.9,
                    "estimated_kg": None,
                    "rate_kg_h": 42.0,
                    "u_rate_kg_h": 2.0,
                    "yield": 0.672,
                    "u_yield": 0.011,
                    "state": "unweighed",
                    "content_kg": None,
                    "fill": None,
                    "full_kg": None,
                    "full_in_s": None,
                    "notice_s": None,
                },
            ],
            "water": [
                {
                    "name": "wash water",
                    "channel": "water-1",
                    "to": "deck",
                    "state": "speaking",
                    "flow_l_min": 14.2,
                    "u_flow_l_min": 0.05,
                    "low_l_min": 12.0,
                    "high_l_min": 18.0,
                    "l_per_kg": 13.79,
                    "u_l_per_kg": 0.3,
                    "resets": 0,
                    "run": {
                        "litres": 1188.1,
                        "u_l": 0.4,
                        "unknown_l": 0.0,
                        "unknown_s": 0.0,
                        "l_per_kg": 14.04,
                    },
                },
                {
                    "name": "feed water",
                    "channel": "water-2",
                    "to": "feed",
                    "state": "speaking",
                    "flow_l_min": 2.6,
                    "u_flow_l_min": 0.02,
                    "low_l_min": None,
                    "high_l_min": None,
                    "l_per_kg": 2.524,
                    "u_l_per_kg": 0.06,
                    "resets": 0,
                    "run": {
                        "litres": 217.4,
                        "u_l": 2.5,
                        "unknown_l": 4.1,
                        "unknown_s": 95.0,
                        "l_per_kg": 2.57,
                    },
                },
            ],
            "solids": {"share": 0.284, "u": 0.005, "limit": 0.35, "span_s": 120, "why": ""},
            "recovery": {"component": "bronze", "value": 0.87, "low": 0.82, "high": 0.91, "estimated": True},
            "hold_up_kg": 0.6,
        }
    ],
    "alarms": [],
    "recognised": [
        {
            "id": "scale-2#3",
            "what": "container-changed",
            "channel": "scale-2",
            "station": "table",
            "at": "2030-05-04T12:21:40Z",
            "step_kg": -19.6,
            "credit_kg": 0.42,
            "estimated": True,
        },
        {
            "id": "hopper#2",
            "what": "refill",
            "channel": "hopper",
            "station": "table",
            "at": "2030-05-04T12:05:02Z",
            "step_kg": 25.1,
            "credit_kg": 0.3,
            "estimated": True,
        },
    ],
    "instruments": [
        {
            "name": "hopper",
            "link": "up",
            "age_s": 0.1,
            "value": 31.4,
            "unit": "kg",
            "status": "ok",
            "message": "",
        },
        {
            "name": "scale-1",
            "link": "up",
            "age_s": 0.1,
            "value": 5.12,
            "unit": "kg",
            "status": "ok",
            "message": "",
        },
        {
            "name": "scale-2",
            "link": "up",
            "age_s": 0.2,
            "value": 16.21,
            "unit": "kg",
            "status": "ok",
            "message": "",
        },
        {
            "name": "water-1",
            "link": "up",
            "age_s": 0.6,
            "value": 14.2,
            "unit": "L/min",
            "status": "ok",
            "message": "",
        },
        {
            "name": "water-2",
            "link": "up",
            "age_s": 0.6,
            "value": 2.6,
            "unit": "L/min",
            "status": "ok",
            "message": "",
        },
    ],
}

STOPPED: dict[str, Any] = {
    "id": "not-delivering:table:concentrate",
    "kind": "not-delivering",
    "station": "table",
    "subject": "concentrate",
    "channel": "scale-1",
    "state": "unacknowledged",
    "since": "2030-05-04T12:38:12Z",
    "since_s_ago": 108,
    "what": "The concentrate outlet has stopped delivering.",
    "do": "Stop the feed, then look for a plug at the concentrate launder.",
    "evidence": {"expected_kg_h": 6.6, "seen_kg_h": 0.0, "false_alarms_a_shift": 0.05},
}
NEAR_FULL: dict[str, Any] = {
    "id": "near-full:table:middlings",
    "kind": "near-full",
    "station": "table",
    "subject": "middlings",
    "channel": "scale-2",
    "state": "acknowledged",
    "since": "2030-05-04T12:36:00Z",
    "since_s_ago": 240,
    "what": "The middlings container is nearly full.",
    "do": "Have an empty container ready; change it within 4 minutes.",
    "evidence": {"fill": 0.93},
}
SILENT: dict[str, Any] = {
    "id": "silent:scale-2",
    "kind": "silent",
    "station": "table",
    "subject": "scale-2",
    "channel": "scale-2",
    "state": "returned-unacknowledged",
    "since": "2030-05-04T12:31:00Z",
    "since_s_ago": 540,
    "what": "Nothing came from scale-2 for 22 s.",
    "do": "Check its cable and its battery.",
    "evidence": {"silent_s": 22},
}
HOSTILE = '<img src=x onerror="window.hacked=1"><script>window.hacked=1</script>\u202e'


def calm() -> dict[str, Any]:
    return deepcopy(_CALM)


def alarming() -> dict[str, Any]:
    snapshot = calm()
    snapshot["alarms"] = [deepcopy(alarm) for alarm in (STOPPED, SILENT, NEAR_FULL)]
    concentrate, middlings, _ = snapshot["stations"][0]["outlets"]
    concentrate.update(rate_kg_h=0.0, u_rate_kg_h=0.2, state="steady", full_in_s=None)
    middlings.update(fill=0.93, content_kg=18.6, full_in_s=380)
    snapshot["stations"][0]["feed"].update(rate_kg_h=71.5, state="steady")
    snapshot["instruments"][2].update(link="down", age_s=22.0, status="silent", message="no answer")
    snapshot["recording"] = {"state": "not-recorded", "held": 412, "message": "the disk is full"}
    return snapshot


def bare() -> dict[str, Any]:
    """Every value that may be null is null, and every list that may be empty is empty."""
    snapshot = calm()
    station = snapshot["stations"][0]
    station.update(
        lot=None, run=None, recovery=None, hold_up_kg=None, component=None, settings={}, water=[], solids=None
    )
    for part in (station["feed"], *station["outlets"]):
        for key in part:
            if key not in {"name", "weighed", "by_difference", "kind", "says"}:
                part[key] = None
    station["feed"].update(weighed=False, kind="unweighed")
    for key in ("bay", "at", "wall_step_s", "time_zone"):
        snapshot[key] = None
    snapshot.update(alarms=[], recognised=[], instruments=[])
    return snapshot


def hostile() -> dict[str, Any]:
    """Every text is an attack: what an instrument or a lot's name could carry."""

    def spoil(value: Any, key: str = "") -> Any:
        if isinstance(value, dict):
            return {name: spoil(item, name) for name, item in value.items()} | (
                {HOSTILE: HOSTILE} if key in {"settings", "evidence"} else {}
            )
        if isinstance(value, list):
            return [spoil(item, key) for item in value]
        return HOSTILE + value if isinstance(value, str) and key not in {"units", "version"} else value

    spoiled: dict[str, Any] = spoil(alarming())
    return spoiled
