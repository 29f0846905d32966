"""What a service manager wants to hear: ready, alive, stopping. One datagram a message, no library.

The protocol is sd_notify(3): ``NAME=value`` lines to the socket named by ``NOTIFY_SOCKET``, a path or,
after an ``@``, an abstract name. ``WATCHDOG_USEC`` says how often the manager wants to hear a sign of life,
``WATCHDOG_PID`` from whom.
"""

from __future__ import annotations

import logging
import os
import socket
from collections.abc import Mapping

log = logging.getLogger("tallydeck.service")

PATIENCE_S = 1.0  # the manager's socket may be full for a moment; nothing of ours waits longer for it


class Notifier:
    """Tells the service manager; does nothing where there is none (``address`` is empty)."""

    def __init__(self, address: str) -> None:
        self._address = f"\0{address[1:]}" if address.startswith("@") else address
        self._failing = False

    @classmethod
    def from_environment(cls, env: Mapping[str, str]) -> Notifier:
        """The manager that ``NOTIFY_SOCKET`` names; another kind of socket is said and left alone."""
        address = env.get("NOTIFY_SOCKET", "")
        if address and not address.startswith(("/", "@")):
            log.warning(
                "NOTIFY_SOCKET is %r, expected a path or an abstract name after an @; the service "
                "manager will hear nothing",
                address,
            )
            address = ""
        return cls(address)

    @property
    def listening(self) -> bool:
        """Whether there is a service manager to tell."""
        return bool(self._address)

    def tell(self, **fields: object) -> bool:
        """Send the fields as one message. False where nobody took it; that is logged once."""
        if not self._address:
            return False
        lines = (f"{name}={' '.join(str(value).splitlines())}" for name, value in fields.items())
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sender:
                sender.settimeout(PATIENCE_S)
                sender.connect(self._address)
                sender.send("\n".join(lines).encode())
        except OSError as error:
            if not self._failing:
                log.warning("the service manager can't be told: %s; it may restart the daemon", error)
            self._failing = True
            return False
        self._failing = False
        return True


def watchdog_s(env: Mapping[str, str], pid: int | None = None) -> float | None:
    """How long the manager waits for a sign of life before it restarts us, s; None: it does not watch."""
    told = env.get("WATCHDOG_USEC", "")
    whose = env.get("WATCHDOG_PID", "")
    if whose and whose != str(os.getpid() if pid is None else pid):
        return None
    try:
        usec = int(told) if told else 0
    except ValueError:
        log.warning("WATCHDOG_USEC is %r, expected microseconds; no sign of life is given", told)
        return None
    return usec / 1e6 if usec > 0 else None
