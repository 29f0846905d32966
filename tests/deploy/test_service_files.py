"""The unit, the rules and the script that puts them in place, asked by systemd's own tools where they are."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent.parent
FILES = ROOT / "deploy" / "systemd"
SCRIPT = ROOT / "deploy" / "service.sh"

analyze = pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="needs systemd")
sysusers = pytest.mark.skipif(shutil.which("systemd-sysusers") is None, reason="needs systemd")


def run(*command: str | Path, **env: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [str(part) for part in command],
        capture_output=True,
        text=True,
        env=os.environ | {"SYSTEMD_COLORS": "0"} | env,
        timeout=120,
        check=False,
    )


@pytest.fixture
def unit(tmp_path: Path) -> Path:
    """The unit as it would be installed, with a program that exists."""
    text = (FILES / "tallydeck.service").read_text()
    path = tmp_path / "tallydeck.service"
    path.write_text(text.replace("/opt/tallydeck/venv/bin/tallydeck", shutil.which("true") or "/bin/true"))
    return path


@analyze
def test_the_unit_is_understood_to_the_last_line(unit: Path) -> None:
    """A key that systemd does not know, or a value it can't read, is a line on stderr."""
    done = run("systemd-analyze", "verify", "--man=no", unit)
    assert (done.returncode, done.stderr) == (0, "")


@analyze
def test_the_exposure_stays_low(unit: Path) -> None:
    """systemd's own measure, 0 to 10; a bare unit has about 9.5."""
    done = run("systemd-analyze", "security", "--offline=true", "--no-pager", unit)
    found = re.search(r"Overall exposure level for tallydeck.service: ([0-9.]+)", done.stdout)
    assert found is not None, done.stdout + done.stderr
    assert float(found[1]) <= 1.8


def settings() -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for line in (FILES / "tallydeck.service").read_text().splitlines():
        if "=" in line and not line.startswith("#"):
            key, _, value = line.partition("=")
            found.setdefault(key, []).append(value)
    return found


def test_the_unit_does_not_hide_what_the_daemon_needs() -> None:
    """Ports, the boot id in /proc/sys, the state folder; and a restart for everything but a wrong setting."""
    told = settings()
    assert told["Type"] == ["notify"]
    assert "WatchdogSec" in told
    assert told["StateDirectory"] == ["tallydeck"]
    assert {f"char-{name} rw" for name in ("ttyUSB", "ttyACM", "ttyS")} <= set(told["DeviceAllow"])
    assert told["DevicePolicy"] == ["closed"]
    assert not {"PrivateDevices", "ProcSubset", "PrivateNetwork", "ProtectSystem=no"} & told.keys()
    from logger.commands.shared import CANT_CREATE, CONFIG, NO_INPUT, UNAVAILABLE, USAGE

    final = {int(code) for code in told["RestartPreventExitStatus"][0].split()}
    assert final == {USAGE, NO_INPUT, CONFIG}
    assert not final & {UNAVAILABLE, CANT_CREATE}


@sysusers
def test_the_user_and_its_group_are_made(tmp_path: Path) -> None:
    done = run("systemd-sysusers", "--dry-run", f"--root={tmp_path}", FILES / "tallydeck.sysusers.conf")
    assert done.returncode == 0, done.stderr
    assert "user 'tallydeck'" in done.stderr
    assert "group 'dialout'" in done.stderr


RULE = re.compile(r'[A-Z_]+(\{\w+\})?(==|!=|\+=|=)"[^"]*"')


def test_each_rule_has_a_rules_form() -> None:
    """udev(7): comma-separated ``KEY op "value"``; also the ones that are there to be uncommented."""
    lines = (FILES / "70-tallydeck.rules").read_text().splitlines()
    rules = [line.lstrip("#") for line in lines if re.match(r"#?[A-Z]+[!=+{]", line)]
    assert len(rules) >= 6
    for rule in rules:
        assert all(RULE.fullmatch(part.strip()) for part in rule.split(",")), rule


