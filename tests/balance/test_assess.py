"""All of selling in one call, from a document and its balance."""

from __future__ import annotations

import json

import pytest

from logger.balance.assess import assess, sample_of
from logger.balance.document import Composition, Stream, WeighUp
from logger.balance.faults import WeighUpError, read
from logger.balance.grades import read_grades
from logger.balance.result import PassOf, Result, StreamOf
from tests.balance.joints import COMPONENTS, STREAMS, lot

GRADES = read_grades(
    {
        "clean": {
            "source": "an example",
            "seen": "invented",
            "minimum": {"bronze": "90 %"},
            "moisture": "6 %",
        },
        "copper": {"source": "an example", "seen": "invented", "minimum": {"Cu": "80 %"}},
    }
)


def result():
    role = {"feed": "feed"}
    streams = {s: StreamOf(s, role.get(s, "product"), None, None, None, None, None, {}) for s in STREAMS}
    one = PassOf("first", ("feed",), STREAMS[1:], None, {}, {}, {}, {}, {}, {})
    return Result("L", "", "kg", "bronze", streams, {"first": one}, None, "linear", "", 0, ())


def document(**more):
    return WeighUp(components=COMPONENTS, streams={s: Stream() for s in STREAMS}, **more)


def test_sales_contents_and_prices_of_a_document_are_all_answered():
    said = document(
        sales={"concentrate": {"grade": "copper"}, "middlings": {"grade": "clean"}},
        contents={"bronze": {"Cu": "88 %", "Sn": "12 %"}, "sand": {"SiO2": "100 %"}},
        prices={
            "currency": "EUR",
            "products": {"concentrate": {"per_kg": 4.0}},
            "passes": {"first": {"per_hour": 10.0, "hours": 1.5}},
            "again": {"middlings": {"sold_as": "concentrate", "cost": {"per_hour": 10.0, "hours": 0.5}}},
        },
    )
    found = assess(said, result(), lot(), GRADES)
    assert {name: str(one.verdict) for name, one in found.verdicts.items()} == {
        "concentrate": "meets",
        "middlings": "fails",
    }
    assert found.worth.total.estimate.value == pytest.approx(4.0 * 20.0 / 0.95 - 15.0)
    assert set(found.worth.lost) == {"middlings", "tailings"}
    assert found.again["middlings"].verdict == "pays"
    assert json.loads(json.dumps(found.to_json())) == found.to_json()


def test_names_that_are_not_there_are_told_with_what_may_have_been_meant():
    said = document(
        sales={"concentrat": {"grade": "clean"}, "middlings": {"grade": "clear"}},
        contents={"brass": {"Cu": "60 %"}},
    )
    found = assess(said, result(), lot(), GRADES)
    assert found.verdicts == {}
    assert 'did you mean "concentrate"?' in found.notes[0]
    assert 'did you mean "clean"?' in found.notes[1]
    assert 'no component "brass"' in found.notes[2]


def test_a_document_that_asks_nothing_of_selling_gets_no_answer():
    found = assess(document(), result(), lot(), GRADES)
    assert (found.verdicts, found.worth, found.again, found.notes) == ({}, None, {}, ())


def test_contents_of_more_than_everything_are_a_fault_of_the_document():
    with pytest.raises(WeighUpError, match=r"contents\.bronze: what it consists of sums to 110 %"):
        read({"streams": {"feed": {}, "tailings": {}}, "contents": {"bronze": {"Cu": "90 %", "Sn": "20 %"}}})


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        ([{"counted": {"bronze": 80, "sand": 20}}], (100.0, "pieces")),
        ([{"sorted": {"bronze": "80 g", "sand": "20 g"}}], (0.1, "kg")),
        ([{"assay": {"bronze": 0.8}}, {"assay": {"bronze": 0.82}}], (2.0, "assays")),
    ],
)
def test_what_a_grade_rests_on_is_counted(said, expected):
    stream = Stream(compositions=tuple(Composition(**one) for one in said))
    found = sample_of("concentrate", stream)
    assert (found.amount, found.unit) == (pytest.approx(expected[0]), expected[1])


def test_an_expectation_is_no_sample():
    assert sample_of("x", Stream(compositions=(Composition(expected={"bronze": 0.8}),))) is None
