"""Sights of a bay with five outlets, to be looked at from afar: snapshots and their last ten minutes."""

from __future__ import annotations

from copy import deepcopy
from typing import Any

from tests.board.snapshots import calm

STEPS = 60
AT = "2030-05-04T12:40:00Z"
# name, mass kg, its u, rate kg/h, its u, yield, fill, full in s, a stop is noticed in s
_OUTLETS: list[tuple[str, float, float, float, float, float, float, int, float]] = [
    ("concentrate", 9.316, 0.012, 8.1, 0.3, 0.1352, 0.34, 4300, 31),
    ("middlings", 7.84, 0.06, 6.2, 0.5, 0.101, 0.76, 1340, 65),
    ("tailings", 52.61, 0.08, 38.4, 1.1, 0.641, 0.48, 1500, 14),
    ("fines", 5.142, 0.016, 3.9, 0.3, 0.0652, 0.22, 15300, 82),
]
RHYTHM = {
    "stops": 3,
    "sentence": "plugs about every 12 minutes, last cleared 10 minutes ago",
    "cost": "The 3 stops held back 1.2 ± 0.1 kg; of it 0.4 ± 0.1 kg never came",
}
STOPPED: dict[str, Any] = {
    "id": "outlet-not-delivering table concentrate",
    "kind": "outlet-not-delivering",
    "station": "table",
    "subject": "concentrate",
    "channel": "scale-concentrate",
    "state": "unacknowledged",
    "active": True,
    "since": "2030-05-04T12:38:12Z",
    "since_s_ago": 108,
    "what": "Outlet concentrate is not delivering: 1% of what was due came in the last 45 s.",
    "do": "Lock the table out, then clear the outlet. Look whether product crossed into its neighbour.",
    "evidence": {"window_s": 45, "delivered_kg": 0.001, "expected_kg": 0.101, "usual_kg_h": 8.1, "nats": 11},
}


def _outlet(row: tuple[str, float, float, float, float, float, float, int, float]) -> dict[str, Any]:
    name, kg, u_kg, rate, u_rate, share, fill, full_in, notice = row
    said = "solids" if name == "fines" else "wet"
    return deepcopy(calm()["stations"][0]["outlets"][0]) | {
        "name": name,
        "channel": f"scale-{name}",
        "says": said,
        "delivered_kg": kg,
        "u_kg": u_kg,
        "rate_kg_h": rate,
        "u_rate_kg_h": u_rate,
        "yield": share,
        "u_yield": 0.0004 + u_kg / 100,
        "fill": fill,
        "content_kg": 12 * fill,
        "full_in_s": full_in,
        "notice_s": notice,
        "rhythm": RHYTHM if name == "concentrate" else None,
    }


def five() -> dict[str, Any]:
    """All is well: four weighed outlets, and a spill tray known by difference only."""
    snapshot = calm()
    station = snapshot["stations"][0]
    tray = deepcopy(station["outlets"][2]) | {
        "name": "spill tray", "delivered_kg": 3.9, "u_kg": 0.9, "rate_kg_h": None, "u_rate_kg_h": None,
        "yield": 0.046, "u_yield": 0.011,
    }  # fmt: skip
    station["outlets"] = [*map(_outlet, _OUTLETS), tray]
    station["hold_up"] = {"kg": 0.6, "u_kg": 0.12, "low_kg": 0.4, "high_kg": 0.9}
    station["settings"] |= {"speed": "285 /min"}
    snapshot["recognised"][0] |= {
        "channel": "scale-middlings", "outlet": "middlings", "at": "2030-05-04T12:34:40Z",
    }  # fmt: skip
    return snapshot


def five_alarmed() -> dict[str, Any]:
    """The concentrate's outlet has stopped."""
    snapshot = five()
    snapshot["alarms"] = [deepcopy(STOPPED)]
    snapshot["stations"][0]["outlets"][0] |= {
        "rate_kg_h": 0.1, "u_rate_kg_h": 0.2, "full_in_s": None,
        "rhythm": {
            "stops": 1, "sentence": "plugged for 76 seconds, for the first time in this run",
            "cost": "The stop held back 0.24 ± 0.05 kg so far",
        },
    }  # fmt: skip
    return snapshot


def five_strips(stopped: bool = False) -> dict[str, Any]:
    """Its last ten minutes: the feed wanders, a container was changed, a scale came late."""
    wander = [1 + 0.08 * ((n * 7) % 5 - 2) / 2 + 0.05 * ((n * 3) % 7 - 3) / 3 for n in range(STEPS)]
    lines: dict[str, list[float | None]] = {
        row[0]: [round(row[3] * wander[(n + 11 * index) % STEPS], 3) for n in range(STEPS)]
        for index, row in enumerate(_OUTLETS)
    }
    lines["fines"][:9] = [None] * 9
    if stopped:
        lines["concentrate"][-9:] = [3.2, 0.4] + [0.0] * 7
    return {
        "station": "table",
        "to": AT,
        "step_s": 10,
        "feed": [round(60 * factor, 3) for factor in wander],
        "outlets": lines,
        "estimated": {"middlings": [27, 28, 29, 30, 31], "concentrate": [], "tailings": [], "fines": []},
        "usual": {row[0]: row[3] for row in _OUTLETS},
        "water": {},
    }
