"""The script that installs what the tests need, with an apt-get that only writes down what is asked."""

from __future__ import annotations

import os
import shutil
import stat
import subprocess
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parent.parent.parent / "deploy" / "packages.sh"
PLAIN = ("sh", "id", "grep", "rm", "tee", "chmod", "cat", "printf", "true")
SERVERS = [
    "mosquitto",
    "victoria-metrics",
    "influxd",
    "nginx",
    "promtool",
    "openssl",
    "chromium",
    "pdftotext",
]


class Machine:
    """A machine where only these programs are."""

    def __init__(self, home: Path, programs: list[str], unknown: str = "") -> None:
        self.home, self._bin = home, home / "bin"
        self._bin.mkdir()
        self.policy = home / "usr" / "sbin" / "policy-rc.d"
        self.policy.parent.mkdir(parents=True)
        for name in PLAIN:
            (self._bin / name).symlink_to(shutil.which(name) or f"/bin/{name}")
        for name in programs:
            self._program(name, "")
        self._program(
            "apt-get",
            f"[ -e {self.policy} ] && policy=$({self.policy}; echo $?)\n"
            f'echo "$* policy=${{policy:-none}}" >>{home}/asked\n'
            f'case "$*" in *" {unknown or "-"}") exit 100 ;; esac',
        )
        self._program("systemctl", f'echo "$*" >>{home}/services')

    def _program(self, name: str, body: str) -> None:
        path = self._bin / name
        path.write_text(f"#!/bin/sh\n{body}\n")
        path.chmod(0o755)

    def run(self) -> str:
        """What the script prints: what could not be had."""
        # The servers that this very machine has in /usr/sbin are not to be found: the script looks there too.
        text = SCRIPT.read_text().replace("$PATH:/usr/sbin:/usr/local/sbin", "$PATH")
        copy = self.home / "packages.sh"
        copy.write_text(text)
        done = subprocess.run(
            ["sh", str(copy)],
            capture_output=True,
            text=True,
            env={"PATH": str(self._bin), "TALLYDECK_ROOT": str(self.home)},
            timeout=60,
            check=True,
        )
        return done.stdout

    def lines(self, name: str) -> list[str]:
        path = self.home / name
        return path.read_text().splitlines() if path.exists() else []


def programs(machine: Machine) -> list[str]:
    """What was asked for, but for libraries: those are looked for on the very machine."""
    return [line for line in machine.lines("asked") if " lib" not in line]


needs_root = pytest.mark.skipif(os.geteuid() != 0, reason="only root may install")


def test_where_everything_is_nothing_is_asked(tmp_path: Path) -> None:
    machine = Machine(tmp_path, SERVERS)
    assert machine.run() == ""
    assert [line for line in programs(machine) if "update" not in line] == []


@needs_root
def test_nothing_that_is_installed_starts_now_or_at_the_next_boot(tmp_path: Path) -> None:
    """Each installation runs under a policy of 101 (Debian policy manual, 9.3.3.1 and invoke-rc.d's
    specification of policy-rc.d: 101, action forbidden), which is gone afterwards."""
    machine = Machine(tmp_path, ["chromium", "openssl"])
    assert machine.run() == ""
    installs = [line for line in programs(machine) if "install" in line]
    assert [line.split()[-2:] for line in installs] == [
        [package, "policy=101"]
        for package in (
            "mosquitto",
            "victoria-metrics",
            "influxdb",
            "nginx-light",
            "prometheus",
            "poppler-utils",
        )
    ]
    assert not machine.policy.exists()
    assert machine.lines("services") == [
        f"disable -q {service}"
        for service in ("mosquitto", "victoria-metrics", "influxdb", "nginx", "prometheus")
    ]


@needs_root
def test_a_policy_of_the_machine_stays(tmp_path: Path) -> None:
    machine = Machine(tmp_path, ["chromium", "openssl"])
    machine.policy.write_text("#!/bin/sh\nexit 0\n")
    machine.policy.chmod(stat.S_IRWXU)
    machine.run()
    assert machine.policy.read_text() == "#!/bin/sh\nexit 0\n"


@needs_root
def test_what_can_not_be_had_is_named_and_the_rest_installed(tmp_path: Path) -> None:
    machine = Machine(tmp_path, ["chromium", "openssl"], unknown="influxdb")
    assert machine.run() == "influxdb\n"
    assert any("nginx-light" in line for line in machine.lines("asked"))
    assert not machine.policy.exists()
