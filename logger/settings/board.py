"""From [board] to who may reach the board, and how."""

from __future__ import annotations

import re
import ssl
from collections.abc import Mapping
from ipaddress import ip_address
from pathlib import Path as File

from logger.settings.document import BoardTable, Document
from logger.settings.elsewhere import full_path, kept_elsewhere
from logger.settings.problems import show
from logger.settings.secret import Secret
from logger.settings.validate import Faults
from logger.settings.values import BoardSettings

LEAST_DIGITS, MOST_DIGITS = 4, 12
HERE = "127.0.0.1"
_LABEL = r"[a-z0-9](?:[a-z0-9-]{0,61}[a-z0-9])?"
_NAME = re.compile(rf"(?=.{{1,253}}$){_LABEL}(?:\.{_LABEL})*", re.IGNORECASE)


def reach(document: Document, env: Mapping[str, str], faults: Faults) -> tuple[str, BoardSettings]:
    """The address to listen on, and who may do what there."""
    table = document.board
    host = _host(table, faults)
    for name in table.names:
        if not _is_name(name):
            faults.add(
                ("board", "names"),
                show(name),
                "host names or addresses, without http://; behind another port with that port",
                'write it like names = ["bay.local"]',
            )
    operator = _code("operator_code", table.operator_code, env, faults)
    guest = _code("guest_code", table.guest_code, env, faults)
    _who_may(table, host, operator, guest, faults)
    certificate, key = _certificate(table, faults)
    return host, BoardSettings(tuple(table.names), operator, guest, table.guests, certificate, key)


def _host(table: BoardTable, faults: Faults) -> str:
    if table.host == "localhost":
        return HERE
    try:
        return str(ip_address(table.host))
    except ValueError:
        faults.add(
            ("board", "host"),
            show(table.host),
            "an address of this computer, 0.0.0.0 or :: for all of them, or 127.0.0.1 for this computer only",
            'write it like host = "0.0.0.0"; names that the board is called by go to names',
        )
        return HERE


def _is_name(name: str) -> bool:
    bare, colon, port = name.rpartition(":")
    if (
        colon
        and port.isascii()
        and port.isdecimal()
        and 1 <= int(port[:6]) <= 65535
        and _NAME.fullmatch(bare)
    ):
        return True
    try:
        ip_address(name)
    except ValueError:
        return _NAME.fullmatch(name) is not None
    return True


def _code(key: str, spec: str | None, env: Mapping[str, str], faults: Faults) -> Secret | None:
    code = kept_elsewhere(("board", key), spec, "a code", env, faults)
    if code is None:
        return None
    told = code.reveal()
    if not (told.isascii() and told.isdecimal() and LEAST_DIGITS <= len(told) <= MOST_DIGITS):
        faults.add(
            ("board", key),
            "a code that is not made of digits alone, or is too short or too long",
            f"{LEAST_DIGITS} to {MOST_DIGITS} digits; six or more are hard to guess",
            "put only the digits into the file, e.g. six that mean nothing to anybody",
        )
        return None
    return code


def _who_may(
    table: BoardTable, host: str, operator: Secret | None, guest: Secret | None, faults: Faults
) -> None:
    if operator is not None and operator == guest:
        faults.add(
            ("board", "guest_code"),
            "the operators' code",
            "a code of its own for guests",
            "choose another, or leave guest_code out",
        )
    if table.guests and table.guest_code is not None:
        faults.add(
            ("board", "guests"),
            "true, and a code for guests",
            "one of the two",
            "take out guest_code, or guests = true",
        )
    told = table.operator_code is not None or table.guest_code is not None or table.guests
    if not told and not ip_address(host).is_loopback:
        faults.add(
            ("board", "host"),
            f"{show(table.host)}, which others can reach, and no code to log in with",
            "a code for operators wherever others can reach the board",
            'put 6 digits into a file and add operator_code = "file:/etc/tallydeck/operator-code"',
        )


def _certificate(table: BoardTable, faults: Faults) -> tuple[File | None, File | None]:
    """The board's certificate and key, tried out; None where it is served without."""
    if table.certificate_file is None:
        if table.key_file is not None:
            faults.add(
                ("board", "key_file"),
                f"{show(table.key_file)} without a certificate",
                "both, or none",
                'add certificate_file = "…", or take it out',
            )
        return None, None
    example = "/etc/tallydeck/board.pem"
    certificate = full_path(("board", "certificate_file"), table.certificate_file, example, faults)
    key = full_path(("board", "key_file"), table.key_file, example, faults)
    if certificate is None or not certificate.is_absolute() or (key is not None and not key.is_absolute()):
        return certificate, key
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    try:
        context.load_cert_chain(certificate, key, password=lambda: "")
    except (OSError, ValueError) as error:  # an SSLError is an OSError
        reason = error.reason if isinstance(error, ssl.SSLError) else getattr(error, "strerror", None)
        faults.add(
            ("board", "certificate_file"),
            f"{show(table.certificate_file)}, which cannot be used ({_words(reason)})",
            "a certificate and its key, as PEM, without a password, that the daemon's user can read",
            "look at both files, or make new ones: tallydeck board certificate --name bay.local",
        )
    return certificate, key


def _words(reason: str | None) -> str:
    """OpenSSL's reasons are shouted words with underscores."""
    return (reason or "it is no PEM file").replace("_", " ").lower()
