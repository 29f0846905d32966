"""How the board may be reached: by which names, with which codes, encrypted or not."""

from __future__ import annotations

from dataclasses import dataclass, field
from ipaddress import ip_address
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Access:
    """``names``: host names beside the addresses of this computer. ``guests``: who reaches it may read.

    A code is asked for wherever one is set. Without any, and without ``guests``, the board is for this
    computer only, and its page needs no log-in.
    """

    names: tuple[str, ...] = ()
    operator_code: str | None = field(default=None, repr=False)
    guest_code: str | None = field(default=None, repr=False)
    guests: bool = False
    certificate_file: Path | None = None
    key_file: Path | None = None

    @property
    def https(self) -> bool:
        return self.certificate_file is not None

    @property
    def log_in(self) -> bool:
        return self.operator_code is not None or self.guest_code is not None

    @property
    def for_network(self) -> bool:
        """Whether it is settled who may do what for those who come from elsewhere."""
        return self.log_in or self.guests


HERE = Access()
"""For this computer only."""


def numeric(host: str) -> str | None:
    """The address that ``host`` stands for, or None: names of other computers are no addresses."""
    if host == "localhost":
        return "127.0.0.1"
    try:
        return str(ip_address(host))
    except ValueError:
        return None


def is_loopback(host: str) -> bool:
    """Whether only this computer can reach it."""
    address = numeric(host)
    return address is not None and ip_address(address).is_loopback


def is_every(host: str) -> bool:
    """Whether it stands for every address of this computer."""
    address = numeric(host)
    return address is not None and ip_address(address).is_unspecified
