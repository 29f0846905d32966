"""Which serial ports there are, by the names that stay, what they lead to, and who may open them."""

from __future__ import annotations

import grp
import os
import stat
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from serial.tools import list_ports

BY_ID, BY_PATH = "/dev/serial/by-id", "/dev/serial/by-path"


@dataclass(frozen=True, slots=True)
class Listed:
    """A port. ``name`` is the one to write into a configuration: it stays when things are plugged in again.
    ``device`` is where it leads now. ``stable``: whether the name stays. ``what``: what the adapter says of
    itself. ``taken_by``: other programs that hold it, as far as this user may see. ``instrument``: the one
    the configuration has there. ``may_open``, else ``remedy``."""

    name: str
    device: str
    stable: bool
    what: str
    taken_by: tuple[str, ...]
    instrument: str
    may_open: bool
    remedy: str


def list_wires(configured: Mapping[str, str] | None = None, root: Path = Path("/")) -> list[Listed]:
    """Every serial port of this computer. ``configured``: port -> instrument. ``root`` is for tests."""
    names = _stable_names(root)
    about = (
        {port.device: port.description or "" for port in list_ports.comports()} if root == Path("/") else {}
    )
    devices = dict.fromkeys([*names.values(), *about])
    by_device = {device: name for name, device in reversed(names.items())}
    mine = {_real(url): instrument for url, instrument in (configured or {}).items()}
    holders = _holders(set(devices))
    return [
        _listed(by_device.get(device, device), device, about.get(device, ""), holders, mine)
        for device in devices
    ]


def stable_name(url: str, root: Path = Path("/")) -> str:
    """The name that stays for a device path; the path itself where there is none, or it is one already."""
    if not url.startswith("/") or url.startswith((BY_ID, BY_PATH)):
        return url
    device = _real(url)
    return next((name for name, leads_to in _stable_names(root).items() if leads_to == device), url)


def _real(url: str) -> str:
    return os.path.realpath(url) if url.startswith("/") else url.lower()


def _stable_names(root: Path) -> dict[str, str]:
    """Name -> device, those by id first; a name that leads nowhere is left out."""
    found: dict[str, str] = {}
    for folder in (BY_ID, BY_PATH):
        try:
            entries = sorted((root / folder.lstrip("/")).iterdir())
        except OSError:
            continue
        for entry in entries:
            device = os.path.realpath(entry)
            if os.path.exists(device) and device not in found.values():  # noqa: PTH110 - a plain string
                found[str(entry)] = device
    return found


def _listed(
    name: str, device: str, what: str, holders: Mapping[str, tuple[str, ...]], mine: Mapping[str, str]
) -> Listed:
    may_open = os.access(device, os.R_OK | os.W_OK)
    stays = name != device
    return Listed(
        name, device, stays, what, holders.get(device, ()), mine.get(device, ""), may_open,
        "" if may_open else _remedy(device),
    )  # fmt: skip


def _remedy(device: str) -> str:
    try:
        group = grp.getgrgid(Path(device).stat().st_gid).gr_name
    except (OSError, KeyError):
        return "it can't be opened; see who owns it with ls -l"
    return f"add this user to the group {group}: sudo usermod -aG {group} $USER, then log in again"


def _holders(devices: set[str]) -> dict[str, tuple[str, ...]]:
    """Device -> programs that have it open. Another user's programs are seen by root alone."""
    found: dict[str, list[str]] = {}
    for folder in Path("/proc").glob("[0-9]*"):
        if folder.name == str(os.getpid()):
            continue
        try:
            open_files = {str(entry.readlink()) for entry in (folder / "fd").iterdir()}
            name = (folder / "comm").read_text().strip()
        except OSError:  # ended meanwhile, or not ours to see
            continue
        for device in devices & open_files:
            found.setdefault(device, []).append(f"{name} (process {folder.name})")
    return {device: tuple(names) for device, names in found.items()}


def is_device(url: str) -> bool:
    """Whether a path leads to a character device under /dev, as every serial port does."""
    try:
        device = os.path.realpath(url)
        return device.startswith("/dev/") and stat.S_ISCHR(os.stat(device).st_mode)  # noqa: PTH116
    except (OSError, ValueError):
        return False
