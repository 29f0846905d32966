"""Grades and verdicts: what is missing is said, contents are taken into account, nothing is guessed."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from logger.balance.conformity import Sample
from logger.balance.grades import Grade, GradeError, read_grades
from logger.balance.inputs import Input
from logger.balance.selling import Content
from logger.balance.verdict import judge
from tests.balance.joints import lot, product

SAID = {"source": "an example", "seen": "invented"}
BRONZE = {"Cu": Content(share=0.88, u=0.005), "Sn": Content(share=0.12, u=0.005)}
SAND = {"SiO2": Content(share=1.0)}


def of(**limits):
    return Grade(**SAID, **limits)


def test_a_grade_on_a_component_is_judged_by_it():
    judged = judge("x", of(minimum={"bronze": 0.92}), "concentrate", lot())
    assert (judged.verdict, judged.limits[0].value.value) == ("meets", 0.96)


def test_what_was_not_measured_is_missing_and_not_guessed():
    judged = judge("x", of(minimum={"Cu": 0.8}), "concentrate", lot())
    assert judged.verdict == "can't tell"
    assert "how much Cu there is in concentrate" in judged.missing[0]


def test_copper_follows_from_the_bronze_and_what_it_consists_of():
    """u² of 0.96 ± 0.01 times 0.88 ± 0.005 (the product rule, by `uncertainties`)."""
    judged = judge(
        "x", of(minimum={"Cu": 0.8}), "concentrate", lot(), contents={"bronze": BRONZE, "sand": SAND}
    )
    found = judged.limits[0].value
    expected = ufloat(0.96, 0.01) * ufloat(0.88, 0.005)
    assert (found.value, found.u) == pytest.approx((expected.n, expected.s), rel=1e-9)
    assert judged.verdict == "meets"


def test_sand_of_unknown_contents_could_be_copper():
    """Cu 0.8448 from bronze, at most 0.8848: a maximum of 0.87 is open, one of 0.95 is kept."""
    found = [
        judge("x", of(maximum={"Cu": limit}), "concentrate", lot(u_grade=0.001), contents={"bronze": BRONZE})
        for limit in (0.87, 0.95)
    ]
    assert [one.verdict for one in found] == ["can't tell", "meets"]
    assert found[0].missing == ("what sand consists of (its contents)",)


def test_a_minimum_kept_without_what_is_unknown_is_kept():
    judged = judge("x", of(minimum={"Cu": 0.7}), "concentrate", lot(), contents={"bronze": BRONZE})
    assert judged.verdict == "meets"


def test_each_other_component_is_held_against_its_limit():
    judged = judge("x", of(minimum={"bronze": 0.5}, each_other=0.02), "concentrate", lot(u_grade=0.001))
    assert [(one.of, str(one.verdict)) for one in judged.limits] == [("bronze", "meets"), ("sand", "fails")]


def test_bronze_is_no_impurity_of_a_grade_of_elements():
    """Without contents it could be copper: can't tell, rather than fails."""
    judged = judge("x", of(minimum={"Cu": 0.9}, others=0.0075), "concentrate", lot())
    assert [str(one.verdict) for one in judged.limits] == ["can't tell", "can't tell"]


def test_a_component_that_was_not_looked_for_is_not_known_to_be_absent():
    judged = judge("x", of(minimum={"bronze": 0.9}, maximum={"slag": 0.04}), "concentrate", lot())
    assert [str(one.verdict) for one in judged.limits] == ["meets", "can't tell"]
    assert "how much slag there is in concentrate" in judged.missing[0]


@pytest.mark.parametrize(("least", "expected"), [(0.06, "fails"), (0.03, "can't tell")])
def test_an_element_that_only_the_unknown_rest_could_hold(least, expected):
    """Lead: none in the bronze, at most the 4 % of sand."""
    judged = judge(
        "x", of(minimum={"Pb": least}), "concentrate", lot(u_grade=0.001), contents={"bronze": BRONZE}
    )
    assert judged.verdict == expected


def test_elements_aside_do_not_count_as_others():
    joint = product(
        {"Cu": (0.8, 0.0), "Sn": (0.07, 0.0), "Pb": (0.08, 0.0), "Zn": (0.045, 0.0), "Fe": (0.005, 0.0)}
    )
    grade = of(minimum={"Cu": 0.75, "Sn": 0.06, "Pb": 0.06}, others=0.0075, aside=("Zn",))
    judged = judge("x", grade, "nodules", joint)
    assert judged.limits[-1].value.value == pytest.approx(0.005)
    assert judged.verdict == "meets"


def test_an_estimate_is_no_ground_for_a_verdict():
    joint = product({"Cu": (0.9, 0.0)}, water=Input("moisture", 0.01, 0.001, estimated=True))
    judged = judge("x", of(moisture=0.03), "nodules", joint)
    assert judged.verdict == "can't tell"
    assert "going by the estimate, it would meet" in judged.limits[0].says


