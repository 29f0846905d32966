"""`tallydeck wire` from outside: real processes on real ptys."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from click.testing import Result
from typer.testing import CliRunner

from logger.cli import app
from logger.settings import load
from tests.ports.on_ptys import OnPty
from tests.ports.strangers import BY_NAME, Stranger

ENV = {"PATH": "/usr/bin:/bin", "NO_COLOR": "1", "HOME": "/nonexistent"} | {
    key: value for key, value in os.environ.items() if key == "PYTHONPATH"
}
COMMAND = [sys.executable, "-c", "from logger.cli import main; main()", "wire"]
FAST = ["--seconds", "0.3", "--learn", "1"]
PADDED = Stranger("padded", (4800, "8N1"), BY_NAME["padded with words"].frames)
ASKED = Stranger("asked", (19200, "8N1"), BY_NAME["asked by a letter"].frames, request=b"P\r\n")


def wire(*arguments: object) -> Result:
    """The command in this process, which spares the start of another."""
    return CliRunner().invoke(app, ["wire", *map(str, arguments)], catch_exceptions=False)


@contextmanager
def running(*arguments: object) -> Iterator[subprocess.Popen[str]]:
    command = [*COMMAND, *map(str, arguments)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=ENV)
    try:
        yield process
    finally:
        process.kill()
        process.communicate()


def test_find_writes_a_configuration_that_check_accepts(tmp_path: Path) -> None:
    bay = tmp_path / "bay.toml"
    with OnPty(PADDED) as scale:
        done = wire("find", scale.path, *FAST, "--write", bay, "--name", "concentrate")
    assert done.exit_code == 0, done.stderr
    assert "Nothing was sent." in done.stdout
    found = load(bay, {"HOME": "/nonexistent"}).instruments[0]
    assert (found.name, found.baud, found.dialect, found.mode) == ("concentrate", 4800, "line", "listen")
    assert found.line is not None
    assert found.line.layout == "{status:2},{mode:2},{number:9} {unit}"


def test_find_asks_and_says_what_it_sent() -> None:
    with OnPty(ASKED) as scale:
        done = wire("find", scale.path, *FAST, "--baud", 19200, "--ask", r"P\r\n", "--json")
    assert done.exit_code == 0, done.stderr
    found = json.loads(done.stdout)
    assert found["proposal"]["request"] == "P\\r\\n"
    assert found["proposal"]["baud"] == 19200
    assert "P\\r\\n" in found["sent"]


def test_find_silent_sends_not_one_byte() -> None:
    with OnPty(ASKED) as scale:
        done = wire("find", scale.path, *FAST, "--silent")
        assert scale.heard == b""
    assert done.exit_code == 65
    assert "silence" in done.stderr


def test_find_can_be_stopped_with_ctrl_c() -> None:
    with OnPty(ASKED) as scale, running("find", scale.path, "--silent", "--seconds", "30") as process:
        assert process.stderr is not None
        assert "listening" in process.stderr.readline()
        process.send_signal(signal.SIGINT)
        assert process.wait(10) == 130


def test_a_port_that_is_taken_is_told() -> None:
    with OnPty(PADDED) as scale, running("listen", scale.path, "--baud", "4800") as process:
        assert process.stdout is not None
        process.stdout.readline()
        done = wire("find", scale.path)
    assert done.exit_code == 69
    assert "another program holds this port" in done.stderr


@pytest.mark.parametrize("command", [["listen"], ["find"], ["record"]])
def test_a_port_that_is_not_there_is_told(command: list[str], tmp_path: Path) -> None:
    more = [tmp_path / "x"] if command == ["record"] else []
    done = wire(*command, "/dev/serial/by-id/none", *more)
    assert done.exit_code == 69
    assert "no such device" in done.stderr


def test_listen_shows_bytes_beside_what_the_dialects_say() -> None:
    with OnPty(PADDED) as scale:
        done = wire("listen", scale.path, "--baud", "4800", "--seconds", "1.5", "--json")
    rows = [json.loads(row) for row in done.stdout.splitlines()]
    assert any(row["text"].endswith("kg<CR><LF>") for row in rows)
    assert any("kg gross" in row["line"] for row in rows)
    assert done.exit_code == 0


def test_listen_ends_with_ctrl_c() -> None:
    with OnPty(PADDED) as scale, running("listen", scale.path, "--baud", "4800") as process:
        assert process.stdout is not None
        assert " s  " in process.stdout.readline()
        process.send_signal(signal.SIGINT)
        assert process.wait(10) == 0


def test_listen_says_silence() -> None:
    with OnPty(ASKED) as scale:
        done = wire("listen", scale.path, "--seconds", "0.3")
    assert (done.exit_code, done.stdout) == (0, "")
    assert "silence" in done.stderr


def test_listen_sends_what_it_is_told_to() -> None:
    with OnPty(ASKED) as scale:
        done = wire("listen", scale.path, "--baud", "19200", "--seconds", "0.7", "--send", r"P\r\n")
        assert scale.heard == b"P\r\n"
    assert "kg<CR><LF>" in done.stdout


def test_a_recording_with_requests_is_played_to_find(tmp_path: Path) -> None:
    """record -> play -> find: what is found is what the recorded instrument was."""
    tape, link = tmp_path / "scale.jsonl", tmp_path / "scale"
    with OnPty(ASKED) as scale:
        done = wire(
            "record",
            scale.path,
            tape,
            "--baud",
            19200,
            "--send",
            r"P\r\n",
            "--every",
            "0.1",
            "--seconds",
            "1.2",
        )
    assert done.exit_code == 0, done.stderr
    with running("play", tape, "--at", link) as player:
        assert player.stdout is not None
        assert player.stdout.readline().strip() == str(link)
        found = json.loads(wire("find", link, *FAST, "--baud", 19200, "--ask", r"P\r\n", "--json").stdout)
        player.send_signal(signal.SIGTERM)
        assert player.wait(10) == 0
    assert found["proposal"]["layout"] == "{status:1} {number:8} {unit}"
    assert not link.is_symlink()


def test_record_overwrites_nothing(tmp_path: Path) -> None:
    file = tmp_path / "there"
    file.write_text("mine")
    with OnPty(PADDED) as scale:
        done = wire("record", scale.path, file, "--seconds", "0.2")
    assert done.exit_code == 73
    assert file.read_text() == "mine"


def test_list_is_json_for_a_machine() -> None:
    done = wire("list", "--json")
    assert done.exit_code == 0
    assert isinstance(json.loads(done.stdout), list)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["listen", "COM1"], "is not a wire"),
        (["listen", "/dev/null", "--format", "9X1"], "format"),
        (["listen", "/dev/null", "--send", r"\q"], "not known"),
        (["find", "/dev/null", "--silent", "--ask", "W"], "--silent sends nothing"),
        (["record", "/dev/null", "x", "--every", "1"], "--every needs --send"),
    ],
)
def test_what_cannot_be_meant_is_a_usage_error(arguments: list[str], says: str) -> None:
    done = wire(*arguments)
    assert done.exit_code == 64
    assert says in done.stderr


def test_play_tells_a_file_that_is_no_recording(tmp_path: Path) -> None:
    file = tmp_path / "x"
    file.write_text("hello\n")
    done = wire("play", file)
    assert done.exit_code == 65
    assert "line 1 is not JSON" in done.stderr
