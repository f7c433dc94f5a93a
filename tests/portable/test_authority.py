"""Who is in command, on both interpreters: the table in `controller.link.authority`, row by row."""

from controller.link.authority import BUS, LINE, LINKS, NOBODY, WIRES, Authority
from controller.link.refusal import Refused

HOLD_MS = 10_000
HOLD_US = HOLD_MS * 1000


class Request:
    """As much of a request as authority looks at."""

    is_open = False
    closed_us = 0


def command(hold_ms=HOLD_MS):
    """Return (an Authority, its request)."""
    request = Request()
    return Authority(hold_ms, request), request


def refused(wish, *arguments):
    """Return the detail of the refusal that `wish` must meet."""
    try:
        wish(*arguments)
    except Refused as refusal:
        assert refusal.number == -203  # SCPI-1999 volume 2, 21.8.10: Command protected
        return refusal.detail
    raise AssertionError("it was granted")


def test_after_power_up_the_command_is_free():
    authority, _ = command()
    for who in (LINE, BUS, WIRES):
        assert authority.allows(who, 0)
    assert authority.holder(0) == NOBODY
    assert authority.left_us(0) == 0


def test_the_first_wish_takes_it_and_others_are_told_who_has_it():
    authority, _ = command()
    authority.take(BUS, 5)
    assert LINKS[authority.holder(5)] == "BUS"
    for who in (LINE, WIRES):
        assert "held by BUS" in refused(authority.check, who, 5)
        refused(authority.take, who, 5)
        refused(authority.release, who, 5)
    assert authority.holder(6) == BUS
    authority.take(BUS, 6)


def test_silence_frees_it():
    authority, _ = command()
    authority.take(WIRES, 100)
    assert "free after 10000 ms" in refused(authority.check, LINE, 100)
    authority.take(WIRES, 200)
    assert authority.left_us(200) == HOLD_US
    assert authority.free_us(201) == 200 + HOLD_US
    assert authority.free_us(200 + HOLD_US) is None
    refused(authority.take, LINE, 200 + HOLD_US - 1)
    authority.take(LINE, 200 + HOLD_US)
    assert authority.holder(200 + HOLD_US) == LINE


def test_an_open_request_is_no_silence_and_its_end_begins_one():
    authority, request = command()
    authority.take(BUS, 0)
    request.is_open = True
    assert authority.holder(100 * HOLD_US) == BUS
    assert authority.free_us(100 * HOLD_US) is None  # nobody knows when the request will close
    refused(authority.take, LINE, 100 * HOLD_US)
    request.is_open = False
    request.closed_us = 100 * HOLD_US
    refused(authority.take, LINE, 101 * HOLD_US - 1)
    authority.take(LINE, 101 * HOLD_US)


def test_without_a_hold_only_an_open_request_holds():
    authority, request = command(0)
    authority.take(BUS, 0)
    assert authority.allows(LINE, 0)
    request.is_open = True
    assert "held by BUS" in refused(authority.check, LINE, 1)


def test_release_frees_it_at_once():
    authority, _ = command()
    authority.release(LINE, 0)  # nobody had it
    authority.take(LINE, 0)
    authority.release(LINE, 1)
    authority.take(BUS, 1)


def test_the_line_may_lock_over_anybody_and_no_silence_ends_that():
    authority, request = command()
    authority.take(BUS, 0)
    request.is_open = True
    authority.lock(LINE)
    for now_us in (0, 1000 * HOLD_US):
        assert authority.holder(now_us) == LINE
        assert authority.left_us(now_us) == 0
        authority.check(LINE, now_us)
        assert "local" in refused(authority.take, BUS, now_us)
        refused(authority.release, BUS, now_us)
    authority.release(LINE, 1000 * HOLD_US)
    assert authority.holder(1000 * HOLD_US) == NOBODY


def test_only_the_line_may_lock():
    authority, _ = command()
    for who in (BUS, WIRES):
        assert "only LINE" in refused(authority.lock, who)
    assert not authority.local
