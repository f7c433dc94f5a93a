"""bad_bytes_never_move: no malformed input moves anything; the next good query is answered."""

import random

from hypothesis import given
from hypothesis import strategies as st

from tests.controller.link import fuzz
from tests.controller.link.fakefirmware import WORK_US
from tests.controller.link.line import IDENTITY, Line

messages = st.one_of(
    st.binary(max_size=300),
    st.sampled_from(fuzz.GOOD),
    st.builds(
        lambda seed, good: fuzz.damaged(random.Random(seed), good),
        st.integers(0, 2**32),
        st.sampled_from(fuzz.GOOD),
    ),
)


@given(st.lists(messages, max_size=8))
def test_bad_bytes_never_move(said: list[bytes]) -> None:
    line = Line()
    for message in b"\n".join(said).split(b"\n"):
        fuzz.feed_message(line, message)
    assert line.feed(b"\n*IDN?\n").endswith(IDENTITY)


@given(st.lists(messages, max_size=8), st.integers(1, 40))
def test_how_the_bytes_come_makes_no_difference(said: list[bytes], size: int) -> None:
    data = b"\n".join(said) + b"\n"
    seen = []
    for step in (len(data), 1, size):
        line = Line()
        for at in range(0, len(data), step):
            line.server.feed(data[at : at + step])
        seen.append((line.server.take(), line.errors(), line.fw.moves))
    assert seen[0] == seen[1] == seen[2]


@given(st.lists(messages, max_size=20))
def test_a_hold_keeps_its_bounds_and_ends(said: list[bytes]) -> None:
    line = Line()
    line.feed(b"REQ:OPEN 7,25;*OPC?\n")
    for message in said:
        line.feed(message)
    for _ in range(500):  # every message that waits may be an operation of its own
        line.pass_time(WORK_US)
    assert not line.fw.busy()
    assert line.feed(b"\x03*IDN?\n") == IDENTITY


def test_two_hundred_thousand_bytes_of_noise() -> None:
    fed, moved = fuzz.run(seed=1, total_bytes=200_000)
    assert fed >= 200_000
    assert moved > 300, "the noise must hold enough that is good"