@pytest.mark.skipif(
    shutil.which("udevadm") is None or run("udevadm", "verify", "--help").returncode != 0,
    reason="needs a udevadm that verifies (systemd 254)",
)
def test_udev_understands_the_rules() -> None:
    done = run("udevadm", "verify", FILES / "70-tallydeck.rules")
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.fixture
def as_user(tmp_path: Path) -> dict[str, str]:
    """An environment in which the script takes itself for started by user 1000; nothing real is touched."""
    return _stand_in(tmp_path, 1000)


@pytest.fixture
def as_root(tmp_path: Path) -> dict[str, str]:
    """The same for root, with a folder of the test's own in place of /."""
    return _stand_in(tmp_path, 0) | {"TALLYDECK_ROOT": str(tmp_path / "image")}


def _stand_in(tmp_path: Path, uid: int) -> dict[str, str]:
    (tmp_path / "bin").mkdir()
    stub = tmp_path / "bin" / "id"
    stub.write_text(f"#!/bin/sh\necho {uid}\n")
    stub.chmod(0o755)
    return {"PATH": f"{tmp_path / 'bin'}:{os.environ['PATH']}"}


def test_the_script_refuses_without_root(as_user: dict[str, str], tmp_path: Path) -> None:
    for option in ((), ("--remove",)):
        done = run("sh", SCRIPT, *option, TALLYDECK_ROOT=str(tmp_path / "image"), **as_user)
        assert done.returncode == 77
        assert "sudo sh deploy/service.sh" in done.stderr
    assert not (tmp_path / "image").exists()


def test_the_script_refuses_what_it_does_not_know(as_root: dict[str, str], tmp_path: Path) -> None:
    done = run("sh", SCRIPT, "--purge", **as_root)
    assert done.returncode == 64
    assert "--remove" in done.stderr
    assert not (tmp_path / "image").exists()


def test_the_script_says_what_it_does(as_user: dict[str, str]) -> None:
    done = run("sh", SCRIPT, "--help", **as_user)
    assert done.returncode == 0
    assert "/etc/tallydeck/bay.toml" in done.stdout
    assert "set -eu" not in done.stdout


def test_removing_keeps_record_and_configuration(as_root: dict[str, str], tmp_path: Path) -> None:
    """Also where there is nothing to remove."""
    image = tmp_path / "image"
    kept = [image / "etc/tallydeck/bay.toml", image / "var/lib/tallydeck/journal.sqlite"]
    gone = [image / "etc/systemd/system/tallydeck.service", image / "opt/tallydeck/installed"]
    for path in kept + gone:
        path.parent.mkdir(parents=True)
        path.write_text("x")
    for _ in range(2):
        done = run("sh", SCRIPT, "--remove", **as_root)
        assert done.returncode == 0, done.stderr
        assert all(path.exists() for path in kept)
        assert not any(path.exists() for path in gone)
    assert "Kept: the record" in done.stderr


@pytest.mark.full
@sysusers
@pytest.mark.timeout(600)
@pytest.mark.skipif(os.geteuid() != 0, reason="needs root")
def test_installing_twice_changes_nothing_the_second_time(as_root: dict[str, str], tmp_path: Path) -> None:
    """A whole installation into a folder; the program's place is the last one, a configuration is kept."""
    image = tmp_path / "image"
    image.mkdir()
    done = run("sh", SCRIPT, **as_root)
    assert done.returncode == 0, done.stderr
    program = image / "opt/tallydeck/venv/bin/tallydeck"
    assert program.read_text().startswith("#!/opt/tallydeck/venv/bin/python")
    settings_file = image / "etc/tallydeck/bay.toml"
    settings_file.write_text("my own")
    before = {path: path.lstat().st_mtime_ns for path in image.rglob("*") if not path.is_dir()}
    again = run("sh", SCRIPT, **as_root)
    assert again.returncode == 0, again.stderr
    assert "installing" not in again.stderr
    after = {path: path.lstat().st_mtime_ns for path in image.rglob("*") if not path.is_dir()}
    changed = {path.name for path in after if after[path] != before.get(path)}
    assert changed <= {"tallydeck", ".pwd.lock"}, "only the link is made anew"
    assert settings_file.read_text() == "my own"
