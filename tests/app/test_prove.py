"""`tallydeck prove` at instruments on real wires: by its own words, without a terminal, interrupted."""

from __future__ import annotations

import contextlib
import io
import json
import os
import pty
import select
import signal
import subprocess
import sys
import termios
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from logger.commands.prove import ProofError, prove, table
from logger.core.proof.plan import Wishes
from logger.journal.set_up_checks import read_set_up_checks
from logger.settings import load
from tests.app.bays import running_bay, running_daemon, until
from tests.app.proving import Deeds, Person, Post, configuration

COMMAND = [sys.executable, "-c", "from logger.cli import main; main()", "prove"]


def guided(
    post: Post, path: Path, wishes: Wishes, deeds: Deeds, **how: Any
) -> tuple[dict[tuple[str, str], dict[str, Any]], str]:
    """The check as a person does it who reads its words; (line by instrument and test, all that was said)."""
    text = io.StringIO()
    with post.plugged():
        person = Person(text, post, deeds)
        console = Console(file=text, width=400)
        found = prove(load(path), wishes, console, keys=person, clock=post.clock(), **how)
    return {(each["instrument"], each["test"]): each for each in found["results"]}, text.getvalue()


def drip(person: Person) -> None:
    person.post.add(2.0, 0.04, 34.0, 20)


DEEDS: Deeds = [
    ("Deck and feeder off", lambda p: p.press(3.0)),
    ("Switch the deck on", lambda p: p.press(3.0)),
    ("Switch the deck off again", lambda p: p.press(3.0)),
    ("What is the test weight's mass", lambda p: (p.say(2.0, "5 stone"), p.say(4.0, "5 kg"))[0]),
    ("Put the test weight in the middle", lambda p: p.post.add(3.0, 5.0)),
    ("Take the test weight off", lambda p: p.post.later(3.0, p.post.clear)),
    ("Put the weight on, the", lambda p: p.post.add(3.0, 5.0)),
    ("Take it off.", lambda p: p.post.later(3.0, p.post.clear)),
    ("press the scale's ZERO key", lambda p: (p.post.clear(), p.press(6.0))[0]),
    ("Let all 40 mL", lambda p: (drip(p), p.post.add(46.0, 1.0))[0]),
    ("The same again", lambda p: (drip(p), p.press(46.0))[0]),
    ("Take everything off and press ZERO", lambda p: (p.post.clear(), p.press(5.0))[0]),
    ("Put the container of", lambda p: (p.post.add(2.0, 1.0), p.press(8.0))[0]),
    ("Pour 1 L", lambda p: (p.post.later(3.0, lambda: setattr(p.post, "draining_kg", 1.0)), p.press(8.0))[0]),
    ("Does water stand", lambda p: p.say(3.0, "n")),
    ("Open the valve", lambda p: p.post.later(3.0, lambda: setattr(p.post, "flow_l_min", 14.2))),
    ("Weigh an empty bucket", lambda p: p.press(3.0)),
    ("How much water was caught", lambda p: p.say(5.0, "3.5 kg")),
]


def test_a_whole_bay_is_proved_by_its_own_words(tmp_path: Path) -> None:
    """Every test of a scale and a meter, done by what the program says; the verdicts are right."""
    post = Post(tmp_path)
    lines, said = guided(post, configuration(tmp_path), Wishes(seconds=6.0, bucket_s=15.0), DEEDS)
    verdicts = {key: each["verdict"] for key, each in lines.items()}
    assert {key: verdict for key, verdict in verdicts.items() if verdict != "passes"} == {}
    assert lines["concentrate", "zero tracking"]["figures"]["state"] == "off"
    assert lines["concentrate", "container"]["figures"]["seen"] == "drains"
    assert lines["wash-water", "bucket"]["figures"]["error_share"] == pytest.approx(0.012, abs=0.05)
    assert '"stone" is not known here' in said
    assert "Caution: Guards on" in said
    assert len(lines) == 21


def test_a_scale_that_swallows_is_found_out_on_the_wire(tmp_path: Path) -> None:
    post = Post(tmp_path, tracking=True)
    wishes = Wishes(only=frozenset({"tracking"}), instruments=frozenset({"concentrate"}))
    lines, _ = guided(post, configuration(tmp_path), wishes, DEEDS)
    found = lines["concentrate", "zero tracking"]
    assert (found["verdict"], found["figures"]["state"], found["expected"]) == ("fails", "on", "off")
    assert lines["concentrate", "trickle under load"]["verdict"] == "passes"


def test_a_scale_that_falls_silent_is_told_and_its_test_given_up(tmp_path: Path) -> None:
    """The cable is pulled while the weight is awaited; the next instrument is still checked."""
    post = Post(tmp_path)
    deeds = [each for each in DEEDS if "Put the test weight" not in each[0]]
    deeds.append(("Put the test weight", lambda p: p.post.unplug()))
    wishes = Wishes(only=frozenset({"weight", "water"}), weight_kg=5.0)
    lines, said = guided(post, configuration(tmp_path), wishes, deeds, patience_s=5.0)
    assert "! concentrate is silent" in said
    weight = lines["concentrate", "test weight"]
    assert weight["verdict"] == "can't tell"
    assert str(tmp_path / "scale") in weight["remedy"]
    assert lines["wash-water", "flow"]["verdict"] == "passes"


