"""What check weights say of a scale: does it pass, has it drifted, how long ago was it looked at.

A check weight is a known mass put on the scale. The error is what was shown - what it weighs. Its limit is
the bay's own tolerance where there is one, else twice the verification limit of the scale's class (OIML
R 76-1, 3.5.2: in service). A weight may serve as a standard where its own error is no more than a third of
the limit (OIML R 76-1, 3.7.1); with a worse one a verdict is given only where it holds whatever the weight's
error is.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from math import sqrt
from typing import Literal, TypeAlias

from logger.balance.document import CheckWeight, Scale
from logger.balance.limits import ROUNDING, oiml_limit_kg
from logger.balance.words import mass

Verdict: TypeAlias = Literal["passes", "fails", "can't tell"]
OLD_AFTER_DAYS = 30.0
"""A check older than this is worth a warning. Common practice, no source."""
THIRD = 1.0 / 3.0
COVERAGE = 2.0  # a standard uncertainty times this covers about 95 %
FROM_NOW = 1.0 / 24  # clocks differ: a check an hour from now is today's
SECONDS_A_DAY = 86_400.0
STUDENT_975 = (
    12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228, 2.201, 2.179, 2.160, 2.145, 2.131,
    2.120, 2.110, 2.101, 2.093, 2.086, 2.080, 2.074, 2.069, 2.064, 2.060, 2.056, 2.052, 2.048, 2.045, 2.042,
)  # fmt: skip
"""Student's t, two-sided 95 %, for 1 to 30 degrees of freedom (printed in any table of it; from memory)."""


@dataclass(frozen=True, slots=True)
class Checked:
    """The verdict on one check weight. Masses in kg. ``says``: the verdict in one sentence."""

    error: float
    limit: float | None
    source: str  # whose limit it is
    verdict: Verdict
    says: str


@dataclass(frozen=True, slots=True)
class Drift:
    """How the error moves: relative change of what is shown, per day, with its standard uncertainty."""

    per_day: float
    u: float
    checks: int
    days: float
    significant: bool  # more than chance at 95 %
    says: str


def limit_kg(scale: Scale, load_kg: float) -> tuple[float | None, str]:
    """How far the scale may be off at a load, and who says so; None where nothing is known."""
    if scale.tolerance is not None:
        return scale.tolerance, "the bay's own tolerance"
    interval = scale.verification_interval or scale.resolution
    if scale.accuracy_class is None or interval <= 0.0:
        return None, "nobody: neither a class nor a tolerance of the scale is known"
    limit = oiml_limit_kg(load_kg, interval, scale.accuracy_class)
    return limit, f"OIML R 76-1, class {scale.accuracy_class} in service"


def judge(check: CheckWeight, scale: Scale, unit: str = "kg") -> Checked:
    """Does the scale pass with this weight? ``unit`` ("kg" or "lb"): of the sentence."""
    error = check.shown - check.nominal
    limit, source = limit_kg(scale, check.nominal)
    shown = f"{mass(check.nominal, unit)} was shown as {mass(check.shown, unit)}, {_off(error, unit)}"
    if limit is None:
        return Checked(error, None, source, "can't tell", f"{shown}; what is allowed is not known")
    weight = COVERAGE * check.u_nominal
    allowed = f"{mass(limit, unit)} is allowed ({source})"
    edge = limit * (1.0 + ROUNDING) + ROUNDING * check.nominal
    if weight <= THIRD * limit * (1.0 + ROUNDING):
        verdict: Verdict = "passes" if abs(error) <= edge else "fails"
        return Checked(error, limit, source, verdict, f"{shown}; {allowed}: {verdict}")
    known = f"the weight itself is known to {mass(weight, unit)} only, more than a third of that"
    if abs(error) + weight <= edge:
        return Checked(error, limit, source, "passes", f"{shown}; {allowed}: passes, although {known}")
    if abs(error) - weight > edge:
        return Checked(error, limit, source, "fails", f"{shown}; {allowed}: fails, although {known}")
    return Checked(error, limit, source, "can't tell", f"{shown}; {allowed}, but {known}: can't tell")


