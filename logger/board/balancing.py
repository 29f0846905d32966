"""A balance, computed in a process of its own. Run as a module this file is that process.

`balance` gives it the document on stdin, and reads what it found.
"""

from __future__ import annotations

import json
import sys
import tomllib
from dataclasses import dataclass
from typing import Any

from logger.board.apart import LONGEST_S, apart
from logger.settings.shipped import shipped


@dataclass(frozen=True, slots=True)
class Balanced:
    """``result`` as `balance.Result.to_json` has it; None where there are ``faults``, a sentence each."""

    result: dict[str, Any] | None
    faults: tuple[str, ...] = ()


def balance(document: dict[str, Any], method: str, draws: int, timeout_s: float = LONGEST_S) -> Balanced:
    """Balance a document. Blocks. TimeoutError where it takes too long, RuntimeError where it broke down."""
    asked = json.dumps({"document": document, "method": method, "draws": draws})
    told = json.loads(apart("logger.board.balancing", told=asked, timeout_s=timeout_s))
    return Balanced(told["result"], tuple(told["faults"]))


def main() -> None:
    """Balance what comes on stdin; write it to stdout."""
    from logger.balance import WeighUpError, read, weigh_up
    from logger.balance.grades import read_grades

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