def test_it_refuses_while_the_daemon_holds_the_ports(tmp_path: Path) -> None:
    with (
        running_bay(tmp_path) as bay,
        running_daemon(bay, tmp_path) as daemon,
        pytest.raises(ProofError, match="is recording and holds the ports; stop it"),
    ):
        prove(daemon.configuration, Wishes(), Console(file=io.StringIO()))


def test_a_bay_without_ports_is_refused(tmp_path: Path) -> None:
    path = configuration(tmp_path)
    path.write_text('[stations.table]\noutlets = ["concentrate"]\nresolution = "5 g"\n')
    with pytest.raises(ProofError, match="no instrument has a port"):
        prove(load(path, {"HOME": str(tmp_path)}), Wishes(interactive=False), Console(file=io.StringIO()))


# ---------------------------------------------------------------------- a process of its own


def test_without_a_terminal_the_rest_is_named_as_not_done(tmp_path: Path) -> None:
    """JSON on stdout, talk on stderr, a file beside the journal; a silent instrument leaves with 69."""
    path = configuration(tmp_path, (f"{tmp_path}/meter", f"{tmp_path}/gone"))
    with Post(tmp_path).alive():
        done = subprocess.run(
            [*COMMAND, str(path), "--json", "--seconds", "3"],
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
    assert done.returncode == 69, done.stderr
    found = json.loads(done.stdout)
    lines = {(each["instrument"], each["test"]): each for each in found["results"]}
    assert lines["concentrate", "alive"]["verdict"] == "passes"
    assert lines["wash-water", "alive"]["verdict"] == "fails"
    assert "there is no such device" in lines["wash-water", "alive"]["remedy"]
    assert lines["wash-water", "bucket"]["found"] in ("needs a person", "the instrument is silent")
    for test in ("zero", "test weight", "zero tracking", "container"):
        assert lines["concentrate", test]["verdict"] == "not done"
    (kept,) = read_set_up_checks(tmp_path / "journal")
    assert kept["results"] == found["results"]
    assert "Traceback" not in done.stderr


@contextlib.contextmanager
def at_a_terminal(*arguments: str) -> Iterator[tuple[subprocess.Popen[bytes], int, Callable[[str], str]]]:
    """(process, the terminal's other end, waits until it has printed something)."""
    master, slave = pty.openpty()
    env = os.environ | {"NO_COLOR": "1", "TERM": "dumb"}
    process = subprocess.Popen(
        [*COMMAND, *arguments], stdin=slave, stderr=slave, stdout=subprocess.PIPE, env=env
    )
    before = termios.tcgetattr(slave)
    printed = b""

    def await_text(text: str) -> str:
        def there() -> bool:
            nonlocal printed
            while select.select([master], [], [], 0)[0]:
                printed += os.read(master, 4096)
            return text.encode() in printed

        until(there, 30.0, f"{text!r} after {printed!r}")
        return printed.decode()

    try:
        yield process, master, await_text
        assert termios.tcgetattr(slave) == before  # as it was before
    finally:
        process.kill()
        process.communicate(timeout=10.0)
        os.close(slave)
        os.close(master)


def test_keys_and_a_typed_mass_at_a_terminal(tmp_path: Path) -> None:
    """A mass is typed, a test is skipped, q ends; the outcome is kept, the terminal as it was."""
    path = configuration(tmp_path)
    with (
        Post(tmp_path).alive(),
        at_a_terminal(str(path), "--only", "weight,tracking", "--json") as (process, keys, seen),
    ):
        seen("test weight's mass")
        os.write(keys, b"5\r")
        seen("the unit is missing")
        os.write(keys, b"5 kgg\x7f\r")
        seen("Nothing on scale")
        os.write(keys, b"xs")
        seen("swallow a trickle")
        os.write(keys, b"q")
        out, _ = process.communicate(timeout=20)
        assert process.returncode == 0
    found = json.loads(out)
    assert not found["complete"]
    assert [each["verdict"] for each in found["results"]] == ["not done"] * 4
    assert len(read_set_up_checks(tmp_path / "journal")) == 1


def test_ctrl_c_leaves_no_half_file(tmp_path: Path) -> None:
    path = configuration(tmp_path)
    with Post(tmp_path).alive(), at_a_terminal(str(path), "--only", "alive") as (process, _, seen):
        seen("Listening for 20 s")
        process.send_signal(signal.SIGINT)
        assert process.wait(20.0) == 130
        assert "nothing was saved" in seen("nothing was saved")
    assert not (tmp_path / "journal").exists()
    assert read_set_up_checks(tmp_path / "journal") == []


def test_the_table_gathers_what_was_not_done() -> None:
    def line(test: str, verdict: str, found: str = "") -> dict[str, Any]:
        kept = {"instrument": "fines", "test": test, "found": found, "expected": "", "verdict": verdict}
        return kept | {"remedy": "", "figures": {}}

    text = io.StringIO()
    results = [
        line("alive", "passes"),
        line("zero", "not done", "skipped"),
        line("drift", "not done", "skipped"),
    ]
    Console(file=text, width=200).print(table(results))
    assert len(text.getvalue().splitlines()) == 3
    assert "zero, drift" in text.getvalue()
