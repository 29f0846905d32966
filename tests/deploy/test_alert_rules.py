"""The alert rules are fired by promtool: quiet while all is well, pending for their time, then firing."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from pathlib import Path

import pytest

RULES = Path(__file__).resolve().parents[2] / "deploy" / "observe" / "alerts.yml"
BAD_FROM_S = 3_600
STEP_S = 15

# alert: (series, its value while all is well, its value from BAD_FROM_S on, seconds until it must fire)
CASES = {
    "TallydeckDown": ('up{job="tallydeck"}', "1", "0", 60),
    "TallydeckRecordAtRisk": ("tallydeck_journal_writable", "1", "0", 15),
    "TallydeckReadingsLost": ("tallydeck_entries_lost_total", "0", "7", 0),
    "TallydeckNotWatching": ("tallydeck_live", "1", "0", 300),
    "TallydeckDiskFilling": ("tallydeck_disk_free_bytes", "5e10", "5e8", 600),
    "TallydeckFollowerBehind": ('tallydeck_follower_backlog_seconds{follower="store"}', "3", "601", 300),
    "TallydeckFollowerPaused": ('tallydeck_follower_state{follower="store", state="paused"}', "0", "1", 60),
    "TallydeckSetAside": ('tallydeck_follower_aside_entries_total{follower="store"}', "0", "1", 0),
    "TallydeckLedgerOff": ('tallydeck_ledger_difference{ledger="frames"}', "0", "-3", 60),
    "TallydeckInstrumentDown": ('tallydeck_instrument_up{instrument="slag"}', "1", "0", 300),
    "TallydeckAlarmUnseen": ('tallydeck_alarms{kind="feed-stopped", state="unacknowledged"}', "0", "1", 600),
    "TallydeckAlarmStanding": ('tallydeck_alarms{kind="feed-stopped", state="acknowledged"}', "0", "1", 3600),
}


def case(alert: str) -> dict[str, object]:
    """Firing at the first evaluation after its time, not at the one before, nor while all is well."""
    series, well, bad, after_s = CASES[alert]
    firing = f'count(ALERTS{{alertname="{alert}", alertstate="firing"}})'
    moments = {BAD_FROM_S - STEP_S: 0, BAD_FROM_S + after_s: 1}
    if after_s:
        moments[BAD_FROM_S + after_s - STEP_S] = 0
    count = BAD_FROM_S // STEP_S - 1
    return {
        "interval": f"{STEP_S}s",
        "input_series": [{"series": series, "values": f"{well}+0x{count} {bad}+0x{after_s // STEP_S + 8}"}],
        "promql_expr_test": [
            {
                "expr": firing,
                "eval_time": f"{at_s}s",
                "exp_samples": [{"labels": "{}", "value": fires}] if fires else [],
            }
            for at_s, fires in sorted(moments.items())
        ],
    }


def test_every_rule_has_its_case() -> None:
    """A rule that is added is fired here too."""
    assert re.findall(r"- alert: (\w+)", RULES.read_text()) == list(CASES)


@pytest.mark.skipif(shutil.which("promtool") is None, reason="promtool is not installed")
def test_every_rule_fires_after_its_time_and_not_before(tmp_path: Path) -> None:
    """All cases in one run of promtool, which names the alert that is off."""
    plan = {
        "rule_files": [str(RULES)],
        "evaluation_interval": f"{STEP_S}s",
        "tests": [case(alert) for alert in CASES],
    }
    (tmp_path / "cases.yml").write_text(json.dumps(plan))
    done = subprocess.run(
        ["promtool", "test", "rules", str(tmp_path / "cases.yml")],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
