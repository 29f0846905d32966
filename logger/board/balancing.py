"""A balance, computed in a process of its own: it may take many seconds of a core, which a recorder lacks.

`balance` starts it, gives it the document on stdin, and reads what it found; the process runs at a lower
priority and ends with the answer. Run as a module this file is that process.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tomllib
from dataclasses import dataclass
from typing import Any

from logger.settings.shipped import shipped

LONGEST_S = 120.0
GENTLY = 10  # added to its niceness
ONE_THREAD = {"OPENBLAS_NUM_THREADS": "1"}
"""Matrices are small here: threads only wait for each other, most of all where the cores are busy."""


@dataclass(frozen=True, slots=True)
class Balanced:
    """``result`` as `balance.Result.to_json` has it; None where there are ``faults``, a sentence each."""

    result: dict[str, Any] | None
    faults: tuple[str, ...] = ()


def balance(document: dict[str, Any], method: str, draws: int, timeout_s: float = LONGEST_S) -> Balanced:
    """Balance a document. Blocks. TimeoutError where it takes too long, RuntimeError where it broke down."""
    asked = json.dumps({"document": document, "method": method, "draws": draws})
    command = [sys.executable, "-m", "logger.board.balancing"]
    try:
        done = subprocess.run(
            command,
            input=asked,
            capture_output=True,
            text=True,
            timeout=timeout_s,
            check=False,
            env=os.environ | ONE_THREAD | {"PYTHONPATH": os.pathsep.join(sys.path)},  # it finds what we found
        )
    except subprocess.TimeoutExpired:
        raise TimeoutError(f"the balance was not found within {timeout_s:g} s") from None
    if done.returncode != 0:
        raise RuntimeError(f"the balance broke down: {done.stderr.strip().rpartition(chr(10))[2][:300]}")
    told = json.loads(done.stdout)
    return Balanced(told["result"], tuple(told["faults"]))


def main() -> None:
    """Balance what comes on stdin; write it to stdout."""
    from logger.balance import WeighUpError, read, weigh_up
    from logger.balance.grades import read_grades

    os.nice(GENTLY)
    asked = json.load(sys.stdin)
    told: dict[str, Any] = {"result": None, "faults": []}
    try:
        made = read(asked["document"])
        grades = read_grades(tomllib.loads(shipped("grades.toml").read_text("utf-8")))
        weighed = weigh_up(made, grades=grades, method=asked["method"], draws=asked["draws"])
        told["result"] = weighed.to_json()
    except WeighUpError as error:
        told["faults"] = list(error.faults)
    json.dump(told, sys.stdout)


if __name__ == "__main__":
    main()
