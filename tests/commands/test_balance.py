"""`tallydeck balance`: the page of the example, the ways out, and what becomes of bad files."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import Result
from typer.testing import CliRunner

from logger.balance import read
from logger.cli import app
from logger.commands import balance_page
from logger.commands.shared import decimals, figure

EXAMPLE = Path(__file__).parents[2] / "config" / "weigh-up.toml"
QUICK = ("--method", "linear")

TWO = """
components = ["bronze", "sand"]
[streams.feed]
net = "100 kg"
u = "0.1 kg"
dry = true
[streams.concentrate]
net = "10 kg"
u = "5 g"
dry = true
compositions = [{ assay = { bronze = "80 %" }, u = "1 %" }]
[streams.tailings]
net = "90 kg"
u = "50 g"
dry = true
compositions = [{ assay = { bronze = "1 %" }, u = "0.1 %" }]
"""


def run(*arguments: object) -> Result:
    return CliRunner(env={"NO_COLOR": "1"}).invoke(app, ["balance", *map(str, arguments)])


@pytest.fixture
def written(tmp_path: Path):
    """A weigh-up in a file, its balance printed."""

    def one(text: str, *more: str, name: str = "w.toml") -> Result:
        path = tmp_path / name
        path.write_text(text, "utf-8")
        return run(path, *more)

    return one


# ---------------------------------------------------------------------- the page


def test_the_page_of_the_example():
    """Yield is the product's mass in the feed's; recovery is the component's."""
    done = run(EXAMPLE, *QUICK)
    assert done.exit_code == 0, done.stderr
    lines = [line.rstrip() for line in done.stdout.splitlines()]
    assert lines[0] == "L-0412, floor sweepings: balance of run-1"
    heads = lines[2].split("  ")
    assert [head.strip() for head in heads if head.strip()] == [
        "weighed (kg)",
        "dry mass (kg)",
        "yield (%)",
        "bronze (%)",
        "recovery of bronze (%)",
    ]
    assert [line.split()[0] for line in lines[3:7]] == ["feed", "concentrate", "middlings", "tailings"]
    assert "29.655 ± 0.023  28.163 ± 0.022  7.525 ± 0.028  91.94 ± 0.46  hand-sorted" in lines[4]
    assert any(line.startswith("run-1: out / in, as measured: mass 99.8 (98.2 to 101.5) %") for line in lines)
    assert any(line.startswith("The figures agree (chi-square") for line in lines)
    assert any(line.startswith("Whether concentrate meets foundry-bronze can't be told") for line in lines)
    assert any(line.startswith("The worth of concentrate is 155.72 EUR") for line in lines)


def test_what_the_signs_mean_goes_to_stderr_and_figures_to_stdout():
    done = run(EXAMPLE, *QUICK)
    assert "± is a standard uncertainty" in done.stderr
    assert "± is a standard uncertainty" not in done.stdout
    assert "concentrate" not in done.stderr


@pytest.mark.parametrize("width", [80, 100, 120])
def test_a_table_is_never_wider_than_the_screen_nor_broken_inside(width, monkeypatch):
    monkeypatch.setattr(balance_page.out, "width", width)
    done = run(EXAMPLE, *QUICK)
    rows = [line for line in done.stdout.splitlines() if line.startswith(("concentrate ", "tailings "))]
    assert len(rows) % 2 == 0
    assert all(len(row.rstrip()) <= width for row in rows)
    assert all(head in done.stdout for head in ("bronze (%)", "slag (%)", "sand (%)", "dry mass (kg)"))
    assert "…" not in done.stdout


def test_pounds_are_shown_in_pounds(written):
    """8.818 lb are 4 kg."""
    done = written('units = "lb"\n' + TWO.replace('"10 kg"', '"4 kg"'), *QUICK)
    assert "weighed (lb)" in done.stdout
    assert "8.818 ± 0.011" in done.stdout


def test_names_are_never_markup(written):
    text = TWO.replace('"bronze"', '"[red]b[/red]"').replace("bronze =", '"[red]b[/red]" =')
    done = written(text.replace("streams.concentrate", 'streams."con[/]"'), *QUICK)
    assert done.exit_code == 0, done.stderr
    assert "recovery of [red]b[/red] (%)" in done.stdout
    assert "con[/]" in done.stdout


def test_what_is_exact_has_no_digits_of_nothing(written):
    done = written('[streams.feed]\nnet = "10 kg"\nu = 0\ndry = true\n[streams.a]\n', *QUICK)
    assert "10 exact" in done.stdout
    assert "0.000000" not in done.stdout


def test_a_note_that_is_so_of_several_streams_is_said_once(written):
    done = written('[streams.feed]\nnet = "10 kg"\n[streams.a]\nnet = "4 kg"\n[streams.b]\nnet = "6 kg"\n')
    assert done.stdout.count("is not known: anything from 0 to 15 %") == 1
    assert "the moisture of feed, a and b is not known" in done.stdout


