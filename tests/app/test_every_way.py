"""Every action by every way in: what stands in the journal is the same, and folds the same."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from heapq import merge
from pathlib import Path
from typing import Any

import httpx
import pytest
from typer.testing import CliRunner

from logger.app import Daemon
from logger.cli import app
from logger.core.actions import BODY, body_json
from logger.core.bay import Bay as FoldedBay
from logger.core.entries import Action, Finding
from logger.core.walltime import rfc3339
from logger.journal.journal import JournalReader
from logger.replay import from_files, from_journal, read_actions
from logger.settings import load
from logger.simulator.trace import write_csv
from tests.app.bays import running_bay, until, write_configuration
from tests.core.actions.examples import REFUSED, STORY, Example
from tests.core.folding import NS, T0, configuration, fold, foundry_trace, reading
from tests.mosquitto import PROGRAM, Mosquitto, Talker, needs_mosquitto

Answered = dict[str, Any]
Way = Callable[[Example, dict[str, str]], Answered]
FREE = ("id", "who", "time")
ROOT = "tallydeck/foundry-bay"


class Bay:
    """A daemon in this process on a simulated bay, and the ways to talk to it."""

    def __init__(self, daemon: Daemon, config: Path, talker: Talker | None) -> None:
        self.daemon = daemon
        self.talker = talker
        self.runner = CliRunner(env={"TALLYDECK_CONFIG": str(config), "NO_COLOR": "1"})
        token = (daemon.directory / "token").read_text().strip()
        headers = {"Authorization": f"Bearer {token}"}
        self.http = httpx.Client(base_url=daemon.board.url, headers=headers, trust_env=False, timeout=10)

    def by_command(self, example: Example, names: dict[str, str]) -> Answered:
        typed = example.command(names)
        done = self.runner.invoke(app, [*typed, "--json", "--id", f"typed-{STORY.index(example)}"])
        if done.exit_code == 65:
            return {"accepted": False, "reason": done.stderr, "seq": self.last()}
        assert done.exit_code == 0, (typed, done.stderr)
        return dict(json.loads(done.stdout))

    def by_api(self, example: Example, names: dict[str, str]) -> Answered:
        answer = self.http.post("/api/v1/actions", json=example.told(names)).json()
        return dict(answer.get("answer", answer))

    def by_mqtt(self, example: Example, names: dict[str, str]) -> Answered:
        assert self.talker is not None
        self.talker.say(f"{ROOT}/act", json.dumps(example.told(names)))
        answer = self.talker.next_answer()[1]
        return dict(answer.get("answer", answer))

    def last(self) -> int:
        """The entry number of the newest action in the journal."""
        return max(self.entries())

    def entries(self) -> dict[int, Action]:
        with closing(JournalReader(self.daemon.journal_path)) as reader:
            return {entry.seq: entry for entry in reader.read() if isinstance(entry, Action)}

    def tell(self, way: str, hour: int) -> list[tuple[Example, Answered, dict[str, str]]]:
        """The whole story by one way; what each part was answered, and the names it had then."""
        names = {"way": way, "hour": f"{hour:02}"}
        told = []
        for example in STORY:
            answer = getattr(self, way)(example, names)
            told.append((example, answer, dict(names)))
            if example.kept == "note":
                names["note"] = str(answer["seq"])
            if example.kept == "mark":
                names["mark"] = answer["data"]["marked"]["mark"]
        return told


WAYS = ["by_command", "by_api", pytest.param("by_mqtt", marks=needs_mosquitto)]
TOLD = ["by_command", "by_api", *(["by_mqtt"] if PROGRAM else [])]


@pytest.fixture(scope="module")
def bay(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bay]:
    home = tmp_path_factory.mktemp("ways")
    with ExitStack() as stack:
        wires = stack.enter_context(running_bay(home, speed=2.0))
        config = write_configuration(wires, home)
        broker = stack.enter_context(Mosquitto(home)) if PROGRAM else None
        if broker is not None:
            mqtt = f'\n[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\nactions = true\n'
            config.write_text(config.read_text() + mqtt)
        daemon = Daemon(load(config))
        daemon.start()
        stack.callback(daemon.stop)
        talker = None if broker is None else stack.enter_context(Talker(broker.port, f"{ROOT}/answer"))
        made = Bay(daemon, config, talker)
        stack.callback(made.http.close)
        ages = lambda: [each["age_s"] for each in daemon.loop.snapshot()["instruments"]]  # noqa: E731
        until(lambda: all(age is not None for age in ages()), what="a reading from every instrument")
        until(lambda: all(steady(daemon)), what="a steady weight at every outlet")
        by_mqtt = daemon.by_mqtt
        until(lambda: by_mqtt is None or by_mqtt.listening, what="the daemon's ear")
        yield made


def steady(daemon: Daemon) -> list[bool]:
    """Whether each outlet with a scale has shown a steady weight."""
    (station,) = daemon.loop.snapshot()["stations"]
    return [outlet["state"] == "steady" for outlet in station["outlets"] if outlet["weighed"]]


def plain(body: Any) -> dict[str, Any]:
    """An action as the journal holds it, without what differs from one saying to the next."""
    return {key: value for key, value in body_json(body).items() if key not in FREE}


@pytest.fixture(scope="module")
def stories(bay: Bay) -> dict[str, list[tuple[Example, Answered, dict[str, str]]]]:
    return {way: bay.tell(way, hour) for hour, way in enumerate(TOLD)}


@pytest.mark.parametrize("way", WAYS)
def test_the_journal_holds_what_was_meant(way: str, stories: dict[str, Any], bay: Bay) -> None:
    """The body of each entry is the example's, to the last field."""
    entries = bay.entries()
    for example, answer, names in stories[way]:
        assert plain(entries[answer["seq"]].body) == plain(BODY.validate_python(example.told(names)))


