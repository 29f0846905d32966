"""What was found, as plain data for a machine: the command line's --json and the HTTP API tell the same."""

from __future__ import annotations

from typing import Any

from logger.core.guess.layouts import Candidate
from logger.core.guess.proposal import Proposal
from logger.ports.finding import Found, Trial, show_bytes
from logger.settings.adding import instrument_toml, why_not


def found_dict(found: Found, proposal: Proposal | None, name: str, place: str) -> dict[str, Any]:
    """``proposal`` as decided by the person; ``name`` and ``place`` go into the configuration's text."""
    return {
        "verdict": found.verdict,
        "sent": [show_bytes(request)[1:-1] for request in found.sent],
        "notes": list(found.notes),
        "trials": [_trial(trial) for trial in found.trials if trial.fit.size],
        "proposal": None if proposal is None else _proposal(proposal, name, place),
    }


def _trial(trial: Trial) -> dict[str, Any]:
    baud, framing = trial.setting or (None, None)
    fit = trial.fit
    return {
        "baud": baud,
        "format": framing,
        "asked": show_bytes(trial.request)[1:-1],
        "fit": round(fit.score, 3),
        "clean": round(fit.clean, 3),
        "alike": round(fit.alike, 3),
        "numbers": round(fit.numbers, 3),
        "sma": round(fit.sma, 3),
        "bytes": fit.size,
        "lines": len(fit.cut.lines),
        "sample_hex": trial.sample.hex(),
    }


def _proposal(found: Proposal, name: str, place: str) -> dict[str, Any]:
    baud, framing = found.settings or (None, None)
    line = found.line
    trouble = why_not(found)
    return {
        "baud": baud,
        "format": framing,
        "dialect": found.dialect,
        "mode": found.mode,
        "request": show_bytes(found.request)[1:-1],
        "interval_s": found.interval_s,
        "unit": found.unit,
        "quantity": found.quantity,
        "resolution": None if found.unit is None else f"{found.resolution} {found.unit}",
        "shows": found.shows or None,
        "layout": None if line is None else line.layout,
        "words": {} if line is None else dict(line.words),
        "end": None if line is None else line.end,
        "decimal": None if line is None else line.decimal,
        "read": found.read,
        "of": found.of,
        "shown": list(found.shown),
        "reasons": list(found.reasons),
        "questions": list(found.questions),
        "alternatives": [_alternative(each) for each in found.alternatives],
        "trouble": trouble or None,
        "toml": None if trouble else instrument_toml(name, place, found),
    }


def _alternative(each: Candidate) -> dict[str, Any]:
    return {
        "layout": each.line.layout,
        "words": dict(each.line.words),
        "decimal": each.line.decimal,
        "unit": each.unit,
        "read": each.read,
        "of": each.of,
        "shown": list(each.shown),
        "questions": list(each.questions),
    }
