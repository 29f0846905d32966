"""A report, drawn by a process of its own: it may take seconds of a core and 200 MB, which a recorder lacks.

`draw` starts it (`python -m logger.report`), gives it what is asked on stdin, and takes the document from its
stdout. It runs at a lower priority, is ended after a time limit, and nothing of it stays in the daemon.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Mapping
from typing import Any

LONGEST_S = 120.0
CAN_T = 65
MODULE = "logger.report"
ONE_THREAD = {"OPENBLAS_NUM_THREADS": "1"}  # matrices are small: threads only wait for each other


class DrawingError(Exception):
    """What was asked for can't be drawn; the text is for who asked."""


def draw(asked: Mapping[str, Any], timeout_s: float = LONGEST_S, module: str = MODULE) -> bytes:
    """The document that ``asked`` describes. Blocks: call in a thread.

    DrawingError where it can't be made (there is no such run, say); TimeoutError where it takes too long, the
    process is then gone; RuntimeError where it broke down.
    """
    try:
        done = subprocess.run(
            [sys.executable, "-m", module],
            input=json.dumps(asked).encode(),
            capture_output=True,
            timeout=timeout_s,
            check=False,
            env=os.environ | ONE_THREAD | {"PYTHONPATH": os.pathsep.join(sys.path)},  # it finds what we found
        )
    except subprocess.TimeoutExpired:
        raise TimeoutError(f"it was not drawn within {timeout_s:g} s") from None
    if done.returncode == 0:
        return done.stdout
    last = done.stderr.decode("utf-8", "replace").strip().rpartition("\n")[2]
    if done.returncode == CAN_T:
        raise DrawingError(str(json.loads(last)["fault"]))
    raise RuntimeError(f"drawing broke down: {last[:300]}")
