"""Certificates for tests, made by the openssl program."""

from __future__ import annotations

import subprocess
from pathlib import Path


def make_certificate(folder: Path, *names: str, password: str | None = None) -> tuple[Path, Path]:
    """A self-signed certificate for these names, and its key."""
    certificate, key = folder / "board.pem", folder / "board.key"
    alternatives = ",".join(f"DNS:{name}" for name in names)
    secret = ["-nodes"] if password is None else ["-passout", f"pass:{password}"]
    words = "openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -days 2 -subj /CN=test"
    named = ["-addext", f"subjectAltName={alternatives},IP:127.0.0.1"]
    command = [*words.split(), "-keyout", str(key), "-out", str(certificate), *secret, *named]
    subprocess.run(command, check=True, capture_output=True, timeout=30)
    return certificate, key
