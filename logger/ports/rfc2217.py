"""The client's half of RFC 2217 (Telnet Com Port Control Option), without a socket in sight.

Telnet is RFC 854, its options RFC 855, binary transmission RFC 856. Strategy: find the next command
in what came, hand on the bytes before it, answer it, go on; what is not whole yet waits. The settings
of the line are sent once the far end has agreed to the option, and then a purge: what it had gathered
before is older than the connection and may have come at another speed.

pyserial's own client is not used: it throws away what has arrived when the far end hangs up (5,000 of
5,000 bytes measured), sleeps 0.3 s in `close`, and blocks up to 5 s in a write. Its constants are.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping

from serial import rfc2217 as wire

IAC = wire.IAC
OURS = frozenset({wire.BINARY, wire.SGA, wire.COM_PORT_OPTION})
"""What we agree to do."""
THEIRS = OURS
"""What we let the far end do."""
MAX_COMMAND = 64
"""Bytes of the longest command that is waited for; the longest one of RFC 2217 that we ask for has 11."""

_ANSWER = {wire.DO: (wire.WILL, wire.WONT), wire.WILL: (wire.DO, wire.DONT)}
_NAMES = {
    wire.SERVER_SET_BAUDRATE: "speed",
    wire.SERVER_SET_DATASIZE: "data bits",
    wire.SERVER_SET_PARITY: "parity",
    wire.SERVER_SET_STOPSIZE: "stop bits",
}


class ComPort:
    """One connection's negotiation. ``agreed``: the line is as asked for; ``refused``: why it never will be.

    ``baud`` and the rest are the line's settings as pyserial writes them; ``dtr`` and ``rts`` are
    raised where they are not told, as any program that opens a port does.
    """

    def __init__(
        self,
        baud: int,
        data_bits: int,
        parity: str,
        stop_bits: float,
        *,
        dtr: bool | None = None,
        rts: bool | None = None,
    ) -> None:
        self.refused = ""
        self._open: dict[bytes, bytes] = {  # answer that is awaited -> the value it must have
            wire.SERVER_SET_BAUDRATE: struct.pack("!I", baud),
            wire.SERVER_SET_DATASIZE: bytes([data_bits]),
            wire.SERVER_SET_PARITY: bytes([wire.RFC2217_PARITY_MAP[parity]]),
            wire.SERVER_SET_STOPSIZE: bytes([wire.RFC2217_STOPBIT_MAP[stop_bits]]),
        }
        self._lines = (
            wire.SET_CONTROL_USE_NO_FLOW_CONTROL,
            wire.SET_CONTROL_DTR_OFF if dtr is False else wire.SET_CONTROL_DTR_ON,
            wire.SET_CONTROL_RTS_OFF if rts is False else wire.SET_CONTROL_RTS_ON,
        )
        self._said: set[bytes] = set()  # commands and options that are out and stand, e.g. WILL BINARY
        self._asked = False
        self._purged = False
        self._held = b""

    def hello(self) -> bytes:
        """What to send first."""
        said = [wire.WILL + option for option in sorted(OURS)]
        said += [wire.DO + option for option in (wire.BINARY, wire.SGA)]
        self._said.update(said)
        return b"".join(IAC + each for each in said)

    def wrap(self, data: bytes) -> bytes:
        """Bytes for the instrument, as they go over the connection."""
        return data.replace(IAC, IAC + IAC)

    @property
    def settled(self) -> bool:
        """Whether every setting of the line was confirmed."""
        return not self._open and not self.refused

    @property
    def agreed(self) -> bool:
        """Whether the far end has also thrown away what it had gathered before."""
        return self.settled and self._purged

    @property
    def missing(self) -> str:
        """What was not confirmed, for a person."""
        if not self._asked:
            return "no answer in the way of RFC 2217"
        return "no word on " + ", ".join(_NAMES[each] for each in self._open)

    def feed(self, data: bytes) -> tuple[bytes, bytes]:
        """(the instrument's bytes, what to answer at once) of what has arrived."""
        buffer, self._held = self._held + data, b""
        given, answer = bytearray(), bytearray()
        at = 0
        while (mark := buffer.find(IAC, at)) >= 0:
            given += buffer[at:mark]
            at = _end(buffer, mark)
            if at < 0:
                self._hold(buffer[mark:])
                return bytes(given), bytes(answer)
            command = buffer[mark + 1 : at]
            if command == IAC:
                given += IAC
            else:
                answer += self._heard(command)
        given += buffer[at:]
        return bytes(given), bytes(answer)

    def _hold(self, begun: bytes) -> None:
        if len(begun) > MAX_COMMAND:
            self.refused = "what it sends is not RFC 2217; write socket:// if it is a plain TCP port"
            begun = b""
        self._held = begun

    def _heard(self, command: bytes) -> bytes:
        """The answer to one whole command, its IAC left out."""
        verb, rest = command[:1], command[1:]
        if verb == wire.SB:
            self._confirmed(rest.removesuffix(IAC + wire.SE).replace(IAC + IAC, IAC))
            return b""
        if verb in _ANSWER:
            return self._agree(verb, rest) + self._ask(verb, rest)
        if verb in (wire.DONT, wire.WONT):
            return self._give_in(verb, rest)
        return b""  # NOP, DM and the like

    def _agree(self, verb: bytes, option: bytes) -> bytes:
        yes, no = _ANSWER[verb]
        if yes + option in self._said:
            return b""
        if option not in (OURS if verb == wire.DO else THEIRS):
            return IAC + no + option
        self._said.add(yes + option)
        return IAC + yes + option

    def _give_in(self, verb: bytes, option: bytes) -> bytes:
        if verb == wire.DONT and option == wire.COM_PORT_OPTION:
            self.refused = "it sets no serial line (it refuses RFC 2217); write socket:// instead"
        elif option == wire.BINARY:
            self.refused = "it does not pass all eight bits of a byte; allow telnet's binary mode there"
        stood = (wire.WILL if verb == wire.DONT else wire.DO) + option
        if stood not in self._said:
            return b""
        self._said.discard(stood)
        return IAC + (wire.WONT if verb == wire.DONT else wire.DONT) + option

    def _ask(self, verb: bytes, option: bytes) -> bytes:
        """The settings, once, when either side has agreed to speak of them."""
        if option != wire.COM_PORT_OPTION or self._asked:
            return b""
        self._asked = True
        # A client's command is the server's answer less 100.
        asked = [(bytes([answer[0] - 100]), value) for answer, value in self._open.items()]
        asked += [(wire.SET_CONTROL, value) for value in self._lines]
        asked.append((wire.PURGE_DATA, wire.PURGE_RECEIVE_BUFFER))
        head = IAC + wire.SB + wire.COM_PORT_OPTION
        return b"".join(head + name + self.wrap(value) + IAC + wire.SE for name, value in asked)

    def _confirmed(self, said: bytes) -> None:
        option, name, value = said[:1], said[1:2], said[2:]
        if option != wire.COM_PORT_OPTION:
            return
        if name == wire.SERVER_PURGE_DATA:
            self._purged = True
        wanted = self._open.get(name)
        if wanted is None or len(value) != len(wanted):
            return
        if value != wanted:
            self.refused = (
                f"it refuses the {_NAMES[name]} asked for ({_shown(name, wanted)}) and stays at "
                f"{_shown(name, value)}; change baud or format here, or allow it in the server's own settings"
            )
        else:
            del self._open[name]


def _end(buffer: bytes, mark: int) -> int:
    """Where the command that begins at ``mark`` ends; -1 where it is not whole."""
    verb = buffer[mark + 1 : mark + 2]
    if not verb:
        return -1
    if verb != wire.SB:
        end = mark + (3 if verb in (wire.DO, wire.DONT, wire.WILL, wire.WONT) else 2)
        return end if end <= len(buffer) else -1
    at = mark + 2
    while (at := buffer.find(IAC, at)) >= 0:
        if buffer[at + 1 : at + 2] == wire.SE:
            return at + 2
        if at + 1 == len(buffer):
            return -1
        at += 2
    return -1


def _shown(name: bytes, value: bytes) -> str:
    if name == wire.SERVER_SET_BAUDRATE:
        return f"{struct.unpack('!I', value)[0]} baud"
    table: Mapping[int, object] = {}
    if name == wire.SERVER_SET_PARITY:
        table = wire.RFC2217_REVERSE_PARITY_MAP
    elif name == wire.SERVER_SET_STOPSIZE:
        table = wire.RFC2217_REVERSE_STOPBIT_MAP
    return str(table.get(value[0], value[0]))
