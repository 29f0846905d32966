"""A weigh-up from beginning to end, by the example that ships."""

import json
import tomllib
from pathlib import Path

import pytest

from logger.balance import How, WeighUpError, read, weigh_up
from logger.balance.grades import Grade

EXAMPLE = Path(__file__).parents[2] / "config" / "weigh-up.toml"


def example():
    return tomllib.loads(EXAMPLE.read_text())


def recoveries(result, component):
    return {n: s.components[component].recovery for n, s in result.streams.items() if s.role == "product"}


def test_the_example_closes_and_its_recoveries_sum_to_one():
    result = weigh_up(read(example()), method="linear")
    products = [s for s in result.streams.values() if s.role == "product"]
    assert sum(p.dry.value for p in products) == pytest.approx(result.streams["feed"].dry.value, rel=1e-12)
    for component in ("bronze", "slag", "sand"):
        found = recoveries(result, component).values()
        assert sum(each.value for each in found) == pytest.approx(1.0, abs=1e-12)
    assert result.tests.passed


def test_pounds_change_nothing():
    """The same weigh-up with its masses in pounds gives the same figures."""

    def in_pounds(value):
        if isinstance(value, dict):
            return {k: in_pounds(v) for k, v in value.items()}
        if isinstance(value, list):
            return [in_pounds(v) for v in value]
        if isinstance(value, str) and value.endswith(" kg"):
            return f"{float(value[:-3]) / 0.45359237:.11f} lb"
        return value

    ours, theirs = (weigh_up(read(d), method="linear") for d in (example(), in_pounds(example())))
    for name, recovery in recoveries(ours, "bronze").items():
        other = recoveries(theirs, "bronze")[name]
        assert (recovery.value, recovery.u) == pytest.approx((other.value, other.u), rel=1e-7)


def test_a_stream_of_no_mass_changes_nothing():
    data = example()
    data["streams"]["spill"] = {"net": 0.0, "u": 0.0, "dry": True}
    data["passes"]["run-1"]["products"].append("spill")
    ours, theirs = weigh_up(read(example()), method="linear"), weigh_up(read(data), method="linear")
    for name, recovery in recoveries(ours, "bronze").items():
        assert recovery.value == pytest.approx(recoveries(theirs, "bronze")[name].value, rel=1e-9)


def test_draws_and_linear_propagation_agree_where_figures_are_many():
    data = example()
    for stream in ("concentrate", "middlings", "tailings"):
        data["streams"][stream]["compositions"] = [
            {"assay": {"bronze": 0.3, "slag": 0.3, "sand": 0.4}, "u": 0.003}
        ]
    linear = recoveries(weigh_up(read(data), method="linear"), "bronze")
    drawn = recoveries(weigh_up(read(data), method="monte-carlo", draws=40_000), "bronze")
    for name, one in linear.items():
        assert drawn[name].u == pytest.approx(one.u, rel=0.03)
        assert drawn[name].low == pytest.approx(one.low, abs=0.06 * one.u)


def test_few_counts_are_drawn_and_the_reason_is_said():
    """Four pieces of bronze among a thousand: the interval is lopsided, and does not reach below zero."""
    result = weigh_up(read(example()), draws=20_000)
    lost = recoveries(result, "bronze")["tailings"]
    assert result.method == "monte-carlo"
    assert "draws" in result.why
    assert lost.low > 0.0
    assert lost.high - lost.value > 1.3 * (lost.value - lost.low)


def test_the_same_weigh_up_gives_the_same_figures_to_the_last_digit():
    first, second = (weigh_up(read(example()), draws=5000).to_json() for _ in range(2))
    assert json.dumps(first) == json.dumps(second)


