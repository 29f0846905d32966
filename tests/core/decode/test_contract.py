"""What every decoder promises, whatever it speaks."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.core.decode.contract import Decoder
from logger.core.entries import Garbage, Reading

from .dialects import DIALECTS, Dialect, usable_values, wire_form

pytestmark = pytest.mark.parametrize("dialect", DIALECTS, ids=lambda dialect: dialect.name)
quick = settings(max_examples=60, deadline=None)


def feed_all(decoder: Decoder, chunks: list[bytes]) -> list[Reading | Garbage]:
    return [item for chunk in chunks for item in decoder.feed(chunk, 7)]


def cut(data: bytes, places: list[int]) -> list[bytes]:
    """The data in chunks, cut at these places."""
    edges = [0, *sorted(place % (len(data) + 1) for place in places), len(data)]
    return [data[a:b] for a, b in pairwise(edges)]


def hostile(dialect: Dialect) -> st.SearchStrategy[bytes]:
    """Samples, whole and mutilated, among bytes that mean something to the dialect and bytes that don't."""
    letters = sorted(set(b"".join(dialect.samples)))
    piece = st.one_of(
        st.sampled_from(dialect.samples),
        st.sampled_from(dialect.samples).flatmap(
            lambda sample: st.integers(0, len(sample) - 1).map(lambda at: sample[:at] + sample[at + 1 :])
        ),
        st.lists(st.sampled_from(letters), max_size=30).map(bytes),
        st.binary(max_size=30),
        st.integers(1, 400).map(lambda size: b" " * size),
    )
    return st.lists(piece, max_size=12).map(b"".join)


@quick
@given(data=st.data())
def test_bytes_are_conserved_and_the_buffer_is_bounded(dialect: Dialect, data: st.DataObject) -> None:
    """Whatever comes in, nothing is raised, and outputs and pending together are what came in."""
    wire = data.draw(hostile(dialect))
    decoder = dialect.make()
    seen = b""
    for chunk in cut(wire, data.draw(st.lists(st.integers(0, 5000), max_size=8))):
        seen += b"".join(wire_form(decoder, item) for item in decoder.feed(chunk, 7))
        assert len(decoder.pending) < dialect.bound
    assert seen + decoder.pending == wire


@quick
@given(data=st.data())
def test_how_the_bytes_are_cut_does_not_matter(dialect: Dialect, data: st.DataObject) -> None:
    wire = data.draw(hostile(dialect))
    whole, bytewise = dialect.make(), dialect.make()
    assert feed_all(whole, [wire]) == feed_all(bytewise, [bytes([byte]) for byte in wire])
    assert whole.pending == bytewise.pending


def test_each_sample_is_one_reading(dialect: Dialect) -> None:
    for sample in dialect.samples:
        items = dialect.in_step().feed(sample, 7)
        assert [type(item) for item in items] == [Reading], sample
        assert (items[0].at_ns, items[0].channel) == (7, "scale")


def test_each_sample_byte_by_byte_comes_out_with_its_last_byte(dialect: Dialect) -> None:
    for sample in dialect.samples:
        decoder = dialect.in_step()
        assert feed_all(decoder, [bytes([byte]) for byte in sample[:-1]]) == []
        assert decoder.pending == sample[:-1]
        assert decoder.feed(sample[-1:], 7) == dialect.in_step().feed(sample, 7)


def test_what_trails_a_sample_stays_pending(dialect: Dialect) -> None:
    for sample in dialect.samples:
        decoder = dialect.in_step()
        assert decoder.feed(sample + sample[:5], 7) == dialect.in_step().feed(sample, 7)
        assert decoder.pending == sample[:5]


def test_a_spoiled_byte_costs_its_own_sample_and_at_most_the_next(dialect: Dialect) -> None:
    """Samples before it and two after it come out as ever; the spoiled one is never a usable reading."""
    first = dialect.samples[0]
    for sample in dialect.samples:
        for at in range(len(sample)):
            decoder = dialect.in_step()
            spoiled = sample[:at] + bytes([sample[at] | 0x80]) + sample[at + 1 :]
            good = decoder.feed(first, 7)
            items = decoder.feed(spoiled + first + first, 7)
            assert items[-1] == good[0], (sample, at)
            assert sum(isinstance(item, Reading) for item in items) <= 2, (sample, at)


def test_a_break_gives_up_what_was_pending(dialect: Dialect) -> None:
    decoder = dialect.in_step()
    decoder.feed(dialect.samples[0][:5], 7)
    assert decoder.reset(9) == [Garbage(9, "scale", dialect.samples[0][:5], "cut-off")]
    assert decoder.pending == b""
    assert decoder.reset(9) == []


def test_a_break_costs_at_most_one_sample(dialect: Dialect) -> None:
    for size in range(len(dialect.samples[0])):
        decoder = dialect.in_step()
        decoder.feed(dialect.samples[0][:size], 7)
        decoder.reset(8)
        items = decoder.feed(dialect.samples[0] * 2, 9)
        assert items[-1] == dialect.in_step().feed(dialect.samples[0], 9)[0]


def test_the_rest_of_a_sample_that_was_cut_is_never_another_weight(dialect: Dialect) -> None:
    """A remainder after a time-out may look like a smaller weight."""
    for sample in dialect.samples:
        value = usable_values(dialect.in_step().feed(sample, 7))
        for at in range(1, len(sample)):
            decoder = dialect.in_step()
            decoder.feed(sample[:at], 7)
            decoder.reset(8)
            assert usable_values(decoder.feed(sample[at:], 9)) <= value, (sample, at)


@quick
@given(data=st.data())
def test_what_is_encoded_is_decoded_to_the_same_fields(dialect: Dialect, data: st.DataObject) -> None:
    reading = Reading(
        7,
        "scale",
        data.draw(st.integers(-9998, 9998)),
        data.draw(st.integers(-3, 0)),
        data.draw(st.sampled_from(dialect.units)),
        data.draw(st.sampled_from(dialect.stables)),
        data.draw(st.sampled_from(dialect.statuses)),
        data.draw(st.sampled_from(dialect.modes)),
    )
    decoder = dialect.in_step()
    assert decoder.feed(decoder.encode(reading), 7) == [reading]
