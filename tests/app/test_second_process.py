"""What an operator says from a second process while the daemon runs, and what it answers."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from logger.board.client import ClientError, DaemonClient
from tests.app.bays import OwnProcess, running_bay, until, write_configuration

Run = Callable[..., "subprocess.CompletedProcess[str]"]


@pytest.fixture(scope="module")
def tallydeck(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Run]:
    """Runs the command line against one daemon of its own process, on a simulated bay."""
    home = tmp_path_factory.mktemp("second")
    with running_bay(home, speed=2.0) as bay:
        configuration = write_configuration(bay, home)
        own = OwnProcess(configuration)
        client = own.client()
        until(
            lambda: all(each["age_s"] is not None for each in client.state()["instruments"]), what="readings"
        )

        def run(*arguments: str) -> subprocess.CompletedProcess[str]:
            command = [sys.executable, "-c", "from logger.cli import main; main()", *arguments]
            env = os.environ | {"TALLYDECK_CONFIG": str(configuration), "NO_COLOR": "1", "COLUMNS": "120"}
            return subprocess.run(command, capture_output=True, text=True, env=env, timeout=60, check=False)

        run.client = client  # type: ignore[attr-defined]
        run.own = own  # type: ignore[attr-defined]
        yield run
        assert own.terminate() == 0


def test_a_lot_and_a_run_from_booking_in_to_the_tally(tallydeck: Run) -> None:
    opened = tallydeck("lot", "open", "L-1", "--owner", "PO 1", "--gross", "412.5 kg", "--tare", "14.2 kg")
    assert (opened.returncode, opened.stdout) == (0, "")
    lots = json.loads(tallydeck("lot", "list", "--json").stdout)
    assert [(lot["lot"], lot["net_kg"]) for lot in lots] == [("L-1", 398.3)]
    assert "L-1" in tallydeck("lot", "list").stdout
    started = tallydeck("run", "start", "--lot", "L-1", "--run", "first")
    assert started.stdout.strip() == "first"
    assert tallydeck("say", "settings", "tilt=4°", "stroke=15 mm").returncode == 0
    assert tallydeck("say", "note", "wet feed").returncode == 0
    assert tallydeck("say", "container-set", "concentrate").returncode == 0
    tally = json.loads(tallydeck("tally", "--json").stdout)
    assert (tally["run"], tally["lot"], tally["open"]) == ("first", "L-1", True)
    ended = tallydeck("run", "end")
    assert "concentrate" in ended.stdout
    assert "feed used" in ended.stdout
    assert "standard uncertainty" in ended.stderr
    runs = json.loads(tallydeck("run", "list", "--json").stdout)
    assert runs[0]["settings"][0]["values"] == {"tilt": "4°", "stroke": "15 mm"}
    assert runs[0]["notes"][0]["text"] == "wet feed"


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["run", "end", "--station", "nowhere"], 'there is no station "nowhere"'),
        (["run", "start", "--lot", "L-9"], 'no lot "L-9"'),
        (["run", "start", "--time", "2126-03-02T06:00:00Z"], "in the future"),
        (["run", "start", "--time", "yesterday"], "time"),
        (["lot", "open", "L-8", "--gross", "1 kg", "--tare", "2 kg"], "above gross"),
        (["lot", "open", "L-8", "--gross", "1 stone"], "use one of"),
        (["say", "container-set", "spill-tray"], "has no scale"),
        (["say", "correct", "feed#77", "--was", "product"], "feed#77"),
        (["say", "acknowledge", "nothing"], 'no alarm "nothing"'),
        (["tally", "no-such-run"], "no-such-run"),
    ],
)
def test_a_refusal_says_why_and_changes_nothing(tallydeck: Run, arguments: list[str], message: str) -> None:
    done = tallydeck(*arguments)
    assert (done.returncode, done.stdout) == (65, "")
    assert message in done.stderr
    assert "Traceback" not in done.stderr


def test_names_that_look_like_markup_are_printed_as_they_are(tallydeck: Run) -> None:
    tallydeck("lot", "open", "[/bold]x")
    assert "[/bold]x" in tallydeck("lot", "list").stdout


def test_the_state_is_printed_as_json(tallydeck: Run) -> None:
    state = json.loads(tallydeck("now").stdout)
    assert state["bay"] == "Foundry bay"
    assert [outlet["name"] for outlet in state["stations"][0]["outlets"]][-1] == "spill-tray"


def test_a_wrong_token_is_refused(tallydeck: Run) -> None:
    own: OwnProcess = tallydeck.own  # type: ignore[attr-defined]
    url = json.loads((own.directory / "address.json").read_text())["url"]
    with pytest.raises(ClientError) as caught:
        DaemonClient(url, "not the token").submit({"action": "note", "text": "x"})
    assert caught.value.status == 401


def test_the_token_can_be_read_by_its_owner_only(tallydeck: Run) -> None:
    own: OwnProcess = tallydeck.own  # type: ignore[attr-defined]
    assert (own.directory / "token").stat().st_mode & 0o077 == 0


def test_check_probes_the_ports_of_a_bay(tmp_path: Path) -> None:
    """Every instrument answers; one whose cable is out is named, and the exit code tells."""
    with running_bay(tmp_path, speed=1.0) as bay:
        configuration = write_configuration(bay, tmp_path)
        configuration.write_text(configuration.read_text().replace(bay.urls["fines"], str(tmp_path / "gone")))
        command = [sys.executable, "-c", "from logger.cli import main; main()", "check", str(configuration)]
        done = subprocess.run(
            [*command, "--probe", "--json"], capture_output=True, text=True, timeout=60, check=False
        )
    assert done.returncode == 69
    probed = {each["name"]: each for each in json.loads(done.stdout)["probe"]}
    assert {name for name, each in probed.items() if each["alive"]} == {
        "feed",
        "concentrate",
        "middlings",
        "tailings",
        "wash-water",
        "feed-water",
    }
    assert str(tmp_path / "gone") in probed["fines"]["says"]
