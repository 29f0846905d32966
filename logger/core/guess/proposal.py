"""What goes into a configuration for an instrument nobody described, with its reasons and open questions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from statistics import median

from logger.core.decode.layout import LineFormat
from logger.core.decode.sma import SmaDecoder
from logger.core.entries import USABLE, Reading
from logger.core.guess.cells import step
from logger.core.guess.cut import Burst
from logger.core.guess.layouts import Candidate, layouts, thousands
from logger.core.guess.score import Fit, fit
from logger.core.units import FLOW_L_MIN, MASS_MG

SLOW_S = 0.4  # an answer that takes longer is allowed more time than the usual second


@dataclass(frozen=True, slots=True)
class Proposal:
    """One instrument as it may be configured. ``settings`` is None for a wire without line settings.

    ``mode``: listen, poll or repeat. ``interval_s``: between polls, or measured between lines. ``unit``
    None: not told on the wire. ``resolution``: in that unit, as text without it. ``shows``: gross or net,
    "" not told. ``alternatives``: other ways to read the same lines. ``trouble``: why nothing can be
    written, "" nothing. ``example``: a line as it came.
    """

    dialect: str
    mode: str
    settings: tuple[int, str] | None
    request: bytes = b""
    interval_s: float | None = None
    timeout_s: float | None = None
    line: LineFormat | None = None
    unit: str | None = None
    resolution: str = ""
    shows: str = ""
    read: int = 0
    of: int = 0
    shown: tuple[str, ...] = ()
    example: bytes = b""
    reasons: tuple[str, ...] = ()
    questions: tuple[str, ...] = ()
    alternatives: tuple[Candidate, ...] = ()
    trouble: str = ""

    @property
    def quantity(self) -> str:
        """mass or flow; volume for a meter that counts litres."""
        if self.unit in MASS_MG or self.unit is None:
            return "mass"
        return "flow" if self.unit in FLOW_L_MIN else "volume"

    def with_unit(self, unit: str) -> Proposal:
        """With the unit a person told. ValueError where it is not one that is known."""
        if unit not in MASS_MG and unit not in FLOW_L_MIN:
            raise ValueError(f'unit "{unit}" is not known; use one of {", ".join([*MASS_MG, *FLOW_L_MIN])}')
        line = None if self.line is None else replace(self.line, unit=unit)
        return replace(self, unit=unit, line=line)

    def choose(self, number: int) -> Proposal:
        """The n-th alternative (from 1) in place of the first choice. ValueError where there is none."""
        if not 1 <= number <= len(self.alternatives):
            raise ValueError(f"there is no alternative {number}; there are {len(self.alternatives)}")
        chosen = self.alternatives[number - 1]
        return replace(
            _from_candidate(self, chosen), alternatives=(), questions=(*chosen.questions, *_ALWAYS_ASKED)
        )


_ALWAYS_ASKED = (
    "capacity: the most it can weigh; it stands on the plate (Max)",
    "zero tracking: whether it pulls small weights to zero, which swallows a trickle; see its menu",
    "the container under the outlet: whether it drains, stands brim-full, or retains its water",
)
_GROSS_OR_NET = "gross or net: the lines do not say which of them the number is"


def propose(
    heard: Fit, settings: tuple[int, str] | None, request: bytes = b"", answer_s: float | None = None
) -> Proposal:
    """What to configure for what was heard at one setting. ``request``: what it was asked with, empty
    where it sends by itself; ``answer_s``: how long an answer took at most."""
    if heard.sma > 0.5:
        return _sma(heard, settings, request, answer_s)
    cut = heard.cut
    interval_s = _interval(cut.at_ns) if not request else max(0.2, round((answer_s or 0.0) * 1.5, 1))
    timeout_s = round(3 * answer_s, 1) if answer_s is not None and answer_s > SLOW_S else None
    base = Proposal(
        "line",
        "poll" if request else "listen",
        settings,
        request,
        interval_s,
        timeout_s,
        of=len(cut.lines),
        example=cut.lines[-1] if cut.lines else b"",
        reasons=(f"lines end with {cut.end}: {cut.why}",) if cut.end else (),
        trouble=cut.trouble,
    )
    found = layouts(cut.lines, cut.end or "CRLF")
    if not found:
        return replace(base, trouble=base.trouble or _no_layout(cut.lines))
    best = found[0]
    made = _from_candidate(base, best)
    questions = list(best.questions)
    if len(found) > 1:
        questions.insert(
            0, f"which reading is right: there are {len(found) - 1} more ways to read these lines"
        )
    if not request and any(byte > 0x7F for line in cut.lines for byte in line):
        questions.append("bytes beyond ASCII came: the line dialect refuses lines that hold them")
    if made.request and not made.request.isascii():
        questions.append("the request holds bytes beyond ASCII, which the configuration cannot hold")
    questions += [_GROSS_OR_NET] if not made.shows and made.quantity == "mass" else []
    questions += _ALWAYS_ASKED if made.quantity == "mass" else ()
    return replace(made, questions=tuple(questions), alternatives=tuple(found[1:]))


def _no_layout(lines: Sequence[bytes]) -> str:
    if thousands([line.decode("latin-1") for line in lines]):
        return (
            "a sign stands before the thousands of its numbers (980, then 1,020), which the line dialect "
            "cannot read; switch it off at the instrument"
        )
    return "no line with a number in it that the line dialect can read was heard"


def _from_candidate(base: Proposal, best: Candidate) -> Proposal:
    count, exp, sure = best.resolution
    line = replace(best.line, request=base.request.decode("latin-1")) if base.request.isascii() else best.line
    reasons = [*base.reasons, *best.reasons]
    reasons.append(_resolution_why(sure))
    missed = best.of - best.read
    if missed:
        reasons.append(f"{missed} of {best.of} lines are not read by it, e.g. {best.missed!r}")
    questions = base.questions
    if best.unit is None:
        questions = ("unit: the lines tell none; see the display, and give it with --unit", *questions)
    return replace(
        base,
        line=line,
        unit=best.unit,
        resolution=_decimal(count, exp),
        shows=best.shows if best.shows in ("gross", "net") else "",
        read=best.read,
        of=best.of,
        shown=best.shown,
        reasons=tuple(reasons),
        questions=questions,
    )


def _resolution_why(sure: bool) -> str:
    return "the resolution is a guess: " + (
        "the largest step of 1, 2 or 5 that all numbers heard are multiples of"
        if sure
        else "one in the last decimal, as too few different numbers were heard; load and unload the pan"
    )


def _decimal(count: int, exp: int) -> str:
    if exp >= 0:
        return str(count * 10**exp)
    digits = str(count).rjust(1 - exp, "0")
    return f"{digits[:exp]}.{digits[exp:]}"


def _interval(at_ns: Sequence[int]) -> float | None:
    """The usual time between lines, s; None where fewer than three came."""
    gaps = [(b - a) / 1e9 for a, b in pairwise(at_ns)]
    return round(median(gaps), 3) if len(gaps) >= 2 else None


def _sma(heard: Fit, settings: tuple[int, str] | None, request: bytes, answer_s: float | None) -> Proposal:
    data = b"".join(piece for _, piece in heard.chunks)
    items = SmaDecoder("").feed(data, 0)
    good = [item for item in items if isinstance(item, Reading)]
    finest = min(item.exp for item in good)
    usable = [item for item in good if item.status in USABLE] or good
    count, sure = step([item.number * 10 ** (item.exp - finest) for item in usable])
    modes = {item.mode for item in good}
    units = {item.unit for item in usable}
    reasons = [f"{len(good)} frames of the open protocol SMA SCP-0499", _resolution_why(sure)]
    if not request:
        reasons.append('it sends by itself; mode = "repeat" asks once for that (R) and listens')
    if len(units) > 1:
        reasons.append(f"the unit changed while listening: {', '.join(sorted(units))}")
    last = good[-1]
    shown = f"{_signed(last.number, last.exp)} {last.unit} {last.mode}"
    return Proposal(
        "sma",
        "poll" if request else "repeat",
        settings,
        request,
        max(0.2, round((answer_s or 0.0) * 1.5, 1)) if request else None,
        round(3 * answer_s, 1) if request and answer_s is not None and answer_s > SLOW_S else None,
        unit=usable[-1].unit,
        resolution=_decimal(count, finest),
        shows=modes.copy().pop() if len(modes) == 1 and modes <= {"gross", "net"} else "",
        read=len(good),
        of=len(items),
        shown=(shown,),
        example=last.raw or SmaDecoder("").encode(last),
        reasons=tuple(reasons),
        questions=_ALWAYS_ASKED,
    )


def _signed(number: int, exp: int) -> str:
    return f"{'-' if number < 0 else ''}{_decimal(abs(number), exp)}"


def propose_from_lines(lines: Sequence[bytes], end: str = "CRLF") -> Proposal:
    """The same for lines that somebody copied, without a wire: no times, no settings."""
    from logger.core.decode.layout import ENDS

    chunks: list[Burst] = [(at, line + ENDS[end]) for at, line in enumerate(lines)]
    return replace(propose(fit(chunks, asked=True), None), interval_s=None)
