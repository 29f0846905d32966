"""The check weights of a scale as they are told: each with its verdict, and how the scale moved over them."""

from __future__ import annotations

from dataclasses import asdict
from datetime import datetime
from typing import Any

from logger.balance.checks import drift, judge, scale_warnings
from logger.balance.document import CheckWeight, Scale


def scale_json(name: str, scale: Scale, now: datetime | None, unit: str = "kg") -> dict[str, Any]:
    """A scale's plate, its checks, newest first, its drift, and what to know of it before it is believed.

    Masses in kg; ``drift`` as `checks.Drift` has it, None for fewer than three checks. ``now``: for the age
    of the last check. ``unit``: of the sentences.
    """
    moved = drift(scale, unit)
    checks = sorted(scale.checks, key=lambda check: (check.at is not None, check.at), reverse=True)
    return {
        "scale": name,
        "resolution_kg": scale.resolution,
        "class": scale.accuracy_class,
        "verification_interval_kg": scale.verification_interval,
        "tolerance_kg": scale.tolerance,
        "repeatability_kg": scale.repeatability,
        "checks": [_check_json(check, scale, unit) for check in checks],
        "drift": None if moved is None else asdict(moved),
        "warnings": list(scale_warnings(scale, now, unit=unit)),
    }


def _check_json(check: CheckWeight, scale: Scale, unit: str) -> dict[str, Any]:
    judged = judge(check, scale, unit)
    return {
        "time": None if check.at is None else check.at.isoformat().replace("+00:00", "Z"),
        "nominal_kg": check.nominal,
        "u_nominal_kg": check.u_nominal,
        "shown_kg": check.shown,
        "error_kg": round(judged.error, 9),
        "limit_kg": judged.limit,
        "limit_from": judged.source,
        "verdict": judged.verdict,
        "says": judged.says,
    }