def test_what_can_not_be_is_told_in_per_cent(written):
    """100 kg of 5 % hold less bronze than 10 kg of 80 %."""
    text = TWO.replace(
        "[streams.feed]", '[streams.feed]\ncompositions = [{assay = {bronze = "5 %"}, u = "0.1 %"}]'
    )
    done = written(text.partition("[streams.tailings]")[0] + "[streams.tailings]\n", *QUICK)
    assert "bronze in tailings comes out as -3.33 %, which can't be" in done.stdout
    assert "160.0 (152.6 to 167.4)" in done.stdout


def test_assays_alone_give_yields_and_recoveries(written):
    """Two-product formula: (8 - 1) / (90 - 1) = 7.865 %, times 90 / 8 = 88.5 %."""
    of = [("feed", "8 %"), ("concentrate", "90 %"), ("tailings", "1 %")]
    text = 'components = ["bronze"]\ncomplete = false\n' + "".join(
        f'[streams.{name}]\ncompositions = [{{ assay = {{ bronze = "{share}" }}, u = "0.1 %" }}]\n'
        for name, share in of
    )
    done = written(text, *QUICK)
    assert "the mass of feed, concentrate and tailings was not measured" in done.stdout
    assert "7.87 ± 0.15" in done.stdout
    assert "88.5 (" in done.stdout


def test_a_price_for_a_misspelt_component_is_told(written):
    price = (
        '[prices]\ncurrency = "EUR"\n[prices.products]\nconcentrate = { per_kg = 6, component = "bronse" }\n'
    )
    done = written(TWO + price, *QUICK)
    words = (
        'products.concentrate: there is no component "bronse"; there is bronze, sand; did you mean "bronze"?'
    )
    assert words in done.stdout


@pytest.mark.parametrize(
    ("u", "shown"),
    [(0.0234, "1.000 ± 0.023"), (0.00999, "1.000 ± 0.010"), (0.0996, "1.00 ± 0.10"), (0.0, "1.000 ± 0.000")],
)
def test_two_digits_of_the_uncertainty_are_shown_also_where_it_rounds_up(u, shown):
    assert figure(1.0, u) == shown


def test_what_rounds_to_nothing_has_no_sign():
    assert figure(-0.001, 0.5) == "0.00 ± 0.50"
    assert decimals(12.0) == 0


# ---------------------------------------------------------------------- other ways out


def test_json_is_the_result_and_nothing_else():
    done = run(EXAMPLE, *QUICK, "--json")
    told = json.loads(done.stdout)
    assert (done.stderr, told["mass_unit"], told["method"]) == ("", "kg", "linear")
    assert told["streams"]["concentrate"]["dry"]["value"] == pytest.approx(28.163, abs=5e-4)


def test_the_document_can_be_read_again():
    done = run(EXAMPLE, "--document")
    assert read(json.loads(done.stdout)).lot == "L-0412"
    assert done.stderr == ""


def test_draws_are_as_many_as_asked_for():
    done = run(EXAMPLE, "--method", "monte-carlo", "--draws", 2000)
    assert "as was asked for (2,000 draws)" in done.stdout


def test_grades_of_the_buyers_own(tmp_path: Path):
    own = tmp_path / "own.toml"
    own.write_text(
        '[foundry-bronze]\nsource = "buyer"\nseen = "2026"\nbasis = "dry"\nminimum = { bronze = "50 %" }\n'
    )
    done = run(EXAMPLE, *QUICK, "--grades", own)
    assert done.exit_code == 0, done.stderr
    assert "concentrate meets foundry-bronze: every limit is kept" in done.stdout


def test_grades_that_make_no_sense(tmp_path: Path):
    own = tmp_path / "own.toml"
    own.write_text("[g]\nmini = 3\n")
    done = run(EXAMPLE, *QUICK, "--grades", own)
    assert (done.exit_code, done.stdout) == (65, "")
    assert "own.toml can't be used:\n  g." in done.stderr


# ---------------------------------------------------------------------- bad input