@pytest.mark.parametrize("way", WAYS)
def test_the_story_is_taken_but_for_what_makes_no_sense(way: str, stories: dict[str, Any]) -> None:
    for example, answer, _ in stories[way]:
        assert answer["accepted"] is (example.body["action"] not in REFUSED), (example.body, answer)


def test_a_replay_of_the_journal_finds_the_same(stories: dict[str, Any], bay: Bay) -> None:
    with closing(JournalReader(bay.daemon.journal_path)) as reader:
        records = list(reader.read())
    again: list[Finding] = []
    entries = (record for record in records if not isinstance(record, Finding))
    from_journal(bay.daemon.configuration.bay, entries, again.append)
    told = [record for record in records if isinstance(record, Finding)]
    assert [found[:-1] for found in again] == [found[:-1] for found in told]


def test_a_file_of_actions_says_the_same(tmp_path: Path) -> None:
    """JSON lines, read as a replay reads them."""
    names = {"way": "file", "hour": "06", "note": "7", "mark": "mark-1"}
    told = [{"time": f"2026-03-02T06:00:{n:02}Z"} | example.told(names) for n, example in enumerate(STORY)]
    path = tmp_path / "actions.jsonl"
    path.write_text("\n".join(json.dumps(each) for each in told))
    by_text = {json.dumps(plain(BODY.validate_python(each)), sort_keys=True) for each in told}
    read = [entry.body for entry in read_actions(path) if isinstance(entry, Action)]
    assert len(read) == len(STORY)
    assert {json.dumps(plain(body), sort_keys=True) for body in read} == by_text


def test_actions_in_a_file_fold_as_the_same_words_said_live(tmp_path: Path) -> None:
    """Said at their moments between the readings, or read from files with their times: the same findings."""
    names = {"way": "file", "hour": "06", "note": "0", "mark": "mark-1"}
    bodies = [
        example.told(names)
        for example in STORY
        # an entry number is another one in a file; a weight is waited for by the clock
        if not {"entry", "until", "scale"} & set(example.body)
    ]
    trace = foundry_trace(1, 300.0)
    seconds = [20 + 10 * number for number in range(len(bodies))]
    csv, jsonl = tmp_path / "readings.csv", tmp_path / "actions.jsonl"
    write_csv(trace, csv)
    moments_ns = [T0 + second * NS + 7 * 10**6 for second in seconds]  # between two readings
    moments = [rfc3339(at_ns) for at_ns in moments_ns]
    jsonl.write_text("\n".join(json.dumps(b | {"time": at}) for at, b in zip(moments, bodies, strict=True)))
    from_file: list[Finding] = []
    from_files(configuration().bay, csv, jsonl, from_file.append)

    said = [Action(at, BODY.validate_python(b)) for at, b in zip(moments_ns, bodies, strict=True)]
    readings = [reading(*line) for line in trace.readings]
    merged = merge(said, readings, key=lambda entry: entry.at_ns)
    folded = FoldedBay(configuration().bay)
    live = fold(folded, [entry._replace(seq=number) for number, entry in enumerate(merged, 1)])
    live += folded.finish()
    assert [_told(f) for f in from_file] == [_told(f) for f in live]
    assert {"run-opened", "run-closed", "container-set", "marked"} <= {f.kind for f in live}


def _told(finding: Finding) -> tuple[Any, ...]:
    return (finding.at_ns, finding.kind, finding.subject, finding.data)
