"""The state machine: it takes readings, keys and answers, and says what to do, how it stands, what it found.

A test is a row of steps; a step ends by itself, when the weight shows that the thing asked for was done,
or with Enter. What each step saw is kept, and judged when the test is through. A test that is skipped,
can't be done without a person, or loses its instrument, leaves lines that say so.

Call `begin` once, then `take` for every item, `tick` a few times a second, `press` and `answer` for
what the person does; all give the words to pass on. It is over when ``over`` says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from logger.core.description import Bay
from logger.core.entries import USABLE, Circumstance, Garbage, Reading
from logger.core.proof.answers import AnswerError, read_answer
from logger.core.proof.listen import trend
from logger.core.proof.resolution import TEST as RESOLUTION
from logger.core.proof.resolution import judge_resolution
from logger.core.proof.until import Listen, Move, Poured, Seen, shown
from logger.core.proof.values import (
    Asked,
    Begins,
    Complaint,
    Instruct,
    Judged,
    Noticed,
    Progress,
    Result,
    Step,
    Test,
    Verdict,
    Word,
)
from logger.core.proof.window import NS, Capture, Window

SILENT_S = 8.0
PATIENCE_S = 30.0
PROGRESS_S = 0.5
BOUNCE_S = 0.7  # a wet hand presses twice: Enter counts only from so long into a step
MOST_NUMBERS = 5000  # different numbers kept of a channel


class Session:
    """One set-up check. ``interactive`` False: only the tests that need nobody are done.

    ``patience_s``: so long a test waits for an instrument that fell silent. ValueError where it is not
    positive.
    """

    def __init__(
        self,
        bay: Bay,
        tests: Sequence[Test],
        *,
        interactive: bool,
        resolution: bool = True,
        patience_s: float = PATIENCE_S,
    ) -> None:
        if not patience_s > 0:
            raise ValueError(f"patience_s {patience_s:g} must be above 0")
        self.results: list[Result] = []
        self.over = False
        self.complete = True
        self._bay = bay
        self._tests = list(tests)
        self._interactive = interactive
        self._patience_s = patience_s
        self._resolution = resolution
        self._number = -1
        self._step = 0
        self._windows: dict[str, Window] = {}
        self._captures: dict[str, dict[str, Capture]] = {}
        self._answers: dict[str, Any] = {}
        self._levels: dict[str, float] = {}
        self._still: dict[str, float] = {}
        self._dead: set[str] = set()
        self._why: dict[str, str] = {}
        self._numbers: dict[str, set[tuple[int, int, str]]] = {c.name: set() for c in bay.channels}
        self._began_ns = self._progress_ns = 0
        self._pressed_ns: int | None = None
        self._complained = False
        self._last_answer: dict[str, str] = {}

    # ------------------------------------------------------------------ what comes in

    def begin(self, now_ns: int) -> list[Word]:
        return self._next_test(now_ns)

    def take(self, item: Reading | Garbage | Circumstance) -> None:
        """Take what a port hands on."""
        if isinstance(item, Circumstance):
            if item.kind == "link":
                self._why[item.subject] = (
                    "" if item.data.get("state") == "up" else str(item.data.get("why", ""))
                )
            return
        window = self._windows.get(item.channel)
        if window is not None:
            window.take(item)
        numbers = self._numbers.get(item.channel)
        if numbers is None or not isinstance(item, Reading) or item.status not in USABLE:
            return
        if len(numbers) < MOST_NUMBERS:
            numbers.add((item.number, item.exp, item.unit))

    def tick(self, now_ns: int) -> list[Word]:
        """Time passed: see whether the step is done."""
        step = self._now()
        if step is None or self.asking is not None:
            return []
        seen = self._seen(now_ns)
        if step.until.ended(seen):
            words: list[Word] = []
            if isinstance(step.until, Move | Poured):
                words.append(Noticed(f"Seen: {self._test.channels[0]} {shown(seen)}."))
            return words + self._end_step(now_ns, "itself")
        words = self._silence(now_ns)
        if not words and self._now() is step and now_ns - self._progress_ns >= PROGRESS_S * NS:
            self._progress_ns = now_ns
            words.append(Progress(step.until.progress(seen)))
        return words

    def press(self, now_ns: int, key: str) -> list[Word]:
        """A key: "go" (Enter), "skip" the test, or "quit". ValueError for another one."""
        if key not in ("go", "skip", "quit"):
            raise ValueError(f'key "{key}" is not one of go, skip, quit')
        if self._now() is None:
            return []
        if key == "quit":
            return self._quit(now_ns)
        if key == "skip":
            return self._give_up(now_ns, Verdict.NOT_DONE, "skipped", "")
        if self.asking is not None:
            return self.answer(now_ns, "")
        return self._go(now_ns)

    def _go(self, now_ns: int) -> list[Word]:
        until = self._test.steps[self._step].until
        if now_ns - self._began_ns < BOUNCE_S * NS or isinstance(until, Listen):
            return []
        if isinstance(until, Poured) and self._pressed_ns is None:
            self._pressed_ns = now_ns
            return [Noticed("Watching.")]
        return self._end_step(now_ns, "key")

    @property
    def asking(self) -> Asked | None:
        """The question that waits for an answer."""
        step = self._now()
        return None if step is None else step.asks

    def answer(self, now_ns: int, text: str) -> list[Word]:
        """Answer the question; a bad answer gives a complaint and the question stays."""
        step, asked = self._now(), self.asking
        if step is None or asked is None:
            return []
        text = text.strip() or self._default(step, asked) or ""
        try:
            self._answers[step.key] = read_answer(asked, text)
        except AnswerError as error:
            return [Complaint(str(error))]
        self._last_answer[self._test.name + step.key] = text
        return self._end_step(now_ns, "key")

    def _default(self, step: Step, asked: Asked) -> str | None:
        return asked.default or self._last_answer.get(self._test.name + step.key)

    # ------------------------------------------------------------------ from step to step

    @property
    def _test(self) -> Test:
        return self._tests[self._number]

    def _now(self) -> Step | None:
        return None if self.over or self._number < 0 else self._test.steps[self._step]

    def _seen(self, now_ns: int) -> Seen:
        channel = self._test.channels[0]
        pressed = None if self._pressed_ns is None else (self._pressed_ns - self._began_ns) / NS
        return Seen(
            self._windows[channel],
            (now_ns - self._began_ns) / NS,
            self._levels,
            self._still.get(channel, 0.0),
            pressed,
        )

    def _begin_step(self, now_ns: int) -> list[Word]:
        step = self._test.steps[self._step]
        self._began_ns = self._progress_ns = now_ns
        self._pressed_ns, self._complained = None, False
        self._windows = {name: Window(self._bay.channel(name), now_ns) for name in self._test.channels}
        wants = step.until.wants if step.asks is None else "answer"
        question = "" if step.asks is None else step.asks.question
        default = None if step.asks is None else self._default(step, step.asks)
        return [Instruct(step.key, self._test.channels, step.say, step.caution, wants, question, default)]

    def _end_step(self, now_ns: int, by: str) -> list[Word]:
        step = self._test.steps[self._step]
        self._captures[step.key] = {name: w.capture(now_ns, by) for name, w in self._windows.items()}
        capture = self._captures[step.key][self._test.channels[0]]
        level = capture.last(2.0)
        if level is not None:
            self._levels[step.key] = level.mean
        elif capture.points:
            self._levels[step.key] = capture.points[-1].value
        self._step += 1
        if self._step < len(self._test.steps):
            return self._begin_step(now_ns)
        return self._judge() + self._next_test(now_ns)

    def _judge(self) -> list[Word]:
        results = self._test.judge(self._captures, self._answers)
        self._learn()
        return self._say([self._with_reason(result) for result in results])

    def _with_reason(self, result: Result) -> Result:
        """A silent instrument's port may know why."""
        why = self._why.get(result.instrument, "")
        return (
            replace(result, remedy=why)
            if result.test == "alive" and result.found == "silent" and why
            else result
        )

    def _learn(self) -> None:
        """How much each scale scatters at rest, and which instruments are dead."""
        for name, capture in self._captures.get("listen", {}).items():
            if not capture.heard:
                self._dead.add(name)
            elif len(capture.points) > 4 and self._bay.channel(name).quantity == "mass":
                self._still[name] = trend(capture.points).sd

    def _say(self, results: list[Result]) -> list[Word]:
        self.results += results
        return [Judged(result) for result in results]

    def _next_test(self, now_ns: int) -> list[Word]:
        """Begin the next test that can be done; name those that can't."""
        words: list[Word] = []
        while self._number + 1 < len(self._tests):
            self._number += 1
            test = self._test
            self._step, self._captures, self._answers, self._levels = 0, {}, {}, {}
            if not test.alone and not self._interactive:
                words += self._lines(Verdict.NOT_DONE, "needs a person", "run it at a terminal")
            elif len(test.channels) == 1 and test.channels[0] in self._dead:
                words += self._lines(Verdict.NOT_DONE, "the instrument is silent", "first make it speak")
            elif test.steps and test.channels:
                words.append(Begins(test.title, self._number + 1, len(self._tests)))
                return words + self._begin_step(now_ns)
        return words + self._end()

    def _lines(self, verdict: Verdict, found: str, remedy: str) -> list[Word]:
        return self._say([Result(name, test, found, "", verdict, remedy) for name, test in self._test.lines])

    def _give_up(self, now_ns: int, verdict: Verdict, found: str, remedy: str) -> list[Word]:
        return self._lines(verdict, found, remedy) + self._next_test(now_ns)

    def _quit(self, now_ns: int) -> list[Word]:
        self.complete = False
        words = self._lines(Verdict.NOT_DONE, "ended before", "")
        while self._number + 1 < len(self._tests):
            self._number += 1
            words += self._lines(Verdict.NOT_DONE, "ended before", "")
        return words + self._end()

    def _end(self) -> list[Word]:
        """The resolution is judged from all that was seen, at the end."""
        self.over = True
        if not self._resolution:
            return []
        watched = {name for test in self._tests for name in test.channels}
        return self._say(
            [
                judge_resolution(channel, self._numbers[channel.name], self._bay.units)
                for channel in self._bay.channels
                if channel.quantity == "mass" and channel.name in watched - self._dead
            ]
        )

    def _silence(self, now_ns: int) -> list[Word]:
        """Complain once where the instrument of a guided step says nothing usable; then give the test up."""
        if len(self._test.channels) != 1:
            return []
        name = self._test.channels[0]
        window = self._windows[name]
        quiet_s = (now_ns - window.last_ns) / NS
        if quiet_s <= SILENT_S:
            self._complained = False
            return []
        state = f'shows "{window.unusable}", which is no weight' if window.unusable else "is silent"
        if quiet_s > SILENT_S + self._patience_s:
            remedy = self._why.get(name) or "look at plug, cable and power, then do it again"
            return self._give_up(now_ns, Verdict.CANT_TELL, f"{name} {state}", remedy)
        if self._complained:
            return []
        self._complained = True
        why = self._why.get(name)
        more = f" ({why})" if why else ""
        return [
            Complaint(
                f"{name} {state}{more}: look at load, plug, cable and power. It is waited for; s skips."
            )
        ]


__all__ = ["RESOLUTION", "Session"]