PAIR = '[streams.feed]\nnet = "10 kg"\n[streams.a]\n'
BAD = {
    "a negative net": (
        '[streams.feed]\nnet = "-3 kg"',
        "streams.feed.net: found -3.0; allowed: at least 0; a net below zero: were gross and tare swapped",
    ),
    "a tare above the gross": (
        PAIR + 'containers = [{ gross = "1 kg", tare = "2 kg" }]',
        "streams.a.containers.0: the tare, 2 kg, is above the gross, 1 kg",
    ),
    "a grade over 100 %": (
        'components = ["b", "s"]\n' + PAIR + 'compositions = [{ assay = { b = "120 %" } }]',
        'streams.a.compositions.0.assay.b: found "120 %"; allowed: at most 100 %',
    ),
    "a percentage without its sign": (
        'components = ["b", "s"]\n' + PAIR + "compositions = [{ assay = { b = 92 } }]",
        'found 92; allowed: at most 1; a percentage is written "92 %"',
    ),
    "components that sum to more than all": (
        'components = ["b", "s"]\n'
        + PAIR
        + 'compositions = [{ assay = { b = "70 %", s = "45 %" }, u = "1 %" }]',
        "streams.a.compositions.0: the components sum to 115 %, more than everything; is one of them part",
    ),
    "one component that would be everything": (
        'components = ["b"]\n' + PAIR,
        'components: "b" alone would be 100 % of everything; name the rest too, or say "complete = false"',
    ),
    "no solids": (
        PAIR + 'moisture = { share = "100 %" }',
        "streams.a.moisture: a moisture of 100 % of the wet mass leaves no solids; is it on a dry basis?",
    ),
    "a moisture without its sign": (
        PAIR + "moisture = { share = 6 }",
        'a moisture of 600 % of the wet mass leaves no solids; is it on a dry basis, or was "6 %" meant?',
    ),
    "no streams": ('lot = "L-1"', 'streams: "streams" is missing: all that was weighed or assayed'),
    "a feed alone": ('[streams.feed]\nnet = "1 kg"', 'the only stream is "feed": name what came out of it'),
    "a stream no one knows": (
        PAIR + '[passes.p]\nfeed = ["feeed"]\nproducts = ["a"]',
        "pass p names feeed, which is not among the streams (feed, a)",
    ),
    "exact figures that contradict each other": (
        "[streams.feed]\nnet = 10\nu = 0\ndry = true\n[streams.a]\nnet = 7\nu = 0\ndry = true",
        "figures in it contradict each other and have no uncertainty; give them one, or correct them",
    ),
    "a field that is misspelt": (
        '[streams.feed]\nnett = "3 kg"',
        'streams.feed.nett: there is no "nett" here; allowed: net, u, scale, containers, dry, moisture, '
        'compositions, note; did you mean "net"?',
    ),
    "a misspelt field of a part in a list": (
        PAIR + 'containers = [{ gros = "1 kg", gross = "2 kg", tare = "1 kg" }]',
        'there is no "gros" here; allowed: container, gross, tare, scale; did you mean "gross"?',
    ),
    "a list instead of a table": ("streams = [1, 2]", "streams: found a list; allowed: an object"),
    "pounds and ounces": (
        '[streams.feed]\nnet = "22 lb 3 oz"',
        '"22 lb 3 oz" is not a quantity; write it in pounds alone: "22.1875 lb"',
    ),
    "a comma": ('[streams.feed]\nnet = "1,5 kg"', "write decimals after a point, and no commas"),
    "no number": (
        "[streams.feed]\nnet = nan\nu = inf",
        "streams.feed.net: found NaN; allowed: a finite number",
    ),
    "a density that no grain has": (
        'components = ["b", "s"]\n' + PAIR + "compositions = [{ counted = { b = 3 }, density = 99 }]",
        "streams.a.compositions.0.density: found 99; allowed: at most 25 or an object; give at most 25\n",
    ),
    "pounds that were typed without a unit": (
        'units = "lb"\n[streams.feed]\nnet = 22.5\n[streams.a]\nnet = "4 lb"',
        'streams.feed.net: 22.5 has no unit, and a number alone is kg; write "22.5 lb" (or "22.5 kg")',
    ),
}


@pytest.mark.parametrize("name", BAD)
def test_what_makes_no_sense_is_refused_in_words(name, written):
    text, words = BAD[name]
    done = written(text)
    assert (done.exit_code, done.stdout) == (65, "")
    assert "w.toml can't be " in done.stderr
    assert words in done.stderr


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("w.toml", "", "w.toml: it is empty"),
        ("w.toml", "[streams.feed\nnet=3", "w.toml can't be read as TOML: "),
        ("w.json", "{", "w.json can't be read as JSON: "),
        ("w.json", "[1, 2]", 'found a list; expected an object with named fields, such as "streams"'),
        ("w.json", "[" * 100_000, "w.json can't be read as JSON: "),
        ("w.json", '{"streams": {"feed": null}}', "streams.feed: found null; allowed: an object"),
        ("w.json", '{"streams": {"feed": {"net": NaN}}}', "streams.feed.net: found NaN"),
    ],
)
def test_what_is_no_weigh_up_at_all(name, text, words, written):
    done = written(text, name=name)
    assert (done.exit_code, done.stdout) == (65, "")
    assert words in done.stderr


def test_a_file_in_another_encoding(tmp_path: Path):
    path = tmp_path / "w.toml"
    path.write_bytes('lot = "Späne"'.encode("latin-1"))
    done = run(path)
    assert done.exit_code == 65
    assert "is no UTF-8; save the file as UTF-8" in done.stderr


def test_no_such_file(tmp_path: Path):
    done = run(tmp_path / "none.toml")
    assert (done.exit_code, done.stdout) == (66, "")
    assert "none.toml: No such file" in done.stderr


def test_a_directory_is_no_file(tmp_path: Path):
    assert run(tmp_path).exit_code == 66


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--method", "guess"), 'there is "auto", "linear" and "monte-carlo"'),
        (("--run", "run-1"), "give a file, or --run or --lot of the bay, not both"),
    ],
)
def test_what_can_not_be_asked(arguments, words):
    done = run(EXAMPLE, *arguments)
    assert (done.exit_code, done.stdout) == (64, "")
    assert words in done.stderr
