"""What is said of every kind of fault: ``faults.txt`` holds a file, then what the person reads about it."""

from __future__ import annotations

from pathlib import Path

import pytest

from logger.settings import SettingsError, load, loads

ENV = {
    "HOME": "/home/bay",
    "SHORT_TOKEN": "hush",
    "THREE_DIGITS": "471",
    "FOUR_DIGITS": "2222",
    "SIX_DIGITS": "471108",
    "MANY_DIGITS": "1234567890123",
}


def _cases() -> list[tuple[str, str, str]]:
    golden = Path(__file__).with_name("faults.txt").read_text("utf-8")
    cases = []
    for block in golden.split("\n=== "):
        name, _, rest = block.removeprefix("=== ").partition("\n")
        text, _, said = rest.partition("---\n")
        cases.append((name, text, said.rstrip("\n")))
    return cases


CASES = _cases()


def test_no_two_cases_have_one_name() -> None:
    names = [name for name, _, _ in CASES]
    assert len(set(names)) == len(names) > 100


@pytest.mark.parametrize(("text", "said"), [pytest.param(t, s, id=n) for n, t, s in CASES])
def test_a_fault_is_told_with_place_finding_and_remedy(text: str, said: str) -> None:
    with pytest.raises(SettingsError) as caught:
        loads(text, "bay.toml", ENV)
    assert str(caught.value) == said


@pytest.mark.parametrize(("text"), [pytest.param(t, id=n) for n, t, _ in CASES])
def test_no_message_holds_a_secret(text: str) -> None:
    with pytest.raises(SettingsError) as caught:
        loads(text, "bay.toml", ENV)
    assert "do-not-show" not in f"{caught.value} {caught.value!r}"


def test_each_problem_can_be_had_by_its_parts() -> None:
    with pytest.raises(SettingsError) as caught:
        loads('[stations.t]\nresolution = 5\noutlets = ["a"]\n', env=ENV)
    (problem,) = caught.value.problems
    assert (problem.place, problem.line, problem.found) == ("stations.t.resolution", 2, "5")
    assert (problem.allowed, problem.remedy) == (
        "a number and its unit, in quotes, 1 mg to 100 kg",
        'write it like "5 g"',
    )


def test_faults_of_different_kinds_are_told_in_the_order_of_the_file() -> None:
    text = next(text for name, text, _ in CASES if name == "many at once")
    with pytest.raises(SettingsError) as caught:
        loads(text, env=ENV)
    lines = [problem.line for problem in caught.value.problems]
    assert lines == sorted(lines, key=lambda line: line or 0)
    assert len(lines) == 13


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (None, "no file to read (No such file or directory)"),
        (b"[bay]\nname = '\xff'\n", ":2: found bytes that are not UTF-8 text"),
    ],
)
def test_a_file_that_is_no_text_is_told(content: bytes | None, said: str, tmp_path: Path) -> None:
    path = tmp_path / "bay.toml"
    for data in filter(None, [content]):
        path.write_bytes(data)
    with pytest.raises(SettingsError) as caught:
        load(path, ENV)
    assert str(caught.value).startswith(str(path))
    assert said in str(caught.value)


def test_a_folder_or_an_impossible_name_is_told(tmp_path: Path) -> None:
    for path in (tmp_path, Path("a\0b")):
        with pytest.raises(SettingsError, match="no file to read"):
            load(path, ENV)


@pytest.mark.parametrize("text", ["a = " + "9" * 5000, "a = " + "[" * 5000, "[bay]\nname = 0x" + "f" * 5000])
def test_numbers_and_lists_that_choke_the_reader_are_told(text: str) -> None:
    with pytest.raises(SettingsError):
        loads(text, env=ENV)
