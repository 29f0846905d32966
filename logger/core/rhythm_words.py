"""The rhythm of plugging as plain JSON and as sentences for people."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from logger.core.rhythm import Figures
from logger.core.units import kg_to
from logger.core.walltime import rfc3339

NS = 10**9


def spoken(seconds: float) -> str:
    """A length of time as one says it: "40 seconds", "12 minutes", "2 h 10 min"."""
    if seconds < 99.5:
        whole = max(round(seconds), 0)
        return f"{whole} second" + ("" if whole == 1 else "s")
    minutes = round(seconds / 60.0)
    if minutes < 120:
        return f"{minutes} minutes"
    return f"{minutes // 60} h {minutes % 60} min" if minutes % 60 else f"{minutes // 60} hours"


def sentence(told: Figures, now_s: int, *, over: bool = False) -> str:
    """How often it plugs, in one sentence without a full stop; "" where nothing can be said.

    ``over``: of a run that has ended, so nothing is told as of now.
    """
    if told.free_s <= 0 and told.stops == 0:
        return ""
    if told.stops == 0:
        return f"{'did not plug' if over else 'has not plugged'} in {spoken(told.free_s)} of feeding"
    return _of_the_past(told) if over else _as_of_now(told, now_s)


def _of_the_past(told: Figures) -> str:
    if told.every_s is not None:
        return f"plugged {told.stops} times, about every {spoken(told.every_s)}{_usually(told)}"
    if told.clearing_s is None:
        return "plugged once, and was not cleared"
    return f"plugged once, cleared after {spoken(told.clearing_s[0])}"


def _as_of_now(told: Figures, now_s: int) -> str:
    often = "" if told.every_s is None else f"plugs about every {spoken(told.every_s)}"
    if told.plugged_since_s is not None:
        now = f"plugged for {spoken(now_s - told.plugged_since_s)}"
        return f"{now}; {often}{_usually(told)}" if often else f"{now}, for the first time in this run"
    if often:
        return often + _cleared(told, now_s)
    if told.last_flowing_s is None:
        return "plugged once, and was not cleared"
    return f"plugged once, cleared {spoken(now_s - told.last_flowing_s)} ago"


def _cleared(told: Figures, now_s: int) -> str:
    if told.last_flowing_s is None:
        return ""
    return f", last cleared {spoken(now_s - told.last_flowing_s)} ago"


def _usually(told: Figures) -> str:
    return "" if told.clearing_s is None else f", cleared after {spoken(told.clearing_s[0])} as a rule"


def cost(told: Mapping[str, Any], unit: str) -> str:
    """What the stops cost, in one sentence in the bay's unit; "" where there was none.

    ``told`` as `rhythm_json` gives it.
    """
    if told["stops"] == 0:
        return ""
    stops = "The stop" if told["stops"] == 1 else f"The {told['stops']} stops"
    held = _mass(told["held_back_kg"], told["u_held_back_kg"], unit)
    missing_kg, u_kg = told["missing_kg"], told["u_missing_kg"]
    if told["plugged_since"] is not None:
        return f"{stops} held back {held} so far"
    if missing_kg <= u_kg:
        return f"{stops} held back {held}; all of it seems to have come since"
    return f"{stops} held back {held}; of it {_mass(missing_kg, u_kg, unit)} never came"


def _mass(kg: float, u_kg: float, unit: str) -> str:
    value, u = kg_to(max(kg, 0.0), unit), kg_to(u_kg, unit)
    digits = 3 if u < 0.0095 else 2 if u < 0.095 else 1
    return f"{value:.{digits}f} ± {u:.{digits}f} {unit}"


def rhythm_json(told: Figures, now_s: int, *, over: bool = False) -> dict[str, Any]:
    """The form of the picture and of the tally; times in s, masses in kg, rates per hour of feeding."""
    clearing = told.clearing_s
    plugged, last = told.plugged_since_s, told.last_flowing_s
    return {
        "stops": told.stops,
        "free_s": told.free_s,
        "per_hour": _round(told.per_hour),
        "per_hour_low": _round(told.per_hour_low),
        "per_hour_high": _round(told.per_hour_high),
        "every_s": _round(told.every_s, 0),
        "plugged_since": None if plugged is None else rfc3339(plugged * NS),
        "last_cleared": None if last is None else rfc3339(last * NS),
        "clearing_s": None
        if clearing is None
        else {"median": clearing[0], "least": clearing[1], "most": clearing[2]},
        "held_back_kg": round(told.held_kg, 4),
        "u_held_back_kg": round(told.u_held_kg, 4),
        "released_kg": round(told.released_kg, 4),
        "missing_kg": round(told.missing_kg, 4),
        "u_missing_kg": round(told.u_missing_kg, 4),
        "sentence": sentence(told, now_s, over=over),
    }


def _round(value: float | None, digits: int = 3) -> float | None:
    return None if value is None else round(value, digits)
