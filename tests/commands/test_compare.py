"""`tallydeck compare`, on two weigh-ups of the example's kind."""

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from logger.cli import app

EXAMPLE = Path(__file__).parents[2] / "config" / "weigh-up.toml"


@pytest.fixture
def two(tmp_path):
    """The example, and the same with more concentrate and other settings."""
    head = 'wanted = "bronze"\n[settings]\ntilt = "{tilt}"\n'
    files = []
    for name, tilt, gross in (("a", "4°", "17.415 kg"), ("b", "5°", "18.915 kg")):
        text = EXAMPLE.read_text("utf-8").replace("17.415 kg", gross)
        text = text.replace('wanted = "bronze"\n', head.format(tilt=tilt))
        files.append(tmp_path / f"{name}.toml")
        files[-1].write_text(text, "utf-8")
    return [str(file) for file in files]


def test_only_what_exceeds_its_uncertainty_is_shown(two):
    done = CliRunner().invoke(app, ["compare", *two])
    assert done.exit_code == 0
    assert "yield in concentrate" in done.stdout
    assert "recovery of bronze in tailings" not in done.stdout
    assert "tilt (4°, then 5°)" in done.stdout


def test_every_difference_on_demand(two):
    done = CliRunner().invoke(app, ["compare", *two, "--all"])
    assert "recovery of bronze in tailings" in done.stdout


def test_a_run_beside_itself_shows_no_difference(two, tmp_path):
    copy = tmp_path / "copy.toml"
    copy.write_bytes(Path(two[0]).read_bytes())
    told = json.loads(CliRunner().invoke(app, ["compare", two[0], str(copy), "--json"]).stdout)
    assert [d["figure"] for p in told["pairs"] for d in p["differences"] if d["significant"]] == []
    assert told["tests"] > 10


def test_one_run_alone_is_no_comparison(two):
    done = CliRunner().invoke(app, ["compare", two[0], two[0]])
    assert done.exit_code == 64
    assert "two different" in done.stderr


def test_a_file_that_is_not_there(two):
    done = CliRunner().invoke(app, ["compare", two[0], "nowhere.toml"])
    assert done.exit_code == 66
