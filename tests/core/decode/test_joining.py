"""A wire opened in the middle of a line: what is left of it may look like a smaller weight."""

from __future__ import annotations

import pytest

from .dialects import DIALECTS, Dialect, usable_values

ASKED = "a bare number asked for"  # it does not send before it is asked, so it is never joined midway
STREAMS = [dialect for dialect in DIALECTS if dialect.name != ASKED]


@pytest.mark.parametrize("dialect", STREAMS, ids=lambda dialect: dialect.name)
def test_a_stream_joined_midway_gives_no_wrong_weight(dialect: Dialect) -> None:
    for sample in dialect.samples:
        value = usable_values(dialect.in_step().feed(sample, 7))
        for at in range(1, len(sample)):
            assert usable_values(dialect.make().feed(sample[at:], 9)) <= value, (sample, at)


@pytest.mark.parametrize("dialect", DIALECTS, ids=lambda dialect: dialect.name)
def test_a_wire_opened_again_loses_at_most_its_first_line(dialect: Dialect) -> None:
    sample = dialect.samples[0]
    decoder = dialect.in_step()
    decoder.reset(8)
    assert decoder.feed(sample * 2, 9)[-1] == dialect.in_step().feed(sample, 9)[0]
