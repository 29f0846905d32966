"""Photographs of a run as a report carries them: small, upright, and without where they were taken.

A file is drawn anew from its pixels: place, camera and whatever else was written into it do not come along.
"""

from __future__ import annotations

from io import BytesIO
from pathlib import Path

from logger.report.course import clock
from logger.report.record import Record
from logger.report.style import data_address

LONGEST_PX = 1400
MOST_BYTES = 30 * 2**20
MOST_PIXELS = 100_000_000
MOST = 12
"""Photographs in one report; further ones are named and left out."""
KINDS = ("JPEG", "PNG", "WEBP", "TIFF", "GIF", "BMP")


def photographs(record: Record) -> list[dict[str, str]]:
    """``address`` (empty where it can't be shown) and ``says`` of each, the lot's first, then the notes'."""
    lot = record.lot_json()
    named = [] if lot is None else [(path, "the lot") for path in lot["photographs"]]
    for note in record.run_json()["notes"]:
        named += [
            (path, f"{clock(record, note['time'])}: {note['text']}") for path in note.get("photographs", ())
        ]
    told = [_photograph(Path(path), says) for path, says in named[:MOST]]
    return told + [{"address": "", "says": f"{says}: left out, {MOST} are shown"} for _, says in named[MOST:]]


def _photograph(path: Path, says: str) -> dict[str, str]:
    try:
        return {"address": data_address(small_jpeg(path), "image/jpeg"), "says": says}
    except PhotographError as error:
        return {"address": "", "says": f"{says} (photograph {path.name}: {error})"}


class PhotographError(Exception):
    """It can't be shown; the text says why."""


def small_jpeg(path: Path) -> bytes:
    """A picture file as a JPEG of at most `LONGEST_PX`, upright, with nothing beside its pixels.

    PhotographError where it is not there, too large, or no picture.
    """
    from PIL import Image, ImageOps, UnidentifiedImageError

    try:
        size = path.stat().st_size
        if size > MOST_BYTES:
            raise PhotographError(f"larger than {MOST_BYTES // 2**20} MB")
        with Image.open(path, formats=KINDS) as opened:
            if opened.width * opened.height > MOST_PIXELS:
                raise PhotographError(f"more than {MOST_PIXELS // 10**6} million pixels")
            opened.draft("RGB", (LONGEST_PX, LONGEST_PX))
            upright = ImageOps.exif_transpose(opened).convert("RGB")
    except FileNotFoundError:
        raise PhotographError("the file is not there any more") from None
    except UnidentifiedImageError:
        raise PhotographError("no picture that can be read") from None
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError) as error:
        raise PhotographError(f"can't be read: {str(error)[:120]}") from None
    upright.thumbnail((LONGEST_PX, LONGEST_PX))
    bare = Image.new("RGB", upright.size)
    bare.paste(upright)
    held = BytesIO()
    bare.save(held, "JPEG", quality=80, optimize=True)
    return held.getvalue()
