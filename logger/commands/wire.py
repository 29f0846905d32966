"""`tallydeck wire`: which ports there are, what comes from one, how to talk to it, and recordings."""

from __future__ import annotations

import re
import signal
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any

import typer

from logger.commands.shared import (
    CANT_CREATE,
    DATA,
    NO_INPUT,
    UNAVAILABLE,
    USAGE,
    ConfigOption,
    JsonOption,
    err,
    fail,
    load,
    out,
    print_json,
)

wire_app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Connect an instrument: list ports, listen, find speed and format, record, play back.",
)

PortArgument = Annotated[
    str,
    typer.Argument(
        metavar="PORT",
        help="A device (best from /dev/serial/by-id), socket://host:port or rfc2217://host:port.",
    ),
]
BaudOption = Annotated[int, typer.Option("--baud", help="Line speed.")]
FormatOption = Annotated[str, typer.Option("--format", help="Data bits, parity, stop bits.")]
SecondsOption = Annotated[
    float | None, typer.Option("--seconds", min=0.1, help="End after this long; else with Ctrl-C.")
]
SendOption = Annotated[
    str | None,
    typer.Option("--send", metavar="TEXT", help=r"Send this first; \r, \n, \x05 stand for characters."),
]

_ESCAPE = re.compile(r"\\(?:x([0-9A-Fa-f]{2})|(.))", re.DOTALL)
_PLAIN = {"r": "\r", "n": "\n", "t": "\t", "\\": "\\", "0": "\0"}


def unescape(text: str) -> bytes:
    r"""What a person typed as the bytes that are meant. ValueError where an escape is not known.

    >>> unescape(r"W\r\x05")
    b'W\r\x05'
    """

    def one(match: re.Match[str]) -> str:
        if match[1]:
            return chr(int(match[1], 16))
        if match[2] not in _PLAIN:
            raise ValueError(f'"\\{match[2]}" is not known; use \\r, \\n, \\t, \\\\, or \\x and two digits')
        return _PLAIN[match[2]]

    found = _ESCAPE.sub(one, text)
    try:
        return found.encode("latin-1")
    except UnicodeEncodeError:
        raise ValueError(
            "only characters of one byte can be sent; write others as \\x and two digits"
        ) from None


@contextmanager
def until_ctrl_c() -> Iterator[threading.Event]:
    """An event that Ctrl-C or SIGTERM sets, so that ports are closed and files ended properly."""
    enough = threading.Event()
    before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    for number in before:
        signal.signal(number, lambda *_: enough.set())
    try:
        yield enough
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def typed_bytes(text: str) -> bytes:
    """The bytes of an option; an end with 64 where they can't be meant."""
    try:
        return unescape(text)
    except ValueError as error:
        fail(USAGE, f"{text!r}: {error}")


def _open(port: str, baud: int, framing: str) -> Any:
    """The open port; an end with 64 for a setting that can't be, 69 for a port that can't be had."""
    from logger.ports.ear import Ear, settings_of
    from logger.ports.wire import WireError, check_url

    try:
        check_url(port)
        settings = settings_of(baud, framing)
    except ValueError as error:
        fail(USAGE, str(error))
    try:
        return Ear(port, settings)
    except WireError as error:
        fail(UNAVAILABLE, str(error.strerror))


# ---------------------------------------------------------------------- list