def test_an_expectation_is_used_only_where_a_figure_would_be_missing_and_marks_all_that_rests_on_it():
    data = example()
    del data["streams"]["tailings"]["compositions"]
    missing = weigh_up(read(data), method="linear")
    assert missing.streams["tailings"].components["bronze"].grade is None
    assert any("tailings" in note and "not measured" in note for note in missing.notes)
    expected = {"expected": {"bronze": 0.004, "slag": 0.26, "sand": 0.736}, "u": 0.002}
    data["streams"]["tailings"]["compositions"] = [expected]
    result = weigh_up(read(data), method="linear")
    assert recoveries(result, "bronze")["concentrate"].how is How.ESTIMATED
    data = example()
    data["streams"]["tailings"]["compositions"].append(expected)
    both, alone = weigh_up(read(data), method="linear"), weigh_up(read(example()), method="linear")
    for name, one in recoveries(alone, "bronze").items():
        other = recoveries(both, "bronze")[name]
        assert (other.value, other.u, other.how) == (one.value, pytest.approx(one.u, rel=1e-12), one.how)


def test_a_moisture_that_nobody_measured_widens_what_rests_on_it_and_is_said():
    data = example()
    del data["streams"]["tailings"]["moisture"]
    known, unknown = (weigh_up(read(d), method="linear") for d in (example(), data))
    assert unknown.streams["tailings"].measured.u > 3 * known.streams["tailings"].measured.u
    assert unknown.streams["tailings"].measured.how is How.ESTIMATED
    assert any("moisture of tailings" in note for note in unknown.notes)


def test_a_missing_product_mass_is_solved_for():
    data = example()
    del data["streams"]["tailings"]["net"], data["streams"]["tailings"]["u"]
    result = weigh_up(read(data), method="linear")
    assert result.streams["tailings"].dry.how is How.SOLVED
    assert result.streams["tailings"].measured is None
    assert recoveries(result, "bronze")["concentrate"] is not None


def test_every_fault_is_told_at_once():
    data = example()
    data["streams"]["feed"]["scale"] = "flor"
    data["streams"]["middlings"]["compositions"][0]["sorted"]["brass"] = "2 g"
    data["streams"]["tailings"]["scale"] = "attic"
    with pytest.raises(WeighUpError) as caught:
        read(data)
    assert len(caught.value.faults) == 3
    assert 'did you mean "floor"?' in str(caught.value)


def test_the_result_is_plain_json():
    told = weigh_up(read(example()), method="linear").to_json()
    assert json.loads(json.dumps(told, allow_nan=False)) == told
    assert told["streams"]["concentrate"]["components"]["bronze"]["recovery"]["how"] == "calculated"


def test_the_budget_names_what_to_measure_better():
    """The contributions of a figure sum to at most one, the greatest first."""
    budget = weigh_up(read(example()), method="linear").budgets["recovery of bronze in tailings"]
    shares = [each.share for each in budget]
    assert shares == sorted(shares, reverse=True)
    assert 0.9 < sum(shares) <= 1.0 + 1e-9
    assert "tailings" in budget[0].input


def counted_products(masses_kg):
    """Two products, weighed and counted, and a feed that follows: nothing checks anything."""
    kinds = {"bronze": 8.8, "slag": 3.2, "sand": 2.65}
    counts = {"concentrate": (404, 143, 53), "tailings": (2, 181, 417)}
    return {
        "components": list(kinds),
        "streams": {
            "feed": {},
            **{
                name: {
                    "net": kg,
                    "u": 0.01,
                    "dry": True,
                    "compositions": [{"counted": dict(zip(kinds, found, strict=True)), "density": kinds}],
                }
                for (name, found), kg in zip(counts.items(), masses_kg, strict=True)
            },
        },
    }


def test_grades_that_sum_to_one_by_themselves_are_not_taken_for_a_contradiction():
    """What is left of 1 - their sum is rounding and must not be weighed against itself."""
    for k in range(40):
        result = weigh_up(read(counted_products((14.0 + 0.37 * k, 76.0 + 0.11 * k))), method="linear")
        assert result.tests is None
        assert 0.93 < result.streams["concentrate"].components["bronze"].recovery.value < 1.0


