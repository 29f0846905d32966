"""`tallydeck explain` on a journal that the loop wrote, and still holds open."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import Result
from typer.testing import CliRunner

from logger.cli import app
from logger.core.bay import Bay
from logger.core.entries import Circumstance, Finding
from logger.journal.checkpoint import freeze
from logger.journal.journal import Journal, JournalReader
from logger.journal.own import checkpoint_key
from logger.loop import Loop
from logger.settings import loads
from logger.simulator.trace import write_csv
from tests.app.bays import until
from tests.core.folding import NS, T0, foundry_trace, reading
from tests.explain.pasts import CLOG, DEMO

LAST_S = 470.0


class HandClock:
    """A clock that the readings move."""

    boot_id = "test-boot"
    at_ns = T0

    def now_ns(self) -> int:
        return self.at_ns

    def step_ns(self) -> int:
        return 0

    def trusted(self) -> bool:
        return False


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """The folder of a journal of the demo's bay with its clog, which was acknowledged; in use."""
    path = tmp_path_factory.mktemp("explain") / "journal.sqlite"
    configuration, clock, told = loads(DEMO), HandClock(), list[Finding]()
    kept = Journal.open(path, boot_id="test-boot", offset_ns=T0 - 10**15)
    kept.remember_configuration(configuration.digest, configuration.text)
    loop = Loop(Bay(configuration.bay), kept, clock, told=told.extend)
    loop.start()
    loop.put(Circumstance(T0, "configuration", configuration.digest, {"name": "Foundry bay"}))
    loop.submit({"action": "start-run"}, "test")
    seen, second = False, 0
    for line in foundry_trace(seed=1, duration_s=720.0).readings:
        if line[0] > LAST_S:
            break
        if int(line[0]) > second:
            second = int(line[0])
            loop.runs()  # answered once all before is taken: the clock must not run ahead of the readings
        clock.at_ns = reading(*line).at_ns
        loop.put(reading(*line))
        if not seen and any(f.kind == "alarm" and f.subject == CLOG for f in told):
            loop.submit({"action": "acknowledge", "alarm": CLOG}, "test")
            seen = True
    over = until(lambda: [f for f in told if f.data.get("state") == "cleared"], what="the alarm's end")
    assert over[0].subject == CLOG
    yield path.parent
    loop.stop()
    kept.close()


def explain(*arguments: str | Path) -> Result:
    runner = CliRunner(env={"NO_COLOR": "1", "COLUMNS": "200", "TALLYDECK_CONFIG": ""})
    return runner.invoke(app, ["explain", *map(str, arguments)])


def test_without_an_alarm_it_lists_those_there_are(journal: Path) -> None:
    done = explain("--journal", journal)
    assert done.exit_code == 0
    assert CLOG in done.stdout
    assert "2026-03-02 07:0" in done.stdout


def test_the_list_is_there_for_a_machine_too(journal: Path) -> None:
    listed = json.loads(explain("--journal", journal, "--json").stdout)
    assert CLOG in [each["id"] for each in listed]


def test_the_latest_of_an_alarm_is_explained_in_words(journal: Path) -> None:
    done = explain(CLOG, "--journal", journal)
    lines = done.stdout.splitlines()
    assert done.exit_code == 0
    assert lines[0].startswith(f"{CLOG}: raised at 2026-03-02 07:0")
    assert "acknowledged" in lines[0]
    assert any(line.startswith("Why: the evidence reached") for line in lines)


def test_why_none_came_is_explained_for_an_outlet_and_a_time(journal: Path) -> None:
    done = explain("concentrate", "--at", "07:02:33", "--journal", journal / "journal.sqlite")
    assert done.exit_code == 0
    assert "no alarm stood at 2026-03-02 07:02:33" in done.stdout
    assert "Why: it is not judged" in done.stdout


