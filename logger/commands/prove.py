"""`tallydeck prove`: the set-up check at the terminal, and the table at its end."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Sequence
from contextlib import ExitStack
from queue import Empty, SimpleQueue
from typing import Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from logger import __version__
from logger.app import StartError, read_address
from logger.board.client import ClientError, DaemonClient
from logger.clock import Clock
from logger.commands.keyboard import Keys, Nobody, Terminal
from logger.core.entries import Circumstance, Garbage, Reading
from logger.core.proof.plan import Wishes, plan
from logger.core.proof.session import PATIENCE_S, Session
from logger.core.proof.values import (
    Begins,
    Complaint,
    Instruct,
    Judged,
    Noticed,
    Progress,
    Result,
    Verdict,
    Word,
)
from logger.ports.contract import Port
from logger.settings import Configuration
from logger.wiring import make_broker, make_ports

TURN_S = 0.05
_KEYS = "Enter goes on, s skips, q ends"
_MARK = {
    Verdict.PASSES: "green",
    Verdict.FAILS: "bold red",
    Verdict.CANT_TELL: "yellow",
    Verdict.NOT_DONE: "dim",
}

Item = Reading | Garbage | Circumstance


class ProofError(Exception):
    """The check can't be done; the text says why and what to do."""


def prove(
    configuration: Configuration,
    wishes: Wishes,
    console: Console,
    *,
    keys: Keys | None = None,
    clock: Clock | None = None,
    patience_s: float = PATIENCE_S,
) -> dict[str, Any]:
    """Check a bay's instruments; gives what is saved. ``keys`` None: those of the terminal, if wished for.

    ProofError where the daemon runs or no instrument has a port; ValueError where ``wishes`` name something
    unknown.
    """
    _nobody_records(configuration)
    clock = clock or Clock()
    tests = plan(configuration.bay, intervals(configuration), wishes)
    session = Session(
        configuration.bay,
        tests,
        interactive=wishes.interactive,
        resolution=wishes.wants("resolution"),
        patience_s=patience_s,
    )
    inbox: SimpleQueue[Item] = SimpleQueue()
    with ExitStack() as stack:
        for port in _ports(configuration, inbox.put, clock):
            port.start()
            stack.callback(port.stop)
        if keys is None:
            keys = stack.enter_context(Terminal()) if wishes.interactive else Nobody(threading.Event().wait)
        conduct(session, inbox, clock.now_ns, keys, Screen(console))
    return outcome(configuration, session)


def intervals(configuration: Configuration) -> dict[str, float | None]:
    """The time between readings that each channel is configured to, s; None: it sends by itself."""
    polled = {
        each.name: each.interval_s for each in configuration.instruments if each.mode in ("poll", "stable")
    }
    return {c.name: c.interval_s or polled.get(c.name) for c in configuration.bay.channels}


def _nobody_records(configuration: Configuration) -> None:
    """ProofError where the daemon of this configuration answers: it holds the ports."""
    try:
        address = read_address(configuration.journal_directory)
        DaemonClient(address.url, address.token, timeout_s=2.0, certificate=address.certificate).state()
    except StartError:
        return
    except ClientError as error:
        if error.status == 0:  # its file was left behind
            return
    raise ProofError(
        f"the daemon (process {address.pid}) is recording and holds the ports; "
        "stop it, check, and start it again"
    )


def _ports(configuration: Configuration, put: Callable[[Item], None], clock: Clock) -> list[Port]:
    missing = set(configuration.unwired)
    wired = [each for each in configuration.instruments if each.name not in missing]
    if not wired:
        raise ProofError(
            f"{configuration.path}: no instrument has a port; "
            "give each an [instruments.NAME] table with a port"
        )
    return make_ports(wired, put, clock.now_ns, make_broker(configuration, "-prove"))


def conduct(
    session: Session,
    inbox: SimpleQueue[Item],
    now: Callable[[], int],
    keys: Keys,
    show: Callable[[Iterable[Word]], None],
) -> None:
    """Bring readings, time and keys to the session until it is over."""
    show(session.begin(now()))
    while not session.over:
        asked = session.asking
        for stroke in keys.poll("" if asked is None else asked.kind, TURN_S):
            words = session.press(now(), stroke.key) if stroke.key else session.answer(now(), stroke.text)
            show(words)
        try:
            while True:
                session.take(inbox.get_nowait())
        except Empty:
            pass
        show(session.tick(now()))


