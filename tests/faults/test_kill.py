"""kill -9 of a real daemon at random moments: nothing is lost whose commit had returned."""

from __future__ import annotations

import time
from pathlib import Path
from random import Random

import pytest

from logger.core.entries import Reading
from logger.journal.journal import JournalReader
from tests.app.bays import OwnProcess, running_bay, until, write_configuration


def kill_some_times(tmp_path: Path, times: int, seed: int) -> None:
    """Each time: watch what the daemon says it has committed, kill it, and compare with the journal."""
    dice = Random(seed)
    with running_bay(tmp_path, speed=2.0) as bay:
        configuration = write_configuration(bay, tmp_path)
        noted = 0
        for number in range(times):
            own = OwnProcess(configuration)
            client = own.client()
            until(lambda client=client: not client.state()["recording"]["message"], what="live figures")
            answer = client.submit({"action": "note", "text": f"kill {number}"})
            noted = answer.seq
            end = time.monotonic() + dice.uniform(0.0, 1.2)
            promised = noted
            while time.monotonic() < end:
                promised = max(promised, client.state()["seq"])
            own.kill()
            with JournalReader(own.directory / "journal.sqlite") as reader:
                kept = [record.seq for record in reader.read(after=noted - 1)]
                assert kept == list(range(noted, kept[-1] + 1)), f"kill {number}: holes"
                assert kept[-1] >= promised, f"kill {number}: {promised - kept[-1]} promised entries lost"
        with JournalReader(own.directory / "journal.sqlite") as reader:
            records = list(reader.read())
    assert [record.seq for record in records] == list(range(1, len(records) + 1))
    notes = [r.body.text for r in records if type(r).__name__ == "Action"]
    assert notes == [f"kill {number}" for number in range(times)]
    assert sum(isinstance(record, Reading) for record in records) > 10 * times


@pytest.mark.timeout(180)
def test_five_kills_lose_nothing_that_was_committed(tmp_path: Path) -> None:
    kill_some_times(tmp_path, 5, 1)


@pytest.mark.full
@pytest.mark.timeout(1800)
def test_a_hundred_kills_lose_nothing_that_was_committed(tmp_path: Path) -> None:
    kill_some_times(tmp_path, 100, 2)
