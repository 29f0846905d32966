"""/metrics, /livez and /readyz: what a scraper and a supervisor get, and that every metric is explained."""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from prometheus_client.parser import text_string_to_metric_families

from logger.board.metrics import STATES, exposition
from tests.board.fake_desk import TOKEN, FakeDesk, served
from tests.board.observations import STORE, Told, observed, standing, written
from tests.board.snapshots import calm

OBSERVE = Path(__file__).parent.parent.parent / "deploy" / "observe"
needs_promtool = pytest.mark.skipif(shutil.which("promtool") is None, reason="promtool is not installed")


@pytest.fixture(scope="module")
def _served() -> Iterator[tuple[FakeDesk, Told, str]]:
    desk, told = FakeDesk(calm()), Told()
    with served(desk, observer=told, followers=told) as board:
        yield desk, told, board.url


@pytest.fixture
def told(_served: tuple[FakeDesk, Told, str]) -> Told:
    _served[1].reset()
    _served[0].reset(calm())
    return _served[1]


@pytest.fixture
def desk(_served: tuple[FakeDesk, Told, str], told: Told) -> FakeDesk:
    return _served[0]


@pytest.fixture
def scraper(_served: tuple[FakeDesk, Told, str], told: Told) -> Iterator[httpx.Client]:
    headers = {"Authorization": f"Bearer {TOKEN}"}
    with httpx.Client(base_url=_served[2], headers=headers, trust_env=False, timeout=10) as client:
        yield client


@pytest.fixture
def nobody(_served: tuple[FakeDesk, Told, str], told: Told) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=_served[2], trust_env=False, timeout=10) as client:
        yield client


def figures(text: str) -> dict[str, float]:
    return {
        " ".join([sample.name.removeprefix("tallydeck_"), *sample.labels.values()]): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }


# ---------------------------------------------------------------------- /metrics


def test_a_scraper_gets_text_with_the_token_and_nothing_without(
    scraper: httpx.Client, nobody: httpx.Client
) -> None:
    answer = scraper.get("/metrics")
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/plain; version=0.0.4; charset=utf-8"
    assert answer.headers["cache-control"] == "no-store"
    assert figures(answer.text)["frames_read_total feed"] == 40
    refused = nobody.get("/metrics")
    assert refused.status_code == 401
    assert "tallydeck_" not in refused.text


def test_the_head_of_a_scrape_is_that_of_the_scrape(scraper: httpx.Client) -> None:
    head, whole = scraper.head("/metrics"), scraper.get("/metrics")
    assert (head.status_code, head.content) == (200, b"")
    assert head.headers["content-type"] == whole.headers["content-type"]
    assert head.headers["content-length"] == whole.headers["content-length"]


def test_a_loop_that_hangs_gives_a_problem_and_no_old_figures(scraper: httpx.Client, told: Told) -> None:
    told.seen = TimeoutError("the loop did not answer within 5 s")
    answer = scraper.get("/metrics")
    assert (answer.status_code, answer.json()["code"]) == (503, "no-figures")


def test_the_ledgers_are_differences_of_what_is_shown() -> None:
    """75 frames read: 60 + 4 written, 11 held. 100 known, 10 again: 70 + 38 + 1 + 1. Nothing is amiss."""
    shown = figures(exposition(observed()).decode())
    assert shown["ledger_difference frames"] == shown["ledger_difference store"] == 0
    worse = observed(written=written(held_frames=9, lost_frames=1), followers=())
    assert figures(exposition(worse).decode())["ledger_difference frames"] == 1


def test_buckets_of_commits_add_up() -> None:
    shown = figures(exposition(observed()).decode())
    buckets = [shown[f"commit_duration_seconds_bucket {bound}"] for bound in ("0.01", "0.1", "+Inf")]
    assert buckets == [20, 23, 24]
    assert (shown["commit_duration_seconds_count"], shown["commit_duration_seconds_sum"]) == (24, 0.75)


def test_a_follower_is_in_one_state() -> None:
    shown = figures(exposition(observed()).decode())
    assert {state: shown[f"follower_state store {state}"] for state in STATES} == {
        state: float(state == STORE.state) for state in STATES
    }


def test_what_is_not_known_is_left_out() -> None:
    """A size that can't be looked up is no 0; alarms that are not known yet are none that are quiet."""
    shown = figures(exposition(observed(alarms=None, raised={}, free_bytes=None)).decode())
    assert [name for name in shown if name.startswith(("alarms", "disk_free"))] == []
    assert shown["journal_bytes"] == 40_960


def test_hostile_names_stay_labels() -> None:
    """A name from a configuration can't add a line of its own."""
    hostile = 'a"} 1\ntallydeck_live 7\\'
    seen = observed(raised={hostile: 3})
    shown = {
        sample.labels.get("kind"): sample.value
        for family in text_string_to_metric_families(exposition(seen).decode())
        for sample in family.samples
        if sample.name == "tallydeck_alarms_raised_total"
    }
    assert shown[hostile] == 3
    assert figures(exposition(seen).decode())["live"] == 1


