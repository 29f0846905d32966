"""By which names the board may be called: a request for another host is not for it (DNS rebinding).

A page of another site can make a name of its own point here; its requests then carry that name. An address
in figures cannot be made to point elsewhere, so the one that a connection came in on is a name as well.
Sources: RFC 9110 section 7.4 (misdirected requests), RFC 6454 (origins).
"""

from __future__ import annotations

from collections.abc import Iterable
from ipaddress import IPv4Address, IPv6Address, ip_address

from starlette.types import Scope

_HERE = ("127.0.0.1", "localhost", "[::1]")


class Hosts:
    """The hosts and origins of one board. ``names`` may carry a port of their own, as behind a container."""

    def __init__(self, port: int, names: Iterable[str] = (), *, https: bool = False) -> None:
        self._scheme = "https" if https else "http"
        self._default = 443 if https else 80
        self._port = port
        self._hosts: set[str] = set()
        for name in (*_HERE, *names):
            self._hosts |= self._written(name.lower())

    def _written(self, name: str) -> set[str]:
        """How a browser may write it: without the port where that is the scheme's own."""
        bare, port = name, str(self._port)
        if is_address(name):
            bare = f"[{name}]" if ":" in name else name
        elif name.rpartition("]")[2].count(":") == 1:
            bare, _, port = name.rpartition(":")
        return {f"{bare}:{port}"} | ({bare} if int(port) == self._default else set())

    def accept(self, host: str, scope: Scope) -> bool:
        """Whether a request for this host is for the board."""
        host = host.lower()
        return host in self._hosts or host in self._written(local_address(scope))

    def origin(self, host: str) -> str:
        """The origin of the board's own page, for who calls the board by this host."""
        return f"{self._scheme}://{host.lower()}"


def is_address(text: str) -> bool:
    """Whether it is an IP address, without brackets."""
    try:
        ip_address(text)
    except ValueError:
        return False
    return True


def plain_address(text: str) -> str:
    """An address as people write it: an IPv4 one that came through IPv6 is IPv4; no zone."""
    try:
        told: IPv4Address | IPv6Address = ip_address(text.partition("%")[0])
    except ValueError:
        return text
    if isinstance(told, IPv6Address) and told.ipv4_mapped is not None:
        told = told.ipv4_mapped
    return str(told)


def local_address(scope: Scope) -> str:
    """The address of this computer that a request came in on."""
    return plain_address((scope.get("server") or ("127.0.0.1", 0))[0])


def client_address(scope: Scope) -> str:
    """The address that a request came from."""
    return plain_address((scope.get("client") or ("unknown", 0))[0])
