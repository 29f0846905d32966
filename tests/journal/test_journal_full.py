"""No room, and disks that answer with errors: nothing half-written, and it works again afterwards."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from logger.journal.journal import Journal, JournalError, JournalReader
from tests.journal.journal_samples import records

OLD = Path(__file__).parent / "fixtures" / "journal-v1.db"
Opened = Callable[..., Journal]


def test_a_full_file_takes_nothing_half_and_goes_on_when_there_is_room(opened: Opened) -> None:
    """The append that does not fit leaves no trace, again and again; then all that was held goes in."""
    journal = opened()
    journal.append(records(1, 100))
    journal._connection.pragma("max_page_count", journal._connection.pragma("page_count"))
    held = records(101, 5000)
    for _ in range(3):
        with pytest.raises(JournalError, match="disk is full") as caught:
            journal.append(held)
        assert caught.value.kind == "full"
        assert journal.last_seq == 100
        assert list(journal.read()) == records(1, 100)
    with pytest.raises(JournalError, match="disk is full"):
        journal.save_checkpoint(100, "fold", bytes(1 << 20))
    journal._connection.pragma("max_page_count", 1 << 20)
    journal.append(held)
    assert list(journal.read()) == records(1, 5000)


_IN_A_SMALL_FILE_SYSTEM = """
import sys
from pathlib import Path
from logger.journal.journal import Journal, JournalError, JournalReader
from tests.journal.journal_samples import OFFSET_NS, records

path = Path(sys.argv[1]) / "journal.db"
journal = Journal.open(path, boot_id="b", offset_ns=OFFSET_NS, ballast_bytes=1 << 20)
assert path.with_name("journal.db.ballast").exists()
try:
    while True:
        journal.append(records(journal.last_seq + 1, journal.last_seq + 100))
except JournalError as error:
    print(error.kind, journal.free_bytes())
last = journal.last_seq
assert last > 1000, last
assert list(journal.read()) == records(1, last)
filler = path.with_name("filler")          # not even a byte for a checkpoint
with filler.open("wb", buffering=0) as file:
    try:
        while True:
            file.write(bytes(4096))
    except OSError:
        pass
for _ in range(3):
    try:
        journal.append(records(last + 1, last + 2000))
        raise SystemExit("there was room")
    except JournalError as error:
        assert error.kind == "full", error
assert journal.release_ballast()
journal.append(records(last + 1, last + 300))
assert list(journal.read()) == records(1, last + 300)
assert not journal.restore_ballast()
journal.close()
again = Journal.open(path, boot_id="b", offset_ns=OFFSET_NS, ballast_bytes=1 << 20)
assert again.set_aside is None
assert list(again.read()) == records(1, last + 300)
filler.unlink()
again.close()
print("whole")
"""


def _can_mount() -> bool:
    command = ["unshare", "-rm", "sh", "-c", "mount -t tmpfs -o size=64k tmpfs /mnt"]
    try:
        return subprocess.run(command, capture_output=True, check=False, timeout=20).returncode == 0
    except (OSError, subprocess.TimeoutExpired):
        return False


def _on_a_small_disk(tmp_path: Path, text: str) -> subprocess.CompletedProcess[str]:
    """Run a script with a folder on a file system of 4 MB, and the journal of schema 1."""
    script, disk = tmp_path / "script.py", tmp_path / "disk"
    script.write_text(text)
    disk.mkdir()
    run = f'exec "{sys.executable}" "{script}" "{disk}" "{OLD}"'
    return subprocess.run(
        ["unshare", "-rm", "sh", "-c", f'mount -t tmpfs -o size=4m tmpfs "{disk}" && {run}'],
        capture_output=True,
        text=True,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
        check=False,
        timeout=60,
    )


@pytest.mark.skipif(not _can_mount(), reason="no small file system can be mounted here")
def test_a_full_disk_is_lived_through_with_the_ballast(tmp_path: Path) -> None:
    """A real file system of 4 MB runs full; giving the ballast up lets the record go on."""
    done = _on_a_small_disk(tmp_path, _IN_A_SMALL_FILE_SYSTEM)
    assert done.returncode == 0, done.stderr
    assert done.stdout.split()[0] == "full"
    assert done.stdout.split()[-1] == "whole"


_WITH_A_LIMIT = """
import resource, sys
from pathlib import Path
from logger.journal.journal import Journal, JournalError
from tests.journal.journal_samples import OFFSET_NS, records

path = Path(sys.argv[1])
journal = Journal.open(path, boot_id="b", offset_ns=OFFSET_NS, ballast_bytes=0)
journal.append(records(1, 100))
resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, resource.RLIM_INFINITY))
failures = 0
while failures < 20:
    first = journal.last_seq + 1
    try:
        journal.append(records(first, first + 99))
    except JournalError as error:
        assert error.kind in ("io", "full"), error
        assert journal.last_seq == first - 1
        failures += 1
last = journal.last_seq
assert list(journal.read()) == records(1, last)
resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
journal.append(records(last + 1, last + 5000))
assert list(journal.read()) == records(1, last + 5000)
print(last)
"""


def test_a_limit_on_the_size_of_files_is_lived_through(path: Path) -> None:
    """The system cuts a write short; the daemon then dies without closing; the whole is there."""
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)}
    done = subprocess.run(
        [sys.executable, "-c", _WITH_A_LIMIT, str(path)],
        capture_output=True,
        text=True,
        env=environment,
        check=False,
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    last = int(done.stdout)
    assert last > 100
    with JournalReader(path) as reader:
        assert list(reader.read()) == records(1, last + 5000)


_OLD_ON_A_FULL_DISK = """
import shutil, sys
from pathlib import Path
from logger.journal.journal import Journal, JournalError
from logger.journal.room import Ballast
from tests.journal.journal_samples import OFFSET_NS, records

path = Path(sys.argv[1]) / "journal.db"
shutil.copy(sys.argv[2], path)
assert Ballast(path, 1 << 20).restore()
with path.with_name("filler").open("wb", buffering=0) as file:
    try:
        while True:
            file.write(bytes(4096))
    except OSError:
        pass
journal = Journal.open(path, boot_id="b", offset_ns=OFFSET_NS, ballast_bytes=1 << 20)
assert journal.set_aside is None
assert not path.with_name("journal.db.ballast").exists()
journal.append(records(61, 80))
assert list(journal.read()) == records(1, 80)
print("whole")
"""


@pytest.mark.skipif(not _can_mount(), reason="no small file system can be mounted here")
def test_opening_gives_the_ballast_up_where_that_helps(tmp_path: Path) -> None:
    """An old journal on a full disk is brought up to date in the ballast's room."""
    done = _on_a_small_disk(tmp_path, _OLD_ON_A_FULL_DISK)
    assert done.stdout.split() == ["whole"], done.stderr