@pytest.mark.parametrize(("most", "expected"), [(0.06, "meets"), (0.04, "fails"), (0.05, "can't tell")])
def test_moisture_is_judged_on_the_wet_mass(most, expected):
    assert judge("x", of(moisture=most), "concentrate", lot()).verdict == expected


def test_moisture_that_was_not_measured_is_missing():
    judged = judge("x", of(moisture=0.05), "concentrate", lot(moisture=None))
    assert judged.missing == ("the moisture of concentrate",)


def test_a_grade_of_the_wet_mass_takes_the_water_in():
    judged = judge("x", of(minimum={"bronze": 0.9}, basis="wet"), "concentrate", lot())
    assert judged.limits[0].value.value == pytest.approx(0.96 * 0.95)


@pytest.mark.parametrize(
    ("answers", "expected"), [({}, "can't tell"), ({"dried": True}, "meets"), ({"dried": False}, "fails")]
)
def test_a_condition_is_for_a_person_to_answer(answers, expected):
    judged = judge("x", of(conditions={"dried": "Was it dried?"}), "concentrate", lot(), answers=answers)
    assert judged.verdict == expected


def test_more_sample_is_named_where_the_sample_leaves_it_open():
    sample = Sample(0.2, "kg", ("grade of concentrate",))
    judged = judge("x", of(minimum={"bronze": 0.95}), "concentrate", lot(), sample=sample)
    found = judged.limits[0].settled
    assert found.amount == pytest.approx(0.2 * 1.6448536**2, rel=0.01)
    assert "541 g of hand-sorted sample in all (now 200 g)" in found.says


def test_draws_give_the_verdict_that_linear_propagation_gives_where_it_is_good():
    grade = of(minimum={"bronze": 0.95})
    found = [judge("x", grade, "concentrate", one).limits[0].chance for one in (lot(), lot(draws=50_000))]
    assert found[0] == pytest.approx(found[1], abs=0.02)


def test_the_contract_wins_and_the_source_is_told():
    judged = judge("x", of(moisture=0.05), "concentrate", lot())
    assert "contract and local rules win" in judged.notes[0]
    assert "an example (invented)" in judged.notes[2]


def test_a_verdict_is_plain_json():
    told = judge("x", of(minimum={"bronze": 0.95}, moisture=0.05), "concentrate", lot()).to_json()
    assert json.loads(json.dumps(told)) == told
    assert told["limits"][0]["verdict"] == "can't tell"


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ({"minimum": {"Cu": "970 %"}}, "g.minimum.Cu"),
        ({"minimum": {"Cu": "97 %"}, "maximum": {"Cu": "90 %"}}, "can't both be kept"),
        ({}, "asks for nothing"),
        ({"minimum": {"Cu": "97 %"}, "moistur": "3 %"}, "moistur: a grade has no such field"),
        ({"minimum": {"Cu": "60 %", "Sn": "50 %"}}, "more than everything"),
        ({"minimum": {"Cu": "60 %"}, "aside": ["Cu"]}, "choose one"),
    ],
)
def test_a_grade_that_makes_no_sense_says_why(table, words):
    with pytest.raises(GradeError, match="g") as caught:
        read_grades({"g": SAID | table})
    assert words in str(caught.value)


def test_a_grade_without_a_source_is_refused():
    with pytest.raises(GradeError, match='"source" is missing'):
        read_grades({"g": {"seen": "invented", "moisture": "3 %"}})


def test_contents_of_more_than_everything_are_refused():
    contents = {"bronze": {"Cu": Content(share=0.9), "Sn": Content(share=0.2)}}
    with pytest.raises(GradeError, match="sums to 110 %"):
        judge("x", of(minimum={"Cu": 0.5}), "concentrate", lot(), contents=contents)


PARTS = st.lists(st.floats(0.01, 1.0), min_size=3, max_size=3).map(
    lambda many: [one / sum(many) for one in many]
)


@given(PARTS, PARTS, PARTS, st.booleans(), st.booleans())
def test_whatever_the_unknown_contents_are_the_truth_lies_between_the_ends(
    grades, of_a, of_b, knows_rest, knows_b
):
    """Lots of a, b and Cu; of a and b copper, tin and zinc are the truth, told in part."""
    names = ("Cu", "Sn", "Zn")
    joint = product(dict(zip(("a", "b", "Cu"), ((g, 0.0) for g in grades), strict=True)))
    told = {
        "a": dict(list(zip(names, (Content(share=s) for s in of_a), strict=True))[: 3 if knows_rest else 2])
    }
    if knows_b:
        told["b"] = dict(zip(names, (Content(share=s) for s in of_b), strict=True))
    truth = grades[2] + grades[0] * of_a[0] + grades[1] * of_b[0]
    judged = judge("x", of(minimum={"Cu": 0.5}), "nodules", joint, contents=told).limits[0]
    assert judged.value.value - 1e-9 <= truth <= judged.highest.value + 1e-9
    assert not (judged.verdict == "meets" and truth < 0.5 - 1e-9)
    assert not (judged.verdict == "fails" and truth > 0.5 + 1e-9)
