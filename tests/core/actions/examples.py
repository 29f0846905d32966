"""One story in which every action is said, with every field, and how each is typed on the command line.

Names hold ``{way}``, so that each way in can tell the story of its own; ``{note}`` stands for the entry
number that the note was answered with, ``{mark}`` for the name of the mark, ``{hour}`` for an hour.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

PHOTOGRAPH = str(Path(__file__).absolute())  # any file will do


@dataclass(frozen=True)
class Example:
    """An action, and the same typed. ``kept``: the story needs its entry number under this name."""

    body: dict[str, Any]
    typed: tuple[str, ...]
    kept: str = ""

    def told(self, names: Mapping[str, str]) -> dict[str, Any]:
        """The action with its names filled in; an entry number is a number."""
        filled = _filled(self.body, names)
        assert isinstance(filled, dict)
        if str(filled.get("entry", "")).isdecimal():
            filled["entry"] = int(filled["entry"])
        return filled

    def command(self, names: Mapping[str, str]) -> list[str]:
        """The command line with its names filled in."""
        return [str(_filled(word, names)) for word in self.typed]


def _filled(value: Any, names: Mapping[str, str]) -> Any:
    if isinstance(value, str):
        for name, text in names.items():
            value = value.replace(f"{{{name}}}", text)
        return value
    if isinstance(value, dict):
        return {key: _filled(item, names) for key, item in value.items()}
    if isinstance(value, list):
        return [_filled(item, names) for item in value]
    return value


def _example(body: dict[str, Any], *typed: str, kept: str = "") -> Example:
    return Example(body, typed, kept)


LOT = "L {way}"
STORY = [
    _example(
        {
            "action": "open-lot",
            "lot": LOT,
            "owner": "PO 7781",
            "material": "floor sweepings",
            "containers": [
                {"container": "1", "gross": "212.5 kg", "tare": "14.2 kg"},
                {"container": "drum 2", "gross": "198 kg"},
            ],
            "moisture": "6 %",
            "note": "came in the rain",
            "photographs": [PHOTOGRAPH],
        },
        *("lot", "open", LOT, "--owner", "PO 7781", "--material", "floor sweepings", "--moisture", "6 %"),
        *("--container", "1=212.5kg/14.2kg", "--container", "drum 2 = 198 kg"),
        *("--note", "came in the rain", "--photo", PHOTOGRAPH),
    ),
    _example(
        {"action": "open-lot", "lot": "whole {way}", "gross": "412.5 kg", "tare": 14.2},
        *("lot", "open", "whole {way}", "--gross", "412.5 kg", "--tare", "14.2 kg"),
    ),
    _example(
        {"action": "weigh-lot", "lot": LOT, "container": "drum 2", "tare": "weigh", "scale": "middlings"},
        *("lot", "weigh", LOT, "drum 2", "--tare", "weigh", "--scale", "middlings", "--no-wait"),
    ),
    _example({"action": "cancel-weighing", "scale": "middlings"}, "say", "cancel-weighing", "middlings"),
    _example(
        {"action": "weigh-lot", "lot": LOT, "container": "drum 2", "gross": "199 kg", "tare": "15 kg"},
        *("lot", "weigh", LOT, "drum 2", "--gross", "199 kg", "--tare", "15 kg"),
    ),
    _example(
        {"action": "settings", "values": {"tilt": "4°", "stroke": "15 mm"}},
        *("say", "settings", "tilt=4°", "stroke=15 mm"),
    ),
    _example(
        {"action": "start-run", "lot": LOT, "run": "{way}/1"},
        *("run", "start", "--lot", LOT, "--run", "{way}/1"),
    ),
    _example({"action": "pause-feed", "why": "a break"}, "say", "pause", "--why", "a break"),
    _example({"action": "resume-feed"}, "say", "resume"),
    _example(
        {"action": "note", "text": "fed wet", "photographs": [PHOTOGRAPH]},
        *("say", "note", "fed wet", "--photo", PHOTOGRAPH),
        kept="note",
    ),
    _example({"action": "mark"}, "say", "mark", kept="mark"),
    _example(
        {"action": "word-mark", "mark": "{mark}", "text": "the belt slipped"},
        *("say", "word", "{mark}", "the belt slipped"),
    ),
    _example(
        {"action": "amend", "entry": "{note}", "change": {"text": "fed too wet"}, "why": "a slip"},
        *("say", "amend", "{note}", "text=fed too wet", "--why", "a slip"),
    ),
    _example(
        {"action": "withdraw", "entry": "{note}", "why": "of another run"},
        *("say", "withdraw", "{note}", "--why", "of another run"),
    ),
    _example({"action": "container-changed", "outlet": "tailings"}, "say", "changed", "tailings"),
    _example({"action": "container-away", "outlet": "tailings"}, "say", "away", "tailings"),
    _example(
        {"action": "container-set", "outlet": "tailings", "tare": "1.1 kg"},
        *("say", "container-set", "tailings", "--tare", "1.1 kg"),
    ),
    _example({"action": "decanted", "outlet": "fines"}, "say", "decanted", "fines"),
    _example(
        {"action": "sample-taken", "outlet": "concentrate", "sample": "S {way}", "mass": "85 g"},
        *("say", "sample", "concentrate", "S {way}", "--mass", "85 g"),
    ),
    _example(
        {
            "action": "register-sample",
            "sample": "F {way}",
            "lot": LOT,
            "mass": "1.2 kg",
            "note": "a scoop of each drum",
        },
        *("say", "register-sample", "F {way}", "--lot", LOT, "--mass", "1.2 kg"),
        *("--note", "a scoop of each drum"),
    ),
    _example(
        {"action": "register-sample", "sample": "T {way}", "run": "{way}/1", "outlet": "tailings"},
        *("say", "register-sample", "T {way}", "--run", "{way}/1", "--outlet", "tailings"),
    ),
    _example(
        {
            "action": "sample-result",
            "sample": "S {way}",
            "outlet": "concentrate",
            "assay": {"bronze": "81.5 %", "slag": "7 %"},
            "u": "0.6 %",
            "basis": "wet",
            "reference": "26-1187",
        },
        *("say", "result", "S {way}", "--outlet", "concentrate", "--assay", "bronze=81.5 %"),
        *("--assay", "slag=7%", "--u", "0.6 %", "--basis", "wet", "--reference", "26-1187"),
    ),
    _example(
        {
            "action": "sample-result",
            "sample": "T {way}",
            "run": "{way}/1",
            "sorted": {"bronze": "4.2 g", "sand": "310 g"},
            "pieces": 5200,
            "size": "4 mm",
            "density": {"bronze": "8.8 g/cm3", "sand": "2.6 g/cm3"},
            "cv": 0.8,
            "scale": "middlings",
        },
        *(
            "say",
            "result",
            "T {way}",
            "--run",
            "{way}/1",
            "--sorted",
            "bronze=4.2 g",
            "--sorted",
            "sand=310g",
        ),
        *("--pieces", "5200", "--size", "4 mm", "--density", "bronze=8.8 g/cm3"),
        *("--density", "sand=2.6 g/cm3", "--cv", "0.8", "--scale", "middlings"),
    ),
    _example(
        {"action": "sample-result", "sample": "F {way}", "lot": LOT, "counted": {"bronze": 41, "sand": 700}},
        *("say", "result", "F {way}", "--lot", LOT, "--counted", "bronze=41", "--counted", "sand=700"),
    ),
    _example(
        {"action": "moisture", "sample": "F {way}", "share": "6.4 %", "basis": "dry", "u": "0.2 %"},
        *("say", "moisture", "F {way}", "--share", "6.4 %", "--basis", "dry", "--u", "0.2 %"),
    ),
    _example(
        {
            "action": "moisture",
            "lot": LOT,
            "container": "pan 3",
            "pan": "210 g",
            "pan_wet": "954 g",
            "pan_dry": "905 g",
            "scale": "middlings",
        },
        *("say", "moisture", "--lot", LOT, "--container", "pan 3", "--pan", "210 g", "--pan-wet", "954 g"),
        *("--pan-dry", "905 g", "--scale", "middlings"),
    ),
    _example(
        {"action": "moisture", "run": "{way}/1", "outlet": "tailings", "share": "11 %"},
        *("say", "moisture", "--run", "{way}/1", "--outlet", "tailings", "--share", "11 %"),
    ),
    _example(
        {
            "action": "check-weight",
            "scale": "middlings",
            "nominal": "5 kg",
            "u": "0.1 g",
            "shown": "5.005 kg",
            "note": "after the move",
        },
        *("say", "check-weight", "middlings", "5 kg", "--u", "0.1 g", "--shown", "5.005 kg"),
        *("--note", "after the move"),
    ),
    _example(
        {"action": "correct", "recognised": "concentrate#1", "was": "nothing", "why": "a hose lay on it"},
        *("say", "correct", "concentrate#1", "--was", "nothing", "--why", "a hose lay on it"),
    ),
    _example(
        {"action": "correct", "recognised": "concentrate#1", "credit": "120 g"},
        *("say", "correct", "concentrate#1", "--credit", "120 g"),
    ),
    _example(
        {"action": "shelve", "alarm": "table/outlet-slow/fines", "minutes": 5, "why": "seen"},
        *("alarm", "shelve", "table/outlet-slow/fines", "--minutes", "5", "--why", "seen"),
    ),
    _example(
        {"action": "unshelve", "alarm": "table/outlet-slow/fines"},
        *("alarm", "unshelve", "table/outlet-slow/fines"),
    ),
    _example(
        {"action": "take-out-of-service", "alarm": "table/outlet-slow/fines", "why": "a new launder {way}"},
        *("alarm", "out-of-service", "table/outlet-slow/fines", "--why", "a new launder {way}"),
    ),
    _example(
        {"action": "return-to-service", "alarm": "table/outlet-slow/fines"},
        *("alarm", "in-service", "table/outlet-slow/fines"),
    ),
    _example(
        {"action": "reset-alarm", "alarm": "table/product-astray/fines", "why": "poured back"},
        *("alarm", "reset", "table/product-astray/fines", "--why", "poured back"),
    ),
    _example({"action": "acknowledge", "alarm": "all"}, "say", "acknowledge"),
    _example(
        {"action": "shelve", "alarm": "record-at-risk/journal", "minutes": 1440},
        *("say", "shelve", "record-at-risk/journal", "--minutes", "1440"),
    ),
    _example(
        {"action": "no-stop", "outlet": "concentrate", "undo": True, "why": "it was one"},
        *("say", "no-stop", "concentrate", "--undo", "--why", "it was one"),
    ),
    _example(
        {"action": "end-run", "run": "{way}/1", "hold_up": "0.4 kg"},
        *("run", "end", "--run", "{way}/1", "--hold-up", "0.4 kg"),
    ),
    _example(
        {
            "action": "weigh-product",
            "outlet": "spill-tray",
            "container": "1",
            "run": "{way}/1",
            "gross": "3 kg",
            "tare": "1 kg",
            "scale": "middlings",
        },
        *("say", "weigh-product", "spill-tray", "1", "--run", "{way}/1", "--gross", "3 kg", "--tare", "1 kg"),
        *("--scale", "middlings"),
    ),
    _example(
        {
            "action": "swept-up",
            "container": "bucket",
            "run": "{way}/1",
            "gross": "2.1 kg",
            "tare": "0.9 kg",
            "scale": "middlings",
        },
        *("say", "swept-up", "bucket", "--run", "{way}/1", "--gross", "2.1 kg", "--tare", "0.9 kg"),
        *("--scale", "middlings"),
    ),
    _example(
        {
            "action": "sell-as",
            "outlet": "concentrate",
            "grade": "bronze-scrap",
            "answers": {"dry to the touch": True, "oily": False},
            "run": "{way}/1",
        },
        *("say", "sell-as", "concentrate", "bronze-scrap", "--answer", "dry to the touch=yes"),
        *("--answer", "oily=no", "--run", "{way}/1"),
    ),
    _example(
        {"action": "sell-as", "outlet": "concentrate", "grade": "bronze-scrap", "lot": LOT},
        *("say", "sell-as", "concentrate", "bronze-scrap", "--lot", LOT),
    ),
    _example(
        {
            "action": "price",
            "outlet": "concentrate",
            "per_kg": 6.2,
            "currency": "EUR",
            "component": "bronze",
            "payable": "96 %",
            "deduction": "1 %",
            "treatment": 0.15,
            "lot": LOT,
        },
        *("say", "price", "concentrate", "--per-kg", "6.2", "--currency", "EUR", "--component", "bronze"),
        *("--payable", "96 %", "--deduction", "1 %", "--treatment", "0.15", "--lot", LOT),
    ),
    _example(
        {
            "action": "price",
            "outlet": "tailings",
            "per_kg": -0.02,
            "currency": "EUR",
            "basis": "wet",
            "run": "{way}/1",
        },
        *("say", "price", "tailings", "--per-kg", "-0.02", "--currency", "EUR", "--basis", "wet"),
        *("--run", "{way}/1"),
    ),
    _example(
        {
            "action": "pass-cost",
            "currency": "EUR",
            "per_hour": 35,
            "hours": 2.5,
            "per_kg": 0.01,
            "run": "{way}/1",
        },
        *("say", "pass-cost", "--currency", "EUR", "--per-hour", "35", "--hours", "2.5", "--per-kg", "0.01"),
        *("--run", "{way}/1"),
    ),
    _example(
        {"action": "pass-cost", "currency": "EUR", "per_hour": 35, "lot": LOT},
        *("say", "pass-cost", "--currency", "EUR", "--per-hour", "35", "--lot", LOT),
    ),
    _example(
        {
            "action": "consists-of",
            "component": "bronze",
            "shares": {"Cu": "88 %", "Sn": "10 %"},
            "u": "0.5 %",
            "lot": LOT,
        },
        *("say", "consists-of", "bronze", "Cu=88 %", "Sn=10 %", "--u", "0.5 %", "--lot", LOT),
    ),
    _example(
        {"action": "consists-of", "component": "slag", "shares": {"Cu": "2 %"}, "run": "{way}/1"},
        *("say", "consists-of", "slag", "Cu=2 %", "--run", "{way}/1"),
    ),
    _example(
        {
            "action": "start-run",
            "time": "2026-01-03T{hour}:00:00+01:00",
            "until": "2026-01-03T{hour}:30:00+01:00",
            "feed_from": ["{way}/1/middlings", "{way}/1/fines"],
        },
        *("run", "start", "--time", "2026-01-03 {hour}:00", "--until", "2026-01-03 {hour}:30"),
        *("--feed-from", "{way}/1/middlings", "--feed-from", "{way}/1/fines"),
    ),
    _example(
        {
            "action": "start-run",
            "time": "2026-01-02T{hour}:00:00+01:00",
            "until": "2026-01-02T{hour}:30:00+01:00",
            "feed_from": "{way}/1/middlings",
        },
        *("run", "start", "--time", "2026-01-02 {hour}:00", "--until", "2026-01-02 {hour}:30"),
        *("--feed-from", "{way}/1/middlings"),
    ),
]
REFUSED = {"correct", "no-stop", "reset-alarm"}
"""Actions that the story says in vain on purpose: there is nothing they could be about."""
