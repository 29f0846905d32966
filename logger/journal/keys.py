"""Which checkpoints are good for whom: those of the same code of the fold, Python and configuration."""

from __future__ import annotations

import hashlib
import sys
from pathlib import Path

import logger


def code_digest() -> str:
    """Names the code of the fold and the Python that runs it: a checkpoint is good for these alone."""
    digest = hashlib.sha256(sys.version.encode())
    core = Path(logger.__file__).parent / "core"
    for path in sorted(core.rglob("*.py")):
        digest.update(path.read_bytes())
    return digest.hexdigest()


def checkpoint_key(digest: str) -> str:
    """Names the checkpoints that are good for this code and the configuration of that digest."""
    return hashlib.sha256((code_digest() + digest).encode()).hexdigest()