@wire_app.command("list")
def wire_list(config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """List the serial ports by the names that stay, and who holds or may open them."""
    from logger.ports.listing import list_wires

    configured: dict[str, str] = {}
    if config is not None:
        configured = {each.port: each.name for each in load(config).instruments if each.port is not None}
    found = list_wires(configured)
    if as_json:
        print_json([asdict(each) for each in found])
        return
    if not found:
        err.print("no serial port; plug the adapter in. An instrument on the network is socket://host:port")
    for each in found:
        out.print(each.name, markup=False)
        leads = (
            f"leads to {each.device}"
            if each.stable
            else "this name may change when things are plugged in anew"
        )
        out.print(f"    {leads}{f'; {each.what}' if each.what and each.what != 'n/a' else ''}", markup=False)
        if each.instrument:
            out.print(f"    the configuration has the instrument {each.instrument} here", markup=False)
        for holder in each.taken_by:
            out.print(f"    taken by {holder}", markup=False)
        out.print(f"    {'may be opened' if each.may_open else each.remedy}", markup=False)


# ---------------------------------------------------------------------- listen


@wire_app.command("listen")
def wire_listen(
    port: PortArgument,
    baud: BaudOption = 9600,
    framing: FormatOption = "8N1",
    seconds: SecondsOption = None,
    send: SendOption = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show the bytes that come, in hex and as text, beside what each dialect makes of them.

    With --config, lines are read as the configuration describes the instrument at this port; otherwise
    their layout is guessed while they come.
    """
    from logger.core.guess.pieces import Listener, printable
    from logger.ports.wire import WireError

    request = b"" if send is None else typed_bytes(send)
    listener = Listener(_described(config, port))
    with until_ctrl_c() as enough:
        ear = _open(port, baud, framing)
        began_ns = time.monotonic_ns()
        count = 0
        try:
            if request:
                ear.write(request)
                err.print(f"sent {printable(request)}", markup=False)
            until_s = None if seconds is None else time.monotonic() + seconds
            while not enough.is_set() and (until_s is None or time.monotonic() < until_s):
                data = ear.take(0.05)
                now_ns = time.monotonic_ns()
                count += len(data)
                for piece in listener.feed(data, now_ns) if data else listener.idle(now_ns):
                    _print_piece(piece, began_ns, as_json)
        except WireError as error:
            fail(UNAVAILABLE, str(error.strerror))
        finally:
            for piece in listener.end():
                _print_piece(piece, began_ns, as_json)
            ear.close()
    if not count:
        err.print(
            "silence; check cable, power and plug, or ask it: --send 'W\\r\\n', or tallydeck wire find PORT"
        )


def _described(config: Path | None, port: str) -> Any:
    """The description of the lines of the instrument that the configuration has at this port."""
    from logger.ports.listing import stable_name

    if config is None:
        return None
    for each in load(config).instruments:
        if each.port is not None and stable_name(each.port) == stable_name(port):
            return each.line
    return None


def _print_piece(piece: Any, began_ns: int, as_json: bool) -> None:
    import json

    from logger.core.guess.pieces import printable

    at_s = (piece.at_ns - began_ns) / 1e9
    if as_json:
        row = {"t_s": round(at_s, 4), "hex": piece.data.hex(), "text": printable(piece.data)}
        sys.stdout.write(json.dumps(row | {"sma": piece.sma, "line": piece.line}) + "\n")
    else:
        sys.stdout.write(f"{at_s:9.3f} s  {piece.data.hex(' ')}\n             {printable(piece.data)}\n")
        for name, says in (("sma", piece.sma), ("line", piece.line)):
            if says:
                sys.stdout.write(f"             {name:<5}{says}\n")
    sys.stdout.flush()


# ---------------------------------------------------------------------- record, play


@wire_app.command("record")
def wire_record(
    port: PortArgument,
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The recording to write; must not exist yet.")],
    seconds: SecondsOption = None,
    baud: BaudOption = 9600,
    framing: FormatOption = "8N1",
    send: SendOption = None,
    every: Annotated[
        float | None, typer.Option(min=0.01, help="With --send: send it again after so many seconds.")
    ] = None,
) -> None:
    """Record the bytes of a wire with their times, and what was sent, for tallydeck wire play."""
    from logger.ports.ear import has_settings
    from logger.ports.tape import TapeWriter
    from logger.ports.wire import WireError

    request = b"" if send is None else typed_bytes(send)
    if every is not None and not request:
        fail(USAGE, "--every needs --send, which says what to send")
    with until_ctrl_c() as enough:
        ear = _open(port, baud, framing)
        try:
            began = datetime.now(UTC).isoformat(timespec="milliseconds")
            speed, frame = (baud, framing) if has_settings(port) else (None, None)
            with file.open("x", encoding="utf-8") as handle:
                tape = TapeWriter(handle, port, speed, frame, began)
                came, went = _copy(ear, tape, request, every, seconds, enough)
        except FileExistsError:
            fail(CANT_CREATE, f"{file} exists; nothing is overwritten, choose another name")
        except WireError as error:
            fail(UNAVAILABLE, f"{error.strerror} (what came until then is in {file})")
        except OSError as error:
            fail(CANT_CREATE, f"{file}: {error.strerror}")
        finally:
            ear.close()
    err.print(f"{came} bytes recorded, {went} sent, in {file}", markup=False)


def _copy(
    ear: Any, tape: Any, request: bytes, every: float | None, seconds: float | None, enough: threading.Event
) -> tuple[int, int]:
    """From the wire to the recording until it is enough: (bytes that came, bytes sent)."""
    from logger.ports.tape import Piece

    began_ns = time.monotonic_ns()
    came = went = 0
    send_ns: int | None = began_ns if request else None
    while not enough.is_set():
        now_ns = time.monotonic_ns()
        if seconds is not None and now_ns - began_ns >= seconds * 1e9:
            break
        if send_ns is not None and now_ns >= send_ns:
            ear.write(request)
            tape.put(Piece(time.monotonic_ns() - began_ns, request, out=True))
            went += len(request)
            send_ns = None if every is None else now_ns + int(every * 1e9)
        left_s = 0.05 if send_ns is None else min(0.05, max(0.001, (send_ns - now_ns) / 1e9))
        if data := ear.take(left_s):
            tape.put(Piece(time.monotonic_ns() - began_ns, data))
            came += len(data)
    return came, went


@wire_app.command("play")
def wire_play(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A recording.")],
    speed: Annotated[float, typer.Option(min=0.01, max=1000, help="Times as fast as recorded.")] = 1.0,
    at: Annotated[
        Path | None, typer.Option("--at", metavar="PATH", help="Make a link of this name to the port.")
    ] = None,
    loop: Annotated[bool, typer.Option("--loop", help="Begin again at the end.")] = False,
) -> None:
    """Play a recording back as a port, whose path is printed; requests that were recorded are answered.

    It begins when a program opens the port. A recording with requests goes on until Ctrl-C.
    """
    from logger.ports.playing import Player
    from logger.ports.tape import TapeError, read_tape

    try:
        tape = read_tape(file)
    except TapeError as error:
        fail(DATA, str(error))
    except OSError as error:
        fail(NO_INPUT, f"{file}: {error.strerror}")
    if tape.note:
        err.print(f"tallydeck: {tape.note}", markup=False)
    try:
        player = Player(tape.pieces, speed=speed, loop=loop, at=at)
    except OSError as error:
        fail(CANT_CREATE, f"{at}: {error.strerror}; choose a name that is free")
    with until_ctrl_c() as enough:
        try:
            sys.stdout.write(player.path + "\n")
            sys.stdout.flush()
            player.play(enough.is_set)
        finally:
            player.close()