def test_a_picture_is_written_and_words_only_where_asked_for(journal: Path, tmp_path: Path) -> None:
    path = tmp_path / "clog.svg"
    done = explain(CLOG, "--journal", journal, "-o", path, "--before", "3 min", "--after", "30s")
    assert (done.exit_code, done.stdout) == (0, "")
    assert path.read_bytes().startswith(b"<?xml")
    both = explain(CLOG, "--journal", journal, "-o", path, "--text")
    assert "Said:" in both.stdout


def test_figures_agree_with_what_was_told(journal: Path) -> None:
    data = json.loads(explain(CLOG, "--journal", journal, "--json").stdout)
    assert [each["began"] for each in data["told"]] == [each["began"] for each in data["judged"]]
    assert data["told"][0]["acknowledged"] is not None
    assert data["time_zone"] == "Europe/Vienna"


def test_a_checkpoint_of_the_daemon_saves_the_fold(journal: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What the loop keeps now and then is used for what came after it, and makes no difference."""
    at = ["middlings", "--at", "07:07:20", "--before", "30s", "--after", "5s", "--journal", str(journal)]
    from_start = explain(*at, "--json").stdout
    configuration = loads(DEMO)
    path = journal / "journal.sqlite"
    with JournalReader(path) as reader:
        last = reader.first_seq_at(T0 + 380 * NS)
        bay = Bay(configuration.bay)
        for entry in reader.read(upto=last, findings=False):
            bay.apply(entry)  # type: ignore[arg-type]
    used: list[int] = []

    def load(self: JournalReader, key: str, older: int = 0) -> tuple[int, bytes] | None:
        used.append(older)
        return None if key != checkpoint_key(configuration.digest) or older == 0 else (bay.seq, freeze(bay))

    monkeypatch.setattr(JournalReader, "load_checkpoint", load)
    assert explain(*at, "--json").stdout == from_start
    assert used == [0, 1]


def test_a_csv_is_explained_by_the_configuration(tmp_path: Path) -> None:
    (tmp_path / "bay.toml").write_text(DEMO)
    write_csv(foundry_trace(seed=1, duration_s=720.0), tmp_path / "r.csv")
    done = explain(CLOG, "-c", tmp_path / "bay.toml", "--readings", tmp_path / "r.csv")
    assert done.exit_code == 0
    assert done.stdout.startswith(f"{CLOG}: raised at 2026-03-02 07:0")


@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        (["slag", "--journal", "{journal}"], 65, "there is no alarm and no outlet"),
        (["table/outlet-slow/fines", "--journal", "{journal}"], 65, CLOG),
        ([CLOG, "--journal", "{journal}", "--at", "07:00:10"], 0, ""),
        (["fines", "--journal", "{journal}", "--at", "03:00"], 65, "it goes from 2026-03-02 07:00:00"),
        (["fines", "--journal", "{journal}", "--at", "noon"], 64, "is no time"),
        ([CLOG, "--journal", "{journal}", "--before", "long"], 64, "--before"),
        ([CLOG, "--journal", "{journal}", "--after", "9 h"], 64, "between 0 s and 30 min"),
        ([CLOG, "--journal", "{journal}", "-o", "a.bmp"], 64, ".png, .svg, .pdf"),
        ([CLOG, "--journal", "{journal}", "-o", "/nowhere/a.png"], 73, "can't be written"),
        ([CLOG, "--journal", "/nowhere"], 65, "no such journal"),
        ([CLOG, "--actions", "a.jsonl", "--journal", "{journal}"], 64, "leave --actions out"),
    ],
)
def test_errors_say_what_there_is(arguments: list[str], code: int, message: str, journal: Path) -> None:
    done = explain(*(each.replace("{journal}", str(journal)) for each in arguments))
    assert done.exit_code == code
    assert message in done.stderr


def test_a_configuration_that_is_not_the_records_own_is_remarked_on(journal: Path, tmp_path: Path) -> None:
    (tmp_path / "bay.toml").write_text(DEMO.replace('target = "60 kg/h"', 'target = "61 kg/h"'))
    done = explain(CLOG, "-c", tmp_path / "bay.toml", "--journal", journal)
    assert "is not the one that the record was last written with" in done.stderr
