"""What happens in the bay as log lines: alarms, runs, refused actions, links. One readable line each."""

from __future__ import annotations

import logging
from collections.abc import Iterable
from typing import Any

from logger.core.entries import Circumstance, Finding

log = logging.getLogger("tallydeck.bay")


def tell_findings(findings: Iterable[Finding]) -> None:
    """Log what was concluded, as far as it is worth a line. Give it what has been committed."""
    for finding in findings:
        match finding.kind:
            case "alarm":
                _alarm(finding)
            case "run-opened":
                lot = finding.data.get("lot") or "none"
                _say(logging.INFO, "run-opened", finding, "run %s opened, lot %s", finding.subject, lot)
            case "run-closed":
                _say(logging.INFO, "run-closed", finding, "run %s closed", finding.subject)
            case "refused":
                _say(
                    logging.WARNING,
                    "action-refused",
                    finding,
                    "refused: %s: %s",
                    finding.data.get("action", finding.subject),
                    finding.data.get("reason", ""),
                )
            case _:
                pass


def tell_link(entry: Circumstance) -> None:
    """Log that a wire came up or went down; other circumstances are not its business."""
    if entry.kind != "link":
        return
    up = entry.data.get("state") == "up"
    fields = {"kind": "link-up" if up else "link-down", "instrument": entry.subject}
    fields["url"] = str(entry.data.get("url", ""))
    if up:
        log.info("%s: link up (%s)", entry.subject, fields["url"], extra={"tallydeck": fields})
    else:
        why = entry.data.get("why", "")
        log.warning("%s: link down: %s", entry.subject, why, extra={"tallydeck": fields})


def _alarm(finding: Finding) -> None:
    data = finding.data
    state, name, what = str(data.get("state", "")), finding.subject, data.get("what", "")
    raised = state == "raised"
    own = {"kind": "alarm-raised" if raised else "alarm-changed", "seq": finding.seq}
    own |= {"alarm": name, "alarm_kind": data.get("kind", ""), "state": state}
    told = (("instrument", "channel"), ("station", "station"))
    own |= {field: data[key] for field, key in told if data.get(key)}
    if raised:
        log.warning("ALARM %s: %s %s", name, what, data.get("do", ""), extra={"tallydeck": own})
    else:
        log.info("alarm %s %s: %s", name, state, what, extra={"tallydeck": own})


def _say(level: int, kind: str, finding: Finding, text: str, *parts: Any) -> None:
    own: dict[str, Any] = {"kind": kind, "seq": finding.seq}
    own |= {name: finding.data[name] for name in ("run", "lot", "action") if finding.data.get(name)}
    log.log(level, text, *parts, extra={"tallydeck": own})
