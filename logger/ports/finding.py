"""Finding out how to talk to an instrument nobody described, by trying: first listening, then asking.

All formats of seven data bits and of two stop bits can be read as 8N1, and the top bit tells them apart;
so each speed is listened to once, as 8N1. Only where that gives nothing clean are the formats tried whose
frames are longer or shorter (8E1, 8O1, 7N1). What the instrument does not send by itself is asked for
with requests that are printed before they are sent; none of them tares, zeroes or sets anything where the
request is known, but an unknown instrument may take it for something else, so asking can be forbidden.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace

from logger.core.guess.cut import Burst
from logger.core.guess.proposal import Proposal, propose
from logger.core.guess.score import Fit, fit
from logger.ports.ear import Line
from logger.ports.wire import WireError

BAUDS = (9600, 19200, 4800, 2400, 38400, 57600, 115200, 1200, 600, 300)
"""The speeds a configuration may have, the usual ones first."""
OTHER_FRAMES = ("8E1", "8O1", "7N1")
ASKED_FORMATS = ("8N1", "7E1", "7O1", "8E1")
FORMAT_OF = {"E": "7E1", "O": "7O1", "M": "7N2"}  # what the top bit says of bytes read as 8N1
REQUESTS: tuple[bytes, ...] = (
    b"\nW\r",
    b"W\r\n",
    b"P\r\n",
    b"S\r\n",
    b"Q\r\n",
    b"?\r\n",
    b"\x05",
    b"W\r",
    b"P\r",
    b"\r\n",
)
"""SMA SCP-0499's own (LF W CR) first; the others are common practice, no source: a letter for weight,
print, send, query, the ENQ character, a bare line end."""

GOOD = 0.5  # a score below is no fit
FEW_BYTES = 3  # fewer are a click on the wire
PATIENCE = 4  # times as long, where lines come seldom
ENOUGH_LINES = 8
ANSWER_S = 0.3
QUIET_S = 0.08
SELF_S = 1.2  # how long an instrument that answered is listened to, for whether it sends by itself
ASK_EVERY_S = 0.25

Setting = tuple[int, str] | None
"""(baud, format); None for a wire that has none."""


class Stopped(Exception):
    """The person, the daemon or the time allowed ended the search."""


@dataclass(frozen=True, slots=True)
class Trial:
    """One setting that was tried. ``request`` is empty where nothing was sent."""

    setting: Setting
    request: bytes
    fit: Fit
    sample: bytes = b""


@dataclass(frozen=True, slots=True)
class Found:
    """What came of it. ``proposal`` None: nothing fits, and ``verdict`` says what to do. ``sent``: every
    request that went out, in order of the first time. ``trials``: the best first."""

    proposal: Proposal | None
    verdict: str
    trials: tuple[Trial, ...] = ()
    sent: tuple[bytes, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Plan:
    """How to search. ``requests`` empty: nothing is ever sent. ``settings``: which are tried; None for a
    wire without settings."""

    settings: tuple[Setting, ...] = tuple((baud, "8N1") for baud in BAUDS)
    others: tuple[Setting, ...] = tuple((baud, frame) for baud in BAUDS for frame in OTHER_FRAMES)
    asked: tuple[Setting, ...] = tuple((baud, frame) for frame in ASKED_FORMATS for baud in BAUDS)
    requests: tuple[bytes, ...] = REQUESTS
    listen_s: float = 2.0
    learn_s: float = 6.0


def plan(
    *,
    has_settings: bool = True,
    baud: int | None = None,
    framing: str | None = None,
    requests: Sequence[bytes] = REQUESTS,
    listen_s: float = 2.0,
    learn_s: float = 6.0,
) -> Plan:
    """A plan within what is known already."""
    base = Plan(requests=tuple(requests), listen_s=listen_s, learn_s=learn_s)
    if not has_settings:
        return replace(base, settings=(None,), others=(), asked=(None,))
    bauds = BAUDS if baud is None else (baud,)
    if framing is not None:
        each: tuple[Setting, ...] = tuple((speed, framing) for speed in bauds)
        return replace(base, settings=each, others=(), asked=each)
    return replace(
        base,
        settings=tuple((speed, "8N1") for speed in bauds),
        others=tuple((speed, frame) for speed in bauds for frame in OTHER_FRAMES),
        asked=tuple((speed, frame) for frame in ASKED_FORMATS for speed in bauds),
    )


@dataclass(slots=True)
class _Search:
    opener: Callable[[Setting], Line]
    plan: Plan
    now: Callable[[], float]
    say: Callable[[str], None]
    stopped: Callable[[], bool]
    trials: list[Trial] = field(default_factory=list)
    sent: list[bytes] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    echoes: bool = False

    # ------------------------------------------------------------------ listening

    def run(self) -> Found:
        best = self._listen_all()
        if best is None and self.plan.requests:
            best = self._ask_all()
        ranked = tuple(sorted(self.trials, key=lambda trial: -trial.fit.score))
        if best is None:
            return Found(None, self._nothing(ranked), ranked, tuple(self.sent), tuple(self.notes))
        proposal = self._learn(best)
        return Found(proposal, _verdict(proposal), ranked, tuple(self.sent), tuple(self.notes))

    def _listen_all(self) -> Trial | None:
        listen_s = self.plan.listen_s
        for setting in self.plan.settings[:2]:
            if (trial := self._listen(setting, listen_s)).fit.certain:
                return trial
        if self._heard() < FEW_BYTES:
            # A wrong speed gives wrong bytes, but not none: it sends seldom, or not by itself.
            listen_s *= PATIENCE
            trial = self._listen(self.plan.settings[0], listen_s)
            if self._heard() < FEW_BYTES or trial.fit.certain:
                return trial if trial.fit.certain else None
        for setting in self.plan.settings[2:] if listen_s == self.plan.listen_s else self.plan.settings[1:]:
            if (trial := self._listen(setting, listen_s)).fit.certain:
                return trial
        best = self._best()
        if best is not None and best.fit.score >= 0.8:
            return best
        scores = {trial.setting: trial.fit.score for trial in self.trials}
        base = {setting[0]: scores.get((setting[0], "8N1"), 0.0) for setting in self.plan.others if setting}
        for setting in sorted(self.plan.others, key=lambda each: -base[each[0]] if each else 0.0):
            if (trial := self._listen(setting, listen_s)).fit.certain:
                return trial
        return self._best()

    def _heard(self) -> int:
        return sum(trial.fit.size for trial in self.trials)

    def _best(self) -> Trial | None:
        ranked = sorted(self.trials, key=lambda trial: -trial.fit.score)
        return ranked[0] if ranked and ranked[0].fit.score >= GOOD and ranked[0].fit.numbers > 0 else None

    def _listen(self, setting: Setting, listen_s: float) -> Trial:
        self.say(f"listening at {show_setting(setting)}")
        with _open(self, setting) as line:
            allowed_s = listen_s + (600 / setting[0] if setting else 0.0)
            chunks = self._collect(line, allowed_s, lambda got: fit(got).certain)
            judged = fit(chunks, line.errors())
        return self._note(setting, b"", judged, chunks)

    def _note(self, setting: Setting, request: bytes, judged: Fit, chunks: Sequence[Burst]) -> Trial:
        if setting is not None and setting[1] == "8N1" and judged.parity:
            setting = (setting[0], FORMAT_OF[judged.parity])
        sample = b"".join(piece for _, piece in judged.chunks or chunks)[:48]
        trial = Trial(setting, request, judged, sample)
        self.trials.append(trial)
        if judged.size:
            self.say(f"  {judged.size} bytes, fit {judged.score:.0%} as {show_setting(setting)}")
        else:
            self.say("  silence")
        return trial

    def _collect(
        self, line: Line, allowed_s: float, enough: Callable[[list[Burst]], bool] = lambda got: False
    ) -> list[Burst]:
        """What comes within a time, or until it is enough (looked at where a pause is)."""
        until_s = self.now() + allowed_s
        chunks: list[Burst] = []
        fresh = False
        while (left_s := until_s - self.now()) > 0:
            if self.stopped():
                raise Stopped
            data = line.take(min(left_s, 0.1))
            if data:
                chunks.append((int(self.now() * 1e9), data))
                fresh = True
            if fresh and (not data or len(chunks) % 32 == 0):
                fresh = False
                if enough(chunks):
                    break
        return chunks

    # ------------------------------------------------------------------ asking

    def _ask_all(self) -> Trial | None:
        requests = self.plan.requests
        self.say(f"it does not send by itself; asking with {', '.join(map(show_bytes, requests))}")
        for setting in self.plan.asked:
            self.say(f"asking at {show_setting(setting)}")
            with _open(self, setting) as line:
                for request in requests:
                    trial = self._ask(line, setting, request)
                    if trial is not None and self._holds(line, trial):
                        return self.trials[-1]
        return self._best()

    def _ask(self, line: Line, setting: Setting, request: bytes) -> Trial | None:
        """The trial, where something came back."""
        chunks, _ = self._exchange(line, setting, request)
        if sum(len(piece) for _, piece in chunks) < 1:
            return None
        return self._note(setting, request, fit(chunks, line.errors(), asked=True), chunks)

    def _holds(self, line: Line, trial: Trial) -> bool:
        """Whether the same request brings a number again, and then again."""
        if trial.fit.score < GOOD or not trial.fit.numbers:
            return False
        chunks: list[Burst] = []
        for _ in range(3):
            chunks += self._exchange(line, trial.setting, trial.request)[0]
        again = self._note(trial.setting, trial.request, fit(chunks, asked=True), chunks)
        return again.fit.score >= GOOD and len(again.fit.cut.lines) >= 2

    def _exchange(self, line: Line, setting: Setting, request: bytes) -> tuple[list[Burst], float]:
        """Send, and take what comes until it is quiet; with the time to the end of the answer."""
        if self.stopped():
            raise Stopped
        while line.take(0.0):
            pass
        if request not in self.sent:
            self.sent.append(request)
        line.write(request)
        slow_s = 200 / setting[0] if setting else 0.0  # twenty characters
        began_s = last_s = self.now()
        chunks: list[Burst] = []
        while True:
            wait_s = QUIET_S + slow_s if chunks else ANSWER_S + 2 * slow_s
            data = line.take(wait_s)
            if not data or self.now() - began_s > 3.0 + 4 * slow_s:
                break
            last_s = self.now()
            chunks.append((int(last_s * 1e9), data))
        return self._without_echo(chunks, request), last_s - began_s

    def _without_echo(self, chunks: list[Burst], request: bytes) -> list[Burst]:
        data = b"".join(piece for _, piece in chunks)
        if not data.startswith(request):
            return chunks
        if not self.echoes:
            self.echoes = True
            self.notes.append("the instrument, or the adapter, sends back what it is sent")
        return [(chunks[0][0], data[len(request) :])] if data != request else []

    # ------------------------------------------------------------------ learning

    def _learn(self, best: Trial) -> Proposal:
        """Stay with the best setting for a while: layout, interval, steps and words show themselves."""
        self.say(f"learning at {show_setting(best.setting)}; load and unload the pan meanwhile")
        try:
            return self._stay(best)
        except WireError as error:  # some adapters refuse seven bits, or the plug was pulled
            told = error.strerror or str(error)
            self.notes.append(f"nothing more could be learned at {show_setting(best.setting)}: {told}")
            return propose(best.fit, best.setting, best.request)

    def _stay(self, best: Trial) -> Proposal:
        with _open(self, best.setting) as line:
            if not best.request:
                return propose(self._better(fit(self._long(line), line.errors()), best), best.setting)
            by_itself = fit(self._collect(line, SELF_S))
            if len(by_itself.cut.lines) >= 3 and by_itself.numbers:
                self.notes.append(
                    "it sends by itself since it was asked; switched off and on it may wait to be asked again"
                )
                return propose(self._better(fit(self._long(line)), best), best.setting)
            return self._learn_asking(line, best)

    def _long(self, line: Line) -> list[Burst]:
        """What comes while learning; longer where lines come seldom."""
        chunks = self._collect(line, self.plan.learn_s)
        for _ in range(PATIENCE):
            if len(fit(chunks).cut.lines) >= ENOUGH_LINES:
                break
            chunks += self._collect(line, self.plan.learn_s)
        return chunks

    def _learn_asking(self, line: Line, best: Trial) -> Proposal:
        chunks: list[Burst] = []
        asked = answered = 0
        slowest_s = 0.0
        until_s = self.now() + self.plan.learn_s
        while self.now() < until_s or asked < 3:
            got, took_s = self._exchange(line, best.setting, best.request)
            asked += 1
            if got:
                answered += 1
                slowest_s = max(slowest_s, took_s)
                chunks += got
            else:
                line.take(max(0.0, ASK_EVERY_S - took_s))
        if 2 * answered < asked:
            alone = fit(self._long(line))
            if len(alone.cut.lines) >= 2 and alone.numbers:
                self.notes.append("it sends by itself, but seldom; no request was needed")
                return propose(alone, best.setting)
        if answered < asked:
            self.notes.append(f"{answered} of {asked} requests were answered")
        return propose(self._better(fit(chunks, asked=True), best), best.setting, best.request, slowest_s)

    def _better(self, learned: Fit, best: Trial) -> Fit:
        """What was learned, unless the instrument fell silent meanwhile."""
        return learned if learned.cut.lines and learned.score >= GOOD else best.fit

    def _nothing(self, ranked: Sequence[Trial]) -> str:
        heard = [trial for trial in ranked if trial.fit.size >= FEW_BYTES]
        if not heard:
            tail = (
                "no request was answered either: its manual may name another one (give it with --ask)"
                if self.sent
                else "nothing was sent; without --silent it would also be asked"
            )
            return (
                "silence at every setting. Check that it is switched on, the plug (a straight cable where a "
                f"crossed one is needed is silent), and that its output is switched on in its menu; {tail}"
            )
        best = heard[0]
        if best.fit.clean > 0.95 and best.fit.cut.end and best.fit.score >= 0.3:
            return (
                f"it talks at {show_setting(best.setting)}, but no line with a number came; it said "
                f"{show_bytes(best.sample)}. Give the request of its manual with --ask"
            )
        return (
            f"bytes came, but none of the settings makes clean lines of them; the best was "
            f"{show_setting(best.setting)} with {show_bytes(best.sample)}. Check the ground wire and the "
            "signal levels (RS-232, RS-485 and TTL do not mix), or it sends binary numbers"
        )


class _open:  # noqa: N801 - reads as the statement it stands for
    """The wire at a setting, closed at the end of the block."""

    def __init__(self, search: _Search, setting: Setting) -> None:
        self._line = search.opener(setting)

    def __enter__(self) -> Line:
        return self._line

    def __exit__(self, *_: object) -> None:
        self._line.close()


def _verdict(proposal: Proposal) -> str:
    if proposal.trouble:
        return f"the setting is found, but its lines can't be described: {proposal.trouble}"
    return f"{proposal.read} of {proposal.of} lines read"


def find(
    opener: Callable[[Setting], Line],
    search: Plan,
    *,
    now: Callable[[], float],
    say: Callable[[str], None] = lambda text: None,
    stopped: Callable[[], bool] = lambda: False,
) -> Found:
    """Search. ``opener`` opens the wire at a setting; ``now`` gives monotonic seconds; ``say`` takes a line
    of progress; ``stopped`` is asked often. WireError where the wire can't be had; Stopped."""
    return _Search(opener, search, now, say, stopped).run()


def show_setting(setting: Setting) -> str:
    """``9600 8N1``, or what a wire without settings has."""
    return "the converter's own settings" if setting is None else f"{setting[0]} {setting[1]}"


_NAMED = {9: "\\t", 10: "\\n", 13: "\\r", 92: "\\\\"}


def show_bytes(data: bytes) -> str:
    """Bytes as a person types them: printable ones as they are, others as \\r, \\n or \\x05.

    >>> show_bytes(b"W\\r\\x05")
    '"W\\\\r\\\\x05"'
    """
    return '"' + "".join(_shown(data)) + '"'


def _shown(data: bytes) -> Iterator[str]:
    for byte in data:
        if byte in _NAMED:
            yield _NAMED[byte]
        else:
            yield chr(byte) if 0x20 <= byte < 0x7F else f"\\x{byte:02x}"
