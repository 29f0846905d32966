"""What can be checked of the container files without a container engine."""

from __future__ import annotations

import re
import shlex
from pathlib import Path
from typing import Any

import pytest
import yaml
from typer.main import get_command

from logger.cli import app

ROOT = Path(__file__).parent.parent.parent
CONTAINER = ROOT / "deploy" / "container"
MADE_BY_HAND = {"bay.toml", "passwords", "broker-password"}


def instructions() -> list[tuple[str, str]]:
    lines = (CONTAINER / "Containerfile").read_text("utf-8").splitlines()
    return [
        (word, rest) for word, _, rest in (line.partition(" ") for line in lines if line and line[0] != "#")
    ]


def compose() -> dict[str, Any]:
    told = yaml.safe_load((CONTAINER / "compose.yaml").read_text("utf-8"))
    assert isinstance(told, dict)
    return told


def test_both_say_in_their_heads_that_they_were_not_run() -> None:
    for name in ("Containerfile", "compose.yaml"):
        assert "NOT RUN" in (CONTAINER / name).read_text("utf-8").split("\n\n")[0].split("\nservices")[0]


def test_all_that_is_copied_exists_and_the_build_needs_no_more() -> None:
    """The wheel's own parts, as `pyproject.toml` names them, are among what is copied."""
    copied = [part for word, rest in instructions() if word == "COPY" for part in rest.split()[:-1]]
    assert all((ROOT / path).exists() for path in copied)
    assert {"pyproject.toml", "README.md", "logger", "config"} <= set(copied)


def test_it_installs_as_the_service_does() -> None:
    """The options of pip are those of `service.sh`, which a test runs."""

    def installs(text: str) -> list[set[str]]:
        lines = re.findall(r"(?:\$pip|pip install) (.*--(?:require-hashes|no-deps).*)", text)
        return [
            set(shlex.split(line)) - {"--no-cache-dir", "--disable-pip-version-check", "-q"} for line in lines
        ]

    service = installs((ROOT / "deploy" / "service.sh").read_text("utf-8"))
    assert len(service) == 2
    assert installs((CONTAINER / "Containerfile").read_text("utf-8")) == service


def test_it_does_not_run_as_root_and_starts_a_command_that_there_is() -> None:
    told = dict(instructions())
    assert told["USER"] == "tallydeck"
    command = yaml.safe_load(told["ENTRYPOINT"]) + yaml.safe_load(told["CMD"])
    assert command[0] == "tallydeck"
    serve = get_command(app).commands[command[1]]  # type: ignore[attr-defined]
    assert {option for parameter in serve.params for option in parameter.opts} >= {command[2]}


def test_every_file_that_compose_names_exists_or_is_to_be_made_as_it_says() -> None:
    told = compose()
    sources = [
        volume.split(":")[0]
        for service in told["services"].values()
        for volume in service.get("volumes", [])
        if volume.startswith(".")
    ]
    sources += [secret["file"] for secret in told["secrets"].values()]
    sources.append(told["services"]["tallydeck"]["build"]["context"])
    missing = {Path(source).name for source in sources if not (CONTAINER / source).exists()}
    assert missing == MADE_BY_HAND
    head = (CONTAINER / "compose.yaml").read_text("utf-8").split("\nservices:")[0]
    assert all(name in head for name in MADE_BY_HAND)


def test_every_volume_is_declared_and_the_record_is_one() -> None:
    told = compose()
    named = {
        volume.split(":")[0]
        for service in told["services"].values()
        for volume in service.get("volumes", [])
        if volume[0] not in "./"
    }
    assert named == set(told["volumes"])
    record = next(rest for word, rest in instructions() if word == "VOLUME")
    assert f"record:{record}" in told["services"]["tallydeck"]["volumes"]


def test_the_store_is_told_what_the_service_s_file_tells_it() -> None:
    text = (ROOT / "deploy" / "store" / "victoria-metrics.default").read_text("utf-8")
    found = re.search(r'^ARGS="(.*)"$', text, re.MULTILINE)
    assert found is not None
    assert compose()["services"]["store"]["command"] == found[1].split()


@pytest.mark.parametrize("name", ["tallydeck", "broker", "store"])
def test_no_container_has_more_than_it_needs(name: str) -> None:
    service = compose()["services"][name]
    assert not service.get("privileged")
    assert "cap_add" not in service