@needs_promtool
def test_promtool_finds_nothing_to_say_of_the_names() -> None:
    done = subprocess.run(
        ["promtool", "check", "metrics"], input=exposition(observed()), capture_output=True, check=False
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, b"", b"")


# ---------------------------------------------------------------------- deploy/observe


def shown_families() -> dict[str, str]:
    """Name as it is scraped -> type."""
    found = {}
    for line in exposition(observed()).decode().splitlines():
        if line.startswith("# TYPE "):
            name, kind = line.removeprefix("# TYPE ").split()
            found[name] = kind
    return found


def test_the_list_of_metrics_and_reality_agree() -> None:
    """Every metric is in METRICS.md with its type and labels, and nothing else is."""
    rows = re.findall(r"^\| `(\w+)` \| (\w+) \| (.*?) \|", (OBSERVE / "METRICS.md").read_text(), re.MULTILINE)
    assert {name: kind for name, kind, _ in rows} == shown_families()
    labels: dict[str, set[str]] = {name: set(re.findall(r"`(\w+)`", told)) for name, _, told in rows}
    for family in text_string_to_metric_families(exposition(observed()).decode()):
        for sample in family.samples:
            name = re.sub(r"_(bucket|sum|count)$", "", sample.name)
            assert set(sample.labels) - {"le"} == labels[name], sample.name


def test_rules_ask_for_metrics_that_there_are_and_say_what_to_do() -> None:
    rules = (OBSERVE / "alerts.yml").read_text().split("- alert: ")[1:]
    asked = {
        name for rule in rules for name in re.findall(r"tallydeck_\w+", rule.partition("annotations")[0])
    }
    assert len(asked) > 5
    assert asked <= set(shown_families())
    assert all(re.search(r"^ +summary: .+\n +do: .+$", rule, re.MULTILINE) for rule in rules)


@needs_promtool
def test_promtool_takes_the_configuration_and_the_rules(tmp_path: Path) -> None:
    """With the credentials file where it is on the machine at hand."""
    for name in ("prometheus.yml", "alerts.yml"):
        text = (OBSERVE / name).read_text()
        (tmp_path / name).write_text(text.replace("/etc/prometheus/tallydeck-token", str(tmp_path / "token")))
    (tmp_path / "token").write_text(TOKEN)
    for check in (["config", "prometheus.yml"], ["rules", "alerts.yml"]):
        done = subprocess.run(
            ["promtool", "check", *check], cwd=tmp_path, capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stdout + done.stderr


# ---------------------------------------------------------------------- /livez, /readyz


@pytest.mark.parametrize("path", ["/livez", "/readyz", "/api/v1/livez", "/api/v1/readyz"])
def test_probes_are_open_to_all_on_this_computer(path: str, nobody: httpx.Client, desk: FakeDesk) -> None:
    with desk.beat():
        assert nobody.get(path).status_code == nobody.head(path).status_code == 200
        assert nobody.get(path, headers={"Host": "elsewhere.example"}).status_code == 421


def test_ready_lists_a_follower_that_is_behind_and_stays_ready(
    nobody: httpx.Client, desk: FakeDesk, told: Told
) -> None:
    told.stands = [standing("store", state="retrying"), standing("broker")]
    desk.show()
    answer = nobody.get("/readyz")
    assert answer.status_code == 200
    assert answer.json()["followers"] == {"store": "retrying", "broker": "live"}
    assert answer.json()["behind"] == ["store"]


@pytest.mark.parametrize(
    ("recording", "code", "said"),
    [
        ({"state": "not-recorded", "message": "no room on the disk"}, "not-recorded", "no room on the disk"),
        (
            {"state": "recorded", "message": "folding the past again"},
            "not-watching",
            "folding the past again",
        ),
        ({"state": "recorded", "message": "live figures stopped"}, "not-watching", "live figures stopped"),
    ],
)
@pytest.mark.parametrize("path", ["/readyz", "/api/v1/readyz"])
def test_not_ready_says_what_is_wrong(
    nobody: httpx.Client, desk: FakeDesk, path: str, recording: dict[str, str], code: str, said: str
) -> None:
    desk.show(recording=recording)
    answer = nobody.get(path)
    assert answer.status_code == 503
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json()["code"] == code
    assert said in answer.json()["detail"]
    assert answer.json()["do"]


def test_a_loop_that_does_not_turn_is_not_ready(own_desk: FakeDesk, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("logger.board.probes.STALE_S", 0.0)
    with served(own_desk) as board, httpx.Client(base_url=board.url, trust_env=False, timeout=10) as client:
        answer = client.get("/readyz")
    assert (answer.status_code, answer.json()["code"]) == (503, "stale")