def outcome(configuration: Configuration, session: Session) -> dict[str, Any]:
    """What the check found, as it is saved and printed as JSON."""
    return {
        "bay": configuration.bay.name,
        "configuration": str(configuration.path),
        "digest": configuration.digest,
        "version": __version__,
        "complete": session.complete,
        "results": [
            {
                "instrument": each.instrument,
                "test": each.test,
                "found": each.found,
                "expected": each.expected,
                "verdict": str(each.verdict),
                "remedy": each.remedy,
                "figures": dict(each.figures),
            }
            for each in session.results
        ],
    }


class Screen:
    """Words on a console. Progress is rewritten in place on a terminal, and left out elsewhere."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._pending = False

    def __call__(self, words: Iterable[Word]) -> None:
        for word in words:
            self._word(word)

    def _word(self, word: Word) -> None:
        if isinstance(word, Progress):
            self._progress(word.text)
            return
        self._fresh_line()
        if isinstance(word, Begins):
            self._line(f"\n{word.number}/{word.of}  {word.title}", "bold")
        elif isinstance(word, Instruct):
            self._instruct(word)
        elif isinstance(word, Noticed):
            self._line(f"   {word.text}", "green")
        elif isinstance(word, Complaint):
            self._line(f" ! {word.text}", "yellow")
        elif isinstance(word, Judged) and word.result.verdict is not Verdict.NOT_DONE:
            self._judged(word.result)

    def _instruct(self, word: Instruct) -> None:
        if word.caution:
            self._line(f"   Caution: {word.caution}", "yellow")
        if word.text:
            self._line(f" > {word.text}")
        if word.wants == "answer":
            default = f" [{word.default}]" if word.default else ""
            self._console.print(Text(f"   {word.question}{default} "), end="")
            self._pending = True
        elif word.wants == "key":
            self._line(f"   ({_KEYS})", "dim")

    def _judged(self, result: Result) -> None:
        line = Text(f"   {result.instrument}, {result.test}: {result.found}: ")
        line.append(str(result.verdict), _MARK[result.verdict])
        self._console.print(line)

    def _progress(self, text: str) -> None:
        if self._console.is_terminal:
            self._console.file.write(f"\r\x1b[K   {text}")
            self._console.file.flush()
            self._pending = True

    def _fresh_line(self) -> None:
        if self._pending:
            self._console.print()
            self._pending = False

    def _line(self, text: str, style: str = "") -> None:
        self._console.print(Text(text, style))


def table(results: Sequence[dict[str, Any]]) -> Table:
    """The results, a line each, by instrument; what was not done for one reason shares a line."""
    drawn = Table(box=None, pad_edge=False, header_style="bold")
    for head in ("instrument", "what was tested", "found", "expected", "verdict", "remedy"):
        drawn.add_column(head, overflow="fold")
    for each in _by_instrument(results):
        cells = [Text(each[key]) for key in ("instrument", "test", "found", "expected")]
        verdict = Text(each["verdict"], _MARK[Verdict(each["verdict"])])
        drawn.add_row(*cells, verdict, Text(each["remedy"]))
    return drawn


def _by_instrument(results: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    lines: list[dict[str, Any]] = []
    for name in dict.fromkeys(each["instrument"] for each in results):
        its = [each for each in results if each["instrument"] == name]
        lines += [each for each in its if each["verdict"] != Verdict.NOT_DONE]
        left = [each for each in its if each["verdict"] == Verdict.NOT_DONE]
        for found in dict.fromkeys(each["found"] for each in left):
            same = [each for each in left if each["found"] == found]
            lines.append(same[0] | {"test": ", ".join(each["test"] for each in same)})
    return lines


def summary(results: Sequence[dict[str, Any]]) -> str:
    """How many lines have which verdict."""
    counts = [(str(verdict), sum(each["verdict"] == verdict for each in results)) for verdict in Verdict]
    return ", ".join(f"{count} {verdict}" for verdict, count in counts if count)


def outcome_code(results: Sequence[dict[str, Any]], *, silent: int, failed: int) -> int:
    """The exit code: ``silent`` where an instrument gave no reading, ``failed`` where another line fails."""
    fails = [each for each in results if each["verdict"] == Verdict.FAILS]
    if any(each["test"] == "alive" and not each["figures"].get("readings") for each in fails):
        return silent
    return failed if fails else 0
