"""From [store] to how the time-series store is reached."""

from __future__ import annotations

from collections.abc import Mapping
from urllib.parse import urlsplit

from logger.settings.document import Document
from logger.settings.elsewhere import full_path, kept_elsewhere
from logger.settings.problems import show
from logger.settings.validate import Faults
from logger.settings.values import StoreSettings


def store(document: Document, env: Mapping[str, str], faults: Faults) -> StoreSettings | None:
    """How the store is reached; None where there is none."""
    table = document.store
    if table is None:
        return None
    if table.url is None:
        faults.add(
            ("store", "url"),
            "no address of a store",
            "an address that begins with http:// or https://",
            'add url = "http://localhost:8086" (or wherever it runs), or take the table out',
        )
        return None
    _checked_url(table.url, faults)
    for key, told in (("bucket", table.bucket), ("org", table.org)):
        if not told.isprintable() or (key == "bucket" and not told.strip()):
            faults.add(
                ("store", key), show(told), "a name as the store has it", f'write it like {key} = "bay"'
            )
    return StoreSettings(
        table.url.rstrip("/"),
        table.org,
        table.bucket,
        kept_elsewhere(("store", "token"), table.token, "a token", env, faults),
        full_path(("store", "ca_file"), table.ca_file, "/etc/tallydeck/ca.pem", faults),
        table.retract or "",
        table.most_series,
    )


def _checked_url(url: str, faults: Faults) -> None:
    path, allowed = ("store", "url"), "an address that begins with http:// or https://"
    example = 'write it like "http://localhost:8086"'
    try:
        parts = urlsplit(url)
        host, _ = parts.hostname, parts.port
    except ValueError:
        faults.add(path, show(url), allowed, example)
        return
    if parts.scheme not in ("http", "https") or not host or not url.isascii() or " " in url:
        faults.add(path, show(url), allowed, example)
    elif parts.username is not None or parts.password is not None:
        faults.add(
            path,
            "an address with a user or a password in it",
            "an address without them",
            'give the token at [store], e.g. token = "file:/etc/tallydeck/store"; '
            'some take "user:password" as one',
        )
    elif parts.query or parts.fragment:
        faults.add(path, show(url), "an address without ? and #", example)
