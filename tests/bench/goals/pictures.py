"""The worst misses with their pictures: readings, configuration, truth, and what `explain` shows."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from logger.explain import ExplainError, Wanted, from_readings, tell
from logger.explain.picture import draw
from logger.explain.words import in_words
from logger.settings import load
from tests.bench.testbay.play import NS, write
from tests.bench.testbay.score import Record, Scored
from tests.bench.testbay.trace import EPOCH_S, make
from tests.bench.testbay.worst import worst

BEFORE_S, AFTER_S = 300.0, 240.0
LATER_S = 2.0  # by then an alarm that was raised stands


def pictures(total: Scored, count: int, folder: Path | None) -> Iterator[str]:
    """A line for each of the worst; with a folder, where its picture and its story in words lie."""
    for line, record in worst(total, count):
        yield line
        if folder is not None:
            yield "  " + explained(record, total.set, folder / f"{total.set}-{record.what}-{record.seed}")


def explained(record: Record, set_: str, folder: Path) -> str:
    """Write a trace, and explain what was wrong at the moment that matters; answers where, or why not."""
    if not (folder / "readings.csv").exists():
        write(make(record.seed, set_, record.what), folder)
    at_s, before_s = moment(record)
    if at_s is None:
        return f"{folder}: no moment of its own to show"
    try:
        past = from_readings(load(folder / "bay.toml"), folder / "readings.csv", None)
        at_ns = round((EPOCH_S + at_s + LATER_S) * NS)
        wanted = Wanted(record.subject, at_ns, round(before_s), round(AFTER_S))
        story = tell(past, wanted)
    except ExplainError as error:
        return f"{folder}: {error}"
    picture = folder / f"{record.subject}-{at_s:.0f}.png"
    draw(story, picture)
    picture.with_suffix(".txt").write_text("\n".join(in_words(story)) + "\n")
    return str(picture)


def moment(record: Record) -> tuple[float | None, float]:
    """When to look, and how far back: a late notice or the end of a clog never noticed, or a false alarm."""
    note = record.note
    if "until_s" in note:
        at_s = note["until_s"] if note["delay_s"] is None else record.at_s + note["delay_s"]
        return at_s, min(at_s - record.at_s + BEFORE_S, 1500.0)
    if "since_s" in note:
        return record.at_s, min(record.at_s - note["since_s"] + BEFORE_S, 1500.0)
    return None, 0.0
