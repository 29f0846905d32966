"""The command line: help that teaches, sysexits codes, data on stdout, messages on stderr."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from logger.cli import app
from logger.simulator.foundry import foundry_scenario
from logger.simulator.trace import make_trace, write_csv

ROOT = Path(__file__).parent.parent
CONFIG = """
[bay]
name = "Foundry bay"
[stations.table]
target = "60 kg/h"
resolution = "5 g"
outlets = ["concentrate", "middlings", "tailings", "fines"]
"""


def tallydeck(*arguments: str | Path, home: Path | None = None) -> subprocess.CompletedProcess[str]:
    env = {"PATH": "/usr/bin:/bin", "HOME": str(home or "/nonexistent"), "NO_COLOR": "1"}
    command = [sys.executable, "-c", "from logger.cli import main; main()", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, env=env, timeout=60, check=False)


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "bay.toml"
    path.write_text(CONFIG)
    return path


@pytest.fixture(scope="module")
def readings(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("csv") / "readings.csv"
    write_csv(make_trace(foundry_scenario(), seed=3, duration_s=420.0), path)
    return path


SAID = [
    *("settings", "pause", "resume", "note", "mark", "word"),
    *("container-set", "changed", "away", "decanted", "sample", "weigh-product", "cancel-weighing"),
    *("register-sample", "result", "moisture", "check-weight", "swept-up"),
    *("sell-as", "price", "pass-cost", "consists-of"),
    *("acknowledge", "ack", "shelve", "no-stop", "correct", "amend", "withdraw"),
]
ALARM = ["list", "ack", "shelve", "unshelve", "out-of-service", "in-service", "reset"]
COMMANDS = [
    ["serve"],
    ["demo"],
    ["check"],
    ["prove"],
    ["replay"],
    ["report"],
    ["export"],
    ["explain"],
    ["what-if"],
    ["now"],
    ["tally"],
    ["balance"],
    ["compare"],
    ["said"],
    ["scales"],
    ["lot", "list"],
    ["lot", "open"],
    ["lot", "weigh"],
    ["run", "list"],
    ["run", "start"],
    ["run", "end"],
    *[["say", word] for word in SAID],
    *[["alarm", word] for word in ALARM],
    *[["follower", word] for word in ("list", "aside", "again")],
    *[["wire", word] for word in ("list", "listen", "find", "record", "play")],
]


@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_every_command_explains_itself(command: list[str]) -> None:
    done = CliRunner().invoke(app, [*command, "--help"])
    assert done.exit_code == 0
    assert "Usage:" in done.stdout


def test_no_command_is_left_out_of_this_list() -> None:
    groups = {group.name: group.typer_instance for group in app.registered_groups}
    known = [c.name or c.callback.__name__ for c in app.registered_commands if c.callback]
    known += [f"{name} {c.name}" for name, sub in groups.items() if sub for c in sub.registered_commands]
    assert sorted(known) == sorted(" ".join(command) for command in COMMANDS)


def test_the_readme_names_every_command() -> None:
    """Those of `say` by their own word, within code."""
    readme = (ROOT / "README.md").read_text("utf-8")
    code = " ".join(re.findall(r"`[^`]+`|^ {4,}.*$", readme, flags=re.MULTILINE))
    left_out = [" ".join(command) for command in COMMANDS if not re.search(rf"\b{command[-1]}\b", code)]
    assert left_out == []


@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        (["nonsense"], 64, "No such command"),
        (["replay"], 64, "exactly one of --readings and --journal"),
        (["check", "missing.toml"], 66, "no such file"),
        (["now"], 69, "no daemon keeps a journal"),
        (["serve", "-c", "{config}"], 69, "nothing reads feed, concentrate"),
        (["say", "settings", "tilt", "-c", "{config}"], 64, "name=value"),
        (["say", "amend", "7", "text", "-c", "{config}"], 64, "name=value"),
        (["say", "amend", "7", "values={", "-c", "{config}"], 64, "is no JSON"),
        (
            ["say", "note", "x", "--photo", "gone.jpg", "-c", "{config}"],
            64,
            "gone.jpg: there is no such file",
        ),
        (["lot", "open", "L", "--container", "drum", "-c", "{config}"], 64, "NAME=GROSS/TARE"),
        (["lot", "open", "L", "--container", "1=weigh", "-c", "{config}"], 64, "--scale NAME"),
        (["replay", "-c", "{config}", "--readings", "missing.csv"], 65, "missing.csv: can't be read"),
        (["replay", "--readings", "missing.csv"], 64, "name the bay's configuration"),
        (["replay", "--journal", "missing.sqlite"], 65, "no such journal"),
    ],
)
def test_an_error_says_what_and_leaves_with_its_code(
    arguments: list[str], code: int, message: str, config: Path, tmp_path: Path
) -> None:
    done = tallydeck(*(a.replace("{config}", str(config)) for a in arguments), home=tmp_path)
    assert (done.returncode, done.stdout) == (code, "")
    assert message in done.stderr
    assert "Traceback" not in done.stderr


def test_a_wrong_configuration_shows_every_fault_at_once(tmp_path: Path) -> None:
    path = tmp_path / "wrong.toml"
    path.write_text('[stations.table]\nresolution = "5 stone"\ntarget = "x"\noutlet = ["a"]\n')
    done = tallydeck("check", path)
    assert done.returncode == 78
    for place in ("wrong.toml:2", "wrong.toml:3", "wrong.toml:4", "outlets"):
        assert place in done.stderr


def test_check_prints_json_for_a_machine(config: Path, tmp_path: Path) -> None:
    done = tallydeck("check", config, "--json", home=tmp_path)
    assert done.returncode == 0
    assert json.loads(done.stdout)["channels"] == ["feed", "concentrate", "middlings", "tailings", "fines"]


def test_replay_writes_alarms_and_a_tally_in_the_contracts_form(
    config: Path, readings: Path, tmp_path: Path
) -> None:
    alarms, tally = tmp_path / "alarms.jsonl", tmp_path / "tally.json"
    done = tallydeck(
        "replay",
        "--config",
        config,
        "--readings",
        readings,
        "--alarms",
        alarms,
        "--tally",
        tally,
        home=tmp_path,
    )
    assert (done.returncode, done.stdout) == (0, "")
    lines = [json.loads(line) for line in alarms.read_text().splitlines()]
    assert all({"time", "kind", "channel", "state"} <= set(line) for line in lines)
    clogged = [line for line in lines if line["channel"] == "concentrate" and line["state"] == "raised"]
    assert clogged
    data = json.loads(tally.read_text())
    assert set(data["outlets"]) == {"concentrate", "middlings", "tailings", "fines"}
    assert data["feed_kg"] > 5
    assert all(o["delivered_kg"] > 0 and o["u_kg"] > 0 for o in data["outlets"].values())


def test_replay_without_files_prints_the_tally(config: Path, readings: Path, tmp_path: Path) -> None:
    done = tallydeck("replay", "-c", config, "--readings", readings, home=tmp_path)
    assert json.loads(done.stdout)["run"] == "run-1"


def test_actions_bound_the_run(config: Path, readings: Path, tmp_path: Path) -> None:
    actions = tmp_path / "actions.jsonl"
    said = [
        {"action": "open-lot", "lot": "L1", "time": "2026-03-02T06:00:01Z"},
        {"action": "start-run", "lot": "L1", "run": "first", "time": "2026-03-02T06:01:00Z"},
        {"action": "end-run", "time": "2026-03-02T06:04:00Z"},
    ]
    actions.write_text("\n".join(json.dumps(each) for each in said))
    done = tallydeck("replay", "-c", config, "--readings", readings, "--actions", actions, home=tmp_path)
    data = json.loads(done.stdout)
    assert (data["run"], data["lot"]) == ("first", "L1")
    assert data["feed_kg"] == pytest.approx(3.0, rel=0.1)


def test_bad_actions_are_named_line_by_line(config: Path, readings: Path, tmp_path: Path) -> None:
    actions = tmp_path / "actions.jsonl"
    actions.write_text(
        '{"action": "note", "text": "x"}\nnot json\n{"action": "dance", "time": "2026-03-02T06:00:00Z"}\n'
    )
    done = tallydeck("replay", "-c", config, "--readings", readings, "--actions", actions, home=tmp_path)
    assert done.returncode == 65
    assert "line 1" in done.stderr
    assert '"time" is missing' in done.stderr
    assert "line 2" in done.stderr
    assert "line 3" in done.stderr


def test_bad_rows_are_left_out_and_named(config: Path, readings: Path, tmp_path: Path) -> None:
    spoiled = tmp_path / "spoiled.csv"
    lines = readings.read_text().splitlines()
    lines[10:10] = [
        "2026-03-02T06:00:00.500Z,feed,--.-,kg,1",
        "half a li",
        "2026-03-02T06:00:00.500Z,nowhere,1.0,kg,",
    ]
    spoiled.write_text("\n".join(lines))
    done = tallydeck("replay", "-c", config, "--readings", spoiled, home=tmp_path)
    assert done.returncode == 0
    assert "2 of" in done.stderr
    assert 'channel "nowhere"' in done.stderr


def test_a_wrong_header_says_what_was_expected(config: Path, tmp_path: Path) -> None:
    path = tmp_path / "x.csv"
    path.write_text("when,what\n1,2\n")
    done = tallydeck("replay", "-c", config, "--readings", path, home=tmp_path)
    assert done.returncode == 65
    assert "time,channel,value,unit,stable" in done.stderr


def test_rows_out_of_order_are_sorted(config: Path, readings: Path, tmp_path: Path) -> None:
    lines = readings.read_text().splitlines()
    by_channel = sorted(lines[1:], key=lambda line: line.split(",")[1])
    path = tmp_path / "by-channel.csv"
    path.write_text("\n".join([lines[0], *by_channel]))
    one = tallydeck("replay", "-c", config, "--readings", readings, home=tmp_path)
    other = tallydeck("replay", "-c", config, "--readings", path, home=tmp_path)
    assert "sorted" in other.stderr
    masses = [
        {name: o["delivered_kg"] for name, o in json.loads(done.stdout)["outlets"].items()}
        for done in (one, other)
    ]
    assert masses[0] == pytest.approx(masses[1], abs=1e-6)


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [
        (12.34567, 0.0123, "12.346 ± 0.012"),
        (12.3, 4.2, "12.3 ± 4.2"),
        (1234.5, 56, "1234 ± 56"),
        (0, 0, "0.000 ± 0.000"),
    ],
)
def test_a_figure_has_as_many_digits_as_its_uncertainty_allows(value: float, u: float, text: str) -> None:
    from logger.commands.shared import figure

    assert figure(value, u) == text


def test_check_speaks_the_persons_unit(tmp_path: Path) -> None:
    path = tmp_path / "bay.toml"
    path.write_text(CONFIG.replace("[bay]", '[bay]\nunits = "lb"').replace("60 kg/h", "100 lb/h"))
    assert "target 100 lb/h" in tallydeck("check", path, home=tmp_path).stdout


def test_the_demo_shows_a_lot_and_a_run_and_ends_by_itself(tmp_path: Path) -> None:
    kept = tmp_path / "kept"
    arguments = ["--speed", "10", "--seconds", "6", "--port", "0", "--directory", str(kept)]
    done = tallydeck("demo", *arguments, home=tmp_path)
    assert done.returncode == 0
    assert "The board is at http://127.0.0.1:" in done.stdout
    assert "run run-1 opened, lot L-0412" in done.stdout
    assert "Traceback" not in done.stderr
    again = tallydeck("replay", "--journal", kept / "journal.sqlite", home=tmp_path)
    assert json.loads(again.stdout)["lot"] == "L-0412"


def test_a_folder_that_cannot_be_used_is_said(tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.write_text("x")
    done = tallydeck("demo", "--directory", file, "--port", "0", "--seconds", "1", home=tmp_path)
    assert done.returncode == 73
    assert "Traceback" not in done.stderr
