"""Long work in a process of its own: it may take many seconds of a core, which a recorder lacks.

The process runs at a lower priority and ends with its answer, or when its time is over.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

LONGEST_S = 120.0
GENTLY = 10  # added to its niceness
ONE_THREAD = {"OPENBLAS_NUM_THREADS": "1"}
"""Matrices are small here: threads only wait for each other, most of all where the cores are busy."""
_MODULE = (
    "import os, runpy, sys; os.nice(int(sys.argv.pop(1))); "
    "runpy.run_module(sys.argv.pop(1), run_name='__main__', alter_sys=True)"
)


class ApartError(RuntimeError):
    """The process ended with a fault. ``code``: as it left; ``said``: what it said last, on stderr."""

    def __init__(self, code: int, said: str) -> None:
        super().__init__(said)
        self.code, self.said = code, said


def apart(module: str, *arguments: str, told: str | None = None, timeout_s: float = LONGEST_S) -> str:
    """Run a module of ours, with ``told`` on its stdin; what it wrote to stdout. Blocks.

    TimeoutError where it takes too long, ApartError where it leaves with a fault.
    """
    try:
        done = subprocess.run(
            [sys.executable, "-c", _MODULE, str(GENTLY), module, *arguments],
            input=told,
            capture_output=True,
            text=True,
            errors="replace",
            timeout=timeout_s,
            check=False,
            stdin=subprocess.DEVNULL if told is None else None,
            env=os.environ | ONE_THREAD | {"PYTHONPATH": os.pathsep.join(sys.path), "NO_COLOR": "1"},
        )
    except subprocess.TimeoutExpired:
        raise TimeoutError(f"it was not done within {timeout_s:g} s") from None
    if done.returncode != 0:
        raise ApartError(done.returncode, done.stderr.strip().rpartition("\n")[2][:300])
    return done.stdout


def drawn(kind: str, *arguments: str, last: str | None = None, timeout_s: float = LONGEST_S) -> bytes:
    """The file that a command of ours draws (``tallydeck … -o FILE``); ``kind`` is how its name ends.

    ``last``: what it is about, whatever its name begins with. As `apart`.
    What the board gives is what the command line gives, to the byte.
    """
    with tempfile.TemporaryDirectory(prefix="tallydeck-") as folder:
        target = Path(folder) / f"page.{kind}"
        about = () if last is None else ("--", last)
        apart("logger", *arguments, "-o", str(target), *about, timeout_s=timeout_s)
        return target.read_bytes()
