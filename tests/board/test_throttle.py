"""Tries at a code: how many a stranger gets, and that the person still gets in."""

from __future__ import annotations

from collections.abc import Iterator

from logger.board.throttle import ALL, MOST_KEPT, ONE, Throttle

DAY_S = 86_400.0


class Clock:
    now = 0.0

    def __call__(self) -> float:
        return self.now


def guesses(throttle: Throttle, clock: Clock, addresses: list[str], days: float) -> Iterator[float]:
    """When each wrong try of somebody is looked at, who tries from all addresses as soon as may be."""
    end = clock.now + days * DAY_S
    while clock.now < end:
        waits = {address: throttle.wait_s(address, None) for address in addresses}
        address = min(waits, key=lambda each: waits[each])
        if waits[address] > 0:
            clock.now += waits[address]
            continue
        throttle.wrong(address, None)
        yield clock.now


def test_a_few_tries_are_free_and_the_next_waits() -> None:
    """A slip of wet fingers costs nothing; the fifth wrong one costs ten seconds."""
    clock = Clock()
    throttle = Throttle(clock)
    for _ in range(ONE.free):
        assert throttle.wait_s("192.0.2.1", None) == 0
        throttle.wrong("192.0.2.1", None)
    assert throttle.wait_s("192.0.2.1", None) == ONE.first_s


def test_waits_double_up_to_the_longest() -> None:
    clock = Clock()
    throttle = Throttle(clock)
    waits = []
    for _ in range(ONE.free + 12):
        throttle.wrong("192.0.2.1", None)
        waits.append(throttle.wait_s("192.0.2.1", None))
        clock.now += waits[-1]
    beyond = [wait for wait in waits if wait]
    assert beyond[:3] == [10.0, 20.0, 40.0]
    assert beyond[-1] == ONE.longest_s == max(beyond)


def test_one_address_gets_about_a_hundred_tries_a_day() -> None:
    clock = Clock()
    tries = sum(1 for _ in guesses(Throttle(clock), clock, ["192.0.2.1"], 10))
    assert 80 <= tries / 10 <= 110


def test_a_thousand_addresses_are_hardly_faster() -> None:
    """More than are remembered one by one: the wait for all of them holds."""
    clock = Clock()
    addresses = [f"10.0.{n // 250}.{n % 250}" for n in range(1000)]
    tries = sum(1 for _ in guesses(Throttle(clock), clock, addresses, 2))
    assert 250 <= tries / 2 <= 330


def test_a_v6_device_is_one_however_many_addresses_it_takes() -> None:
    throttle = Throttle(Clock())
    for n in range(ONE.free):
        throttle.wrong(f"2001:db8::{n:x}", None)
    assert throttle.wait_s("2001:db8::ffff", None) > 0
    assert throttle.wait_s("2001:db8:0:1::1", None) == 0


def test_an_address_through_v6_is_the_same_address() -> None:
    throttle = Throttle(Clock())
    for _ in range(ONE.free):
        throttle.wrong("::ffff:192.0.2.1", None)
    assert throttle.wait_s("192.0.2.1", None) > 0


def test_a_device_known_from_before_is_not_kept_out_by_strangers() -> None:
    """Even from the address that the guesses come from, while all are waiting."""
    clock = Clock()
    throttle = Throttle(clock)
    for _ in range(ALL.free + 10):
        throttle.wrong("192.0.2.1", None)
    assert throttle.wait_s("192.0.2.9", None) > 0, "a stranger waits for all of them"
    assert throttle.wait_s("192.0.2.1", "tablet") == 0


def test_a_device_known_from_before_waits_for_its_own_slips() -> None:
    throttle = Throttle(Clock())
    for _ in range(ONE.free):
        throttle.wrong("192.0.2.1", "tablet")
    assert throttle.wait_s("192.0.2.1", "tablet") > 0
    assert throttle.wait_s("192.0.2.1", None) == 0


def test_the_operators_code_wipes_the_slate() -> None:
    throttle = Throttle(Clock())
    for _ in range(ONE.free - 1):
        throttle.wrong("192.0.2.1", None)
    throttle.wrong("192.0.2.1", None)  # this one was right
    throttle.right("192.0.2.1", None, clean=True)
    for _ in range(ONE.free - 1):
        throttle.wrong("192.0.2.1", None)
    assert throttle.wait_s("192.0.2.1", None) == 0


def test_the_guests_code_does_not() -> None:
    """Who knows it cannot go on guessing at the operators' by typing it in between."""
    clock = Clock()
    throttle = Throttle(clock)
    tries = 0
    while clock.now < DAY_S:
        clock.now += throttle.wait_s("192.0.2.1", None)
        throttle.wrong("192.0.2.1", None)
        tries += 1
        clock.now += throttle.wait_s("192.0.2.1", None)
        throttle.wrong("192.0.2.1", None)
        throttle.right("192.0.2.1", None, clean=False)
    assert tries <= 110


def test_tries_come_back_with_time() -> None:
    clock = Clock()
    throttle = Throttle(clock)
    for _ in range(ONE.free + 3):
        throttle.wrong("192.0.2.1", None)
    clock.now += ONE.back_s * (ONE.free + 3)
    for _ in range(ONE.free - 1):
        throttle.wrong("192.0.2.1", None)
    assert throttle.wait_s("192.0.2.1", None) == 0


def test_memory_is_bounded() -> None:
    throttle = Throttle(Clock())
    for n in range(MOST_KEPT * 3):
        throttle.wrong(f"10.{n // 65536}.{n // 256 % 256}.{n % 256}", None)
    assert len(throttle._of) == MOST_KEPT
