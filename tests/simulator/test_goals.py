"""The goals table: its calibration does what it says, its intervals hold, a cut run can be read again."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.bench.goals.__main__ import jobs_of
from tests.bench.goals.columns import Column, columns
from tests.bench.goals.intervals import part_95, quantile_95
from tests.bench.goals.jobs import OURS
from tests.bench.goals.kept import Bay, Broken, Calm, Job, from_line, read, to_line
from tests.bench.goals.pictures import BEFORE_S, explained, moment
from tests.bench.goals.rows import mixed
from tests.bench.goals.run import Settings, run
from tests.bench.goals.table import grid, text
from tests.bench.peers.all_of import PEERS
from tests.bench.peers.calibrate import BETWEEN_FALSE_ALARMS_H, Hour, Tuned, factor, tune, units
from tests.bench.run_lengths import cusum_arl, threshold_for
from tests.bench.testbay.plan import plan
from tests.bench.testbay.play import write
from tests.bench.testbay.regimes import TUNING
from tests.bench.testbay.score import Record, Scored
from tests.bench.testbay.trace import carried_out

# ------------------------------------------------------------------ calibration


def chart_maxima(hours: int, seed: int) -> np.ndarray:
    """The highest value in each hour of a CUSUM (k 0.5) on 720 independent Gaussian samples."""
    rng = np.random.default_rng(seed)
    level, highest = np.zeros(hours), np.zeros(hours)
    for _ in range(720):
        level = np.maximum(0.0, level + rng.normal(size=hours) - 0.5)
        highest = np.maximum(highest, level)
    return highest


@pytest.mark.parametrize("hours", [800, 8000])
def test_a_chart_of_known_run_length_is_set_to_one_false_alarm_in_100_h(hours: int) -> None:
    """A CUSUM on white noise: the threshold found from its hours' maxima, by the tail (800) or read off
    (8000), has the average run length of 100 h that the integral equation gives."""
    found = factor(chart_maxima(hours, 31).tolist())
    wanted = threshold_for(lambda h: cusum_arl(0.5, h), BETWEEN_FALSE_ALARMS_H * 720, 1.0, 20.0)
    assert cusum_arl(0.5, found) / 720.0 == pytest.approx(BETWEEN_FALSE_ALARMS_H, rel=0.45)
    assert found == pytest.approx(wanted, abs=0.45)


def test_a_threshold_for_another_rate_is_another_one() -> None:
    maxima = chart_maxima(4000, 32).tolist()
    often, seldom = factor(maxima, 20.0), factor(maxima, 200.0)
    assert cusum_arl(0.5, often) / 720.0 == pytest.approx(20.0, rel=0.3)
    assert cusum_arl(0.5, seldom) / 720.0 == pytest.approx(200.0, rel=0.6)


def test_the_limits_of_a_calibration_hold_the_rate_as_often_as_they_say() -> None:
    """Read off from 1000 hours, 400 times over: the true rate lies within about 95 times in 100."""
    rng = np.random.default_rng(33)
    low, high = Tuned(1.0, 1000, 0, 0).reached
    held = 0
    for _ in range(400):
        found = np.log(factor(np.exp(rng.exponential(size=1000)).tolist()))
        held += low <= 100.0 * -np.log1p(-np.exp(-found)) <= high
    assert 0.91 < held / 400 < 0.99
    assert high / low > 2.0


def test_fewer_hours_fix_the_rate_less() -> None:
    widths = [np.subtract(*Tuned(1.0, n, 0, 0).reached[::-1]) for n in (100, 1000, 10_000)]
    assert widths == sorted(widths, reverse=True)


def test_too_few_hours_tune_nothing() -> None:
    hours = [Hour("timer", "bay", "out1", batch, 3.0) for batch in ("commission", *["calibrate"] * 9)]
    assert tune("timer", hours, units(hours, PEERS)) is None


# ------------------------------------------------------------------ intervals


@pytest.mark.parametrize(("count", "of", "low", "high"), [(0, 10, 0.0, 0.3085), (5, 10, 0.1871, 0.8129)])
def test_the_interval_of_a_part_is_the_published_one(count, of, low, high) -> None:
    """Clopper and Pearson's limits as tables print them (values from memory)."""
    assert part_95(count, of) == pytest.approx((low, high), abs=1e-4)


@pytest.mark.parametrize("share", [0.5, 0.9])
def test_the_interval_of_a_quantile_holds_it_as_often_as_it_says(share: float) -> None:
    rng = np.random.default_rng(8)
    spans = [quantile_95(rng.exponential(size=60).tolist(), share) for _ in range(2000)]
    held = np.mean([low <= -np.log(1.0 - share) <= high for low, high in spans])
    assert 0.94 < held < 0.985


