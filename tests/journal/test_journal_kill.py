"""kill -9 at random moments: no record is lost whose commit had returned, and none is half there."""

from __future__ import annotations

import os
import random
import subprocess
import sys
from pathlib import Path

import pytest

from logger.journal.journal import Journal, JournalReader
from tests.journal.journal_samples import OFFSET_NS, records

WRITER = Path(__file__).with_name("journal_writer.py")


def _write_and_kill(path: Path, seed: int) -> tuple[int, int]:
    """Let a process write for a while and kill it; the last seq said to be done, and last one begun."""
    rng = random.Random(seed)
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)}
    command = [sys.executable, str(WRITER), str(path), str(seed)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment) as process:
        assert process.stdout is not None
        lines = [process.stdout.readline() for _ in range(rng.randrange(1, 80))]
        for _ in range(rng.randrange(20_000)):  # some microseconds, so that the kill falls anywhere
            pass
        process.kill()
        lines += process.stdout.readlines()
    said = [line.split() for line in lines if line.endswith("\n")]
    done = max((int(seq) for word, seq in said if word == "done"), default=0)
    begun = max((int(seq) for word, seq in said if word == "begin"), default=0)
    return done, begun


def _kill_many(path: Path, kills: int) -> None:
    before = 0
    for seed in range(kills):
        done, begun = _write_and_kill(path, seed)
        assert begun > before, "the writer did not come to write"
        with JournalReader(path) as reader:  # as the files lie
            found = reader.last_seq
        assert max(done, before) <= found
        assert found in (before, done, begun)
        journal = Journal.open(path, boot_id="after", offset_ns=OFFSET_NS, ballast_bytes=0, check_s=60)
        assert journal.set_aside is None
        assert journal.checked
        assert journal.last_seq == found
        assert list(journal.read(after=max(found - 3000, 0))) == records(max(found - 3000, 0) + 1, found)
        seq, blob = journal.load_checkpoint("fold") or (0, b"")
        assert blob == seq.to_bytes(8, "big") * (len(blob) // 8)
        journal.close()
        before = found
    with JournalReader(path) as reader:
        assert list(reader.read()) == records(1, before)


def test_nothing_committed_is_lost_when_the_process_is_killed(path: Path) -> None:
    """15 kills, each on top of what the ones before left."""
    _kill_many(path, 15)


@pytest.mark.full
@pytest.mark.timeout(900)
def test_nothing_committed_is_lost_in_a_hundred_kills(path: Path) -> None:
    _kill_many(path, 100)
