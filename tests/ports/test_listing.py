"""Which ports there are: the names that stay, and who holds or may open them."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.ports.listing import is_device, list_wires, stable_name


@pytest.fixture
def pty() -> Iterator[str]:
    master, slave = os.openpty()
    try:
        yield os.ttyname(slave)
    finally:
        os.close(slave)
        os.close(master)


@pytest.fixture
def root(tmp_path: Path, pty: str) -> Path:
    """A computer with one adapter that has a name by id and one by path, and a name that leads nowhere."""
    for folder, name in (("by-id", "usb-one"), ("by-path", "pci-1")):
        place = tmp_path / "dev" / "serial" / folder
        place.mkdir(parents=True)
        (place / name).symlink_to(pty)
        (place / "gone").symlink_to("/dev/none")
    return tmp_path


def test_a_port_is_listed_once_by_its_id(root: Path, pty: str) -> None:
    found = list_wires(root=root)
    assert [(each.name, each.device, each.stable) for each in found] == [
        (str(root / "dev/serial/by-id/usb-one"), pty, True)
    ]
    assert found[0].may_open


def test_the_instrument_that_is_configured_there_is_named_by_any_name(root: Path, pty: str) -> None:
    for url in (pty, str(root / "dev/serial/by-path/pci-1")):
        assert list_wires({url: "feed"}, root)[0].instrument == "feed"


def test_a_program_that_holds_it_is_named(root: Path, pty: str) -> None:
    code = f"import os; os.open({pty!r}, os.O_RDWR | os.O_NOCTTY); print(1, flush=True); input()"
    with subprocess.Popen(
        [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        process.stdout.readline()
        takers = list_wires(root=root)[0].taken_by
        process.communicate(b"\n")
    assert [str(process.pid) in taker for taker in takers] == [True]


def test_the_name_that_stays_is_found_for_a_device(root: Path, pty: str) -> None:
    assert stable_name(pty, root) == str(root / "dev/serial/by-id/usb-one")


@pytest.mark.parametrize("url", ["socket://10.0.0.1:4001", "/dev/none", "/dev/serial/by-id/x"])
def test_a_name_that_has_no_better_one_stays(root: Path, url: str) -> None:
    assert stable_name(url, root) == url


def test_a_computer_without_ports_has_none(tmp_path: Path) -> None:
    assert list_wires(root=tmp_path) == []


def test_only_character_devices_are_devices(pty: str, tmp_path: Path) -> None:
    assert [is_device(each) for each in (pty, "/etc/passwd", str(tmp_path), "/dev/none", "/dev/\0")] == [
        True,
        False,
        False,
        False,
        False,
    ]
