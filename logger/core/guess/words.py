"""What the short words on instruments' lines usually mean.

Common practice, no source: no standard fixes them outside SMA SCP-0499. So a meaning from here is a
guess and said to be one; what the numbers did while a word stood there counts for more.
"""

from __future__ import annotations

from logger.core.decode.layout import MODES, STABILITY, UNITS

USUAL: dict[str, str] = {
    **dict.fromkeys(("ST", "S", "STB", "STAB", "STBL", "STABLE"), "stable"),
    **dict.fromkeys(("US", "UNST", "UNSTABLE", "MO", "MOT", "MOTION", "M", "D", "DY", "DYN", "SD"), "moving"),
    **dict.fromkeys(("GS", "GR", "G", "GROSS", "B", "BR", "BRUTTO"), "gross"),
    **dict.fromkeys(("NT", "N", "NET", "NETTO"), "net"),
    **dict.fromkeys(("TR", "TA", "TARE", "T", "TARA"), "tare"),
    **dict.fromkeys(("OL", "OF", "OVER", "OVERLOAD", "O"), "over"),
    **dict.fromkeys(("UL", "UF", "UNDER", "UNDERLOAD"), "under"),
    **dict.fromkeys(("Z", "ZR", "ZERO"), "zero"),
    **dict.fromkeys(("ER", "ERR", "ERROR", "E"), "error"),
    "OK": "ok",
}
"""Word in capitals -> meaning."""

DOUBTFUL = frozenset({"U", "L", "H", "O", "D", "S", "M", "B", "E", "T"})
"""Letters that stand for more than one thing among makers (U: under, or unstable)."""

FAMILIES: tuple[dict[str, str], ...] = (
    {"ST": "stable", "US": "moving", "OL": "over"},
    {"GS": "gross", "NT": "net"},
    {"GROSS": "gross", "NET": "net"},
    {"GR": "gross", "NT": "net"},
)
"""Words that come together: where one was heard, the others are likely to follow."""

_SPELT = {
    "lbs": "lb",
    "kgs": "kg",
    "gm": "g",
    "gms": "g",
    "lpm": "L/min",
    "lph": "L/h",
    "l/hr": "L/h",
    "l/sec": "L/s",
    "m3/hr": "m3/h",
    "gal/hr": "gal/h",
    "tonne": "t",
    "ml/hr": "mL/h",
}
UNIT_OF: dict[str, str] = {name.lower(): name for name in sorted(UNITS)} | _SPELT


def meaning(word: str) -> str:
    """The usual meaning of a status word; "" where there is none."""
    return USUAL.get(word.upper(), "")


def unit_of(word: str) -> str:
    """The unit that a word on the wire stands for; "" where it is none that is known here."""
    return word if word in UNITS else UNIT_OF.get(word.lower(), "")


def family(words: set[str]) -> dict[str, str]:
    """Words that were not heard but belong to one that was, with their meanings."""
    for each in FAMILIES:
        if words & each.keys():
            return {word: means for word, means in each.items() if word not in words}
    return {}


def kind_of(means: str) -> str:
    """``stability``, ``mode``, ``condition`` or "" for a meaning."""
    if means in STABILITY:
        return "stability"
    return "mode" if means in MODES else ("condition" if means else "")