def drift(scale: Scale, unit: str = "kg") -> Drift | None:
    """How the scale's error moved over its dated checks. None: fewer than three, or all at one time.

    A straight line through the relative errors (shown - nominal) / nominal, by least squares. The scatter
    about it counts as at least what the step of the display explains. Significant where the slope is more
    than Student's t times its uncertainty, with two degrees fewer than checks.
    """
    dated = [(each.at, each) for each in scale.checks if each.at is not None and each.nominal > 0.0]
    if len(dated) < 3:
        return None
    first = min(at for at, _ in dated)
    days = [(at - first).total_seconds() / SECONDS_A_DAY for at, _ in dated]
    errors = [(each.shown - each.nominal) / each.nominal for _, each in dated]
    n, middle = len(dated), sum(days) / len(days)
    across = sum((day - middle) ** 2 for day in days)
    if across <= 0.0:
        return None
    mean = sum(errors) / n
    slope = sum((day - middle) * (error - mean) for day, error in zip(days, errors, strict=True)) / across
    about = sum((error - mean - slope * (day - middle)) ** 2 for day, error in zip(days, errors, strict=True))
    step = sum(scale.resolution**2 / 12.0 / each.nominal**2 for _, each in dated) / n
    u = sqrt(max(about / (n - 2), step) / across)
    significant = abs(slope) > student(n - 2) * u
    span = max(days)
    low, high = (100 * 30 * (slope + k * COVERAGE * u) for k in (-1, 1))
    month = f"{100 * 30 * slope:+.2g} % in 30 days (95 %: {low:+.2g} to {high:+.2g})"
    said = f"{month}, of {n} checks in {span:.0f} days"
    says = f"it drifts: {said}" if significant else f"no drift that is more than chance: {said}"
    return Drift(slope, u, n, span, significant, says)


def student(degrees: int) -> float:
    """Student's t, two-sided 95 %; beyond 30 degrees of freedom that of 30, a hair too much."""
    return STUDENT_975[min(degrees, len(STUDENT_975)) - 1]


def latest(scale: Scale) -> CheckWeight | None:
    """The last check: by its time; of those without one, the one that was named last."""
    dated = [each for each in scale.checks if each.at is not None]
    if not dated:
        return scale.checks[-1] if scale.checks else None
    return max(dated, key=lambda each: each.at or datetime.min.replace(tzinfo=UTC))


def scale_warnings(
    scale: Scale, now: datetime | None, old_after_days: float = OLD_AFTER_DAYS, unit: str = "kg"
) -> tuple[str, ...]:
    """What must be known of a scale before its figures are believed, a sentence each.

    That its last check failed, is old at ``now`` (or lies after it), or that it drifts. Without ``now``
    nothing is said of age.
    """
    last = latest(scale)
    if last is None:
        return ("it was never checked with a known weight, as far as is known here",)
    found = []
    judged = judge(last, scale, unit)
    if judged.verdict == "fails":
        found.append(f"its last check failed: {judged.says}; have it adjusted, and weigh again what matters")
    if now is not None:
        found += _age(last, now, old_after_days)
    moved = drift(scale, unit)
    if moved is not None and moved.significant:
        found.append(f"{moved.says}; check it more often")
    return tuple(found)


def _age(last: CheckWeight, now: datetime, old_after_days: float) -> list[str]:
    if last.at is None:
        return ["it isn't known when it was last checked"]
    days = (now - last.at).total_seconds() / SECONDS_A_DAY
    if days < -FROM_NOW:
        return [f"its last check lies {-days:.1f} days in the future; is the time right?"]
    if days > old_after_days:
        return [f"its last check was {days:.0f} days ago; put a check weight on"]
    return []


def _off(error: float, unit: str) -> str:
    if error == 0.0:
        return "no error"
    return f"{mass(abs(error), unit)} {'too much' if error > 0 else 'too little'}"
