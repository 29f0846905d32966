"""Helpers: journals of the simulated bay as a daemon would have written them, without one.

All of it is invented: a foundry wins bronze back from floor sweepings.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cache
from pathlib import Path
from typing import Any

from logger.core.actions import BODY
from logger.core.bay import Bay
from logger.core.entries import Action, Circumstance, Entry, Reading, Record
from logger.journal.journal import Journal
from logger.settings import Configuration, loads
from tests.core.folding import NS, T0, foundry_trace, reading

DEMO = (Path(__file__).parents[2] / "config" / "demo.toml").read_text("utf-8")
BOOT = "a-boot"

LOT = {
    "action": "open-lot", "lot": "L-0412", "owner": "PO 7781", "material": "floor sweepings",
    "gross": "412.5 kg", "tare": "14.2 kg", "moisture": "6 %",
}  # fmt: skip
SETTINGS = {"action": "settings", "values": {"tilt": "4.5 deg", "stroke": "14 mm"}}

Said = tuple[float, dict[str, Any]]
RUN: tuple[Said, ...] = (
    (1.0, LOT),
    (2.0, {"action": "check-weight", "scale": "concentrate", "nominal": "5 kg", "shown": 5.002, "u": "1 g"}),
    (3.0, SETTINGS),
    (5.0, {"action": "start-run", "lot": "L-0412"}),
    (440.0, {"action": "note", "text": "cleared the concentrate launder"}),
    (450.0, {"action": "settings", "values": {"tilt": "4.0 deg"}}),
    (600.0, {"action": "sample-taken", "outlet": "concentrate", "sample": "S-1", "mass": "180 g"}),
    (700.0, {"action": "end-run", "hold_up": "0.4 kg"}),
)  # fmt: skip
ASSAYS: tuple[Said, ...] = (
    (710.0, {"action": "sample-result", "sample": "S-1", "assay": {"bronze": "91.5 %"}, "u": "0.6 %"}),
    (712.0, {"action": "register-sample", "sample": "F-1", "lot": "L-0412"}),
    (714.0, {"action": "sample-result", "sample": "F-1", "assay": {"bronze": "17.8 %"}, "u": "0.5 %"}),
)


def configuration(text: str = DEMO) -> Configuration:
    return loads(text)


def in_pounds() -> str:
    return DEMO.replace('units = "kg" ', 'units = "lb" ')


@cache
def readings(duration_s: float = 720.0) -> tuple[Reading, ...]:
    return tuple(reading(*line) for line in foundry_trace(seed=1, duration_s=duration_s).readings)


def action(at_s: float, body: dict[str, Any], who: str = "") -> Action:
    made = BODY.validate_python(body)
    return Action(T0 + round(at_s * NS), made, made.id, who)


def listed(said: Iterable[Said], rows: Iterable[Entry], text: str = DEMO) -> list[Entry]:
    """What was said among what was read, in order, behind the circumstances of a start."""
    digest = loads(text).digest
    start = [
        Circumstance(T0, "boot", "", {"boot": BOOT, "offset_ns": T0}),
        Circumstance(T0, "clock", "", {"boot": BOOT, "step_ns": 0, "trusted": True}),
        Circumstance(T0, "configuration", digest, {"version": "0.1.0"}),
    ]
    whole = [*start, *(action(*each) for each in said), *rows]
    return sorted(whole, key=lambda entry: entry.at_ns)


def write_journal(path: Path, entries: Sequence[Entry], text: str = DEMO) -> Bay:
    """Fold entries and enter them with what follows from each, as the loop does; the bay as it is then."""
    described = loads(text)
    bay, records, seq = Bay(described.bay), [], 0
    for entry in entries:
        seq += 1
        numbered = entry._replace(seq=seq)
        records.append(numbered)
        for finding in bay.apply(numbered):
            seq += 1
            records.append(finding._replace(seq=seq))
    journal = Journal.open(path, boot_id=BOOT, offset_ns=T0, ballast_bytes=0)
    journal.remember_configuration(described.digest, described.text)
    for start in range(0, len(records), 5000):
        journal.append(records[start : start + 5000])
    journal.close()
    return bay


def said_later(path: Path, said: Iterable[Said], text: str = DEMO) -> None:
    """Enter actions into a journal that stands, behind all that is in it."""
    whole: list[Record] = []
    journal = Journal.open(path, boot_id=BOOT, offset_ns=T0, ballast_bytes=0)
    bay, last = Bay(loads(text).bay), journal.last_seq
    for record in journal.read(findings=False):
        bay.apply(record)  # type: ignore[arg-type]
    for at_s, body in said:
        last += 1
        entry = action(at_s, body)._replace(seq=last)
        whole.append(entry)
        for finding in bay.apply(entry):
            last += 1
            whole.append(finding._replace(seq=last))
    journal.append(whole)
    journal.close()