def test_samples_alone_whose_parts_sum_to_one_are_no_equations():
    """Three products sorted, feed and a fourth product not: nothing checks the sorts, and nothing moves."""
    data = example()
    data["streams"]["spill"] = {}
    data["passes"]["run-1"]["products"].append("spill")
    result = weigh_up(read(data), method="linear")
    for name in ("concentrate", "middlings", "tailings"):
        for one in result.streams[name].components.values():
            assert one.grade.value == pytest.approx(one.measured.value, rel=1e-9)
    assert result.tests is None


def test_what_the_feed_held_follows_from_its_products_before_it_is_taken_as_expected():
    data = example()
    del data["streams"]["tailings"]["compositions"]
    expected = {"expected": {"bronze": 0.004, "slag": 0.26, "sand": 0.736}, "u": 0.002}
    data["streams"]["tailings"]["compositions"] = [expected]
    alone = weigh_up(read(data), method="linear")
    hoped = {"expected": {"bronze": 0.5, "slag": 0.3, "sand": 0.2}, "u": 0.01}
    data["streams"]["feed"]["compositions"] = [hoped]
    both = weigh_up(read(data), method="linear")
    for name, one in recoveries(alone, "bronze").items():
        assert recoveries(both, "bronze")[name].value == pytest.approx(one.value, rel=1e-12)


@pytest.mark.parametrize(("most", "verdict"), [(2.0, "can't tell"), (3.5, "meets")])
def test_a_product_in_which_nothing_was_found_meets_no_limit_that_it_would_often_just_fail(most, verdict):
    """Where 2 grains are expected, none is found in e^-2 = 14 % of cases; where 3.5 are, in 3 %."""
    data = counted_products((14.0, 76.0))
    data["streams"]["concentrate"]["compositions"][0]["counted"] = {"bronze": 480, "slag": 120, "sand": 0}
    data["sales"] = {"concentrate": {"grade": "clean"}}
    sand = most * 2.65 / (480 * 8.8 + 120 * 3.2)
    clean = Grade(source="made for the test", seen="invented", maximum={"sand": sand})
    result = weigh_up(read(data), grades={"clean": clean}, method="monte-carlo", draws=20_000)
    assert result.sale.verdicts["concentrate"].verdict == verdict


def test_few_grains_of_a_component_that_is_not_wanted_call_for_draws_too():
    data = counted_products((14.0, 76.0))
    for name, found in (("concentrate", (4800, 1200, 1)), ("tailings", (900, 2000, 3100))):
        data["streams"][name]["compositions"][0]["counted"] = dict(
            zip(("bronze", "slag", "sand"), found, strict=True)
        )
    result = weigh_up(read(data), draws=10_000)
    assert result.method == "monte-carlo"
    assert "of sand in concentrate" in result.why


@pytest.mark.parametrize(
    ("check", "at", "said"),
    [
        ({"shown": "20.05 kg"}, None, "its last check failed"),
        ({"shown": "20 kg", "at": "2026-01-02T08:00:00Z"}, "2026-05-02T08:00:00Z", "120 days ago"),
    ],
)
def test_a_scale_whose_last_check_failed_or_is_old_is_told_of(check, at, said):
    data = example() | ({} if at is None else {"at": at})
    data["scales"]["bench"]["checks"] = [{"nominal": "20 kg"} | check]
    notes = weigh_up(read(data), method="linear").notes
    assert [note for note in notes if note.startswith('scale "bench"') and said in note]


def test_a_check_soon_after_the_weighing_is_as_good_as_one_before():
    data = example() | {"at": "2026-05-02T08:00:00Z"}
    data["scales"]["bench"]["checks"] = [{"nominal": "20 kg", "shown": "20 kg", "at": "2026-05-09T08:00:00Z"}]
    assert not [n for n in weigh_up(read(data), method="linear").notes if "last check" in n]