def test_the_interval_of_a_median_of_three_is_open() -> None:
    assert quantile_95([3.0, 1.0, 2.0], 0.5) == (0.0, float("inf"))


def test_errors_of_one_size_have_the_quantiles_of_a_normal_one() -> None:
    assert mixed(np.full(5, 2.0), 0.5) == pytest.approx(2.0 * 0.6745, rel=1e-3)
    assert mixed(np.array([1e-9, 2.0]), 0.9) == pytest.approx(2.0 * 1.2816, rel=1e-3)


# ------------------------------------------------------------------ a run


def test_classes_take_turns_and_may_have_seeds_of_their_own() -> None:
    found = jobs_of("report", "0:2,busy=0:3", ["hopper", "busy"])
    assert [(j.what, j.seed) for j in found] == [
        ("hopper", 0), ("busy", 0), ("hopper", 1), ("busy", 1), ("busy", 2),
    ]  # fmt: skip


def test_a_class_that_is_not_there_is_refused() -> None:
    with pytest.raises(ValueError, match="no class bussy"):
        jobs_of("report", "bussy=0:3", ["busy"])


def test_a_run_gives_a_column_for_each_and_survives_a_file_that_was_cut(tmp_path: Path) -> None:
    settings = Settings({"commission": 1, "calibrate": 4, "check": 1})
    records = list(run([Job(0, "tuning", "busy")], settings, []))
    file = tmp_path / "run.jsonl"
    whole = "".join(to_line(record) + "\n" for record in records)
    file.write_text(whole + whole[:200])
    made, again = columns(records), columns(read([file]))
    assert [c.name for c in made] == [OURS, *PEERS]
    assert text(again) == text(made)
    assert all(c.tuned is not None and c.tuned.hours >= 12 for c in made[1:])
    header = grid(made)[0]
    assert (header[1], header[-1]) == ("bound", "goal")
    assert isinstance(records[0], Calm)
    assert len(records) == 2


def test_a_fold_that_breaks_costs_its_own_bay_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(job: Job, parameters: object, own: int) -> Bay:
        if job.seed == 1:
            raise ValueError("math domain error")
        return Bay(job, [])

    monkeypatch.setattr("tests.bench.goals.run.through_all", broken)
    found = list(run([Job(seed, "tuning", "busy") for seed in range(3)], Settings(None), []))
    assert [type(each) for each in found] == [Bay, Broken, Bay]
    again = from_line(to_line(found[1]))
    assert again == found[1]
    assert isinstance(again, Broken)
    assert "math domain error" in again.error


def test_no_trace_is_begun_when_the_time_is_over() -> None:
    assert list(run([Job(0, "tuning", "busy")], Settings(None, minutes=0.0), [])) == []


# ------------------------------------------------------------------ the worst, and the rows


def record(subject: str = "out1", at_s: float = 900.0, **note: object) -> Record:
    return Record(3, "hopper", False, subject, at_s, dict(note))


def test_the_worst_is_looked_at_when_it_was_noticed_or_when_it_ended_unnoticed() -> None:
    assert moment(record(until_s=1300.0, delay_s=50.0)) == (950.0, 50.0 + BEFORE_S)
    assert moment(record(until_s=1300.0, delay_s=None)) == (1300.0, 400.0 + BEFORE_S)
    assert moment(record(since_s=860.0)) == (900.0, 40.0 + BEFORE_S)
    assert moment(record(off_kg=0.1)) == (None, 0.0)


def test_a_trace_of_the_worst_is_written_and_explained_with_a_picture(tmp_path: Path) -> None:
    """A clog said to have ended unnoticed: the picture shows its end, whatever the rule made of it."""
    drawn = plan(3, TUNING, "mass")
    short = carried_out(replace(drawn, length_s=400, feed_until_s=400.0, events=()))
    folder = tmp_path / "tuning-mass-3"
    write(short, folder)
    found = explained(record("out2", 200.0, until_s=320.0, delay_s=None), "tuning", folder)
    assert Path(found) == folder / "out2-320.png"
    assert Path(found).stat().st_size > 10_000
    assert "out2" in Path(found).with_suffix(".txt").read_text()


def test_a_miss_counts_in_the_table_as_missed_and_as_infinitely_late() -> None:
    clogs = [
        record(kind="full", bound_s=10.0, watchable=True, delay_s=delay) for delay in (15.0, 20.0, 25.0, None)
    ]
    cells = {row[0]: row[2] for row in grid([Column(OURS, Scored("report", clogs=clogs))])}
    assert cells["full clog, hopper (n 4): delay / bound"].startswith("2.00 ")
    assert cells["  p90"].startswith("inf ")
    assert cells["  missed"].startswith("25% [1%, 81%]")
