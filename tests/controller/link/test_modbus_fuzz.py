"""bad_bytes_never_move, on the bus: 10^5 damaged frames, and the next good one is answered."""

import random

from hypothesis import given
from hypothesis import strategies as st

from tests.controller.link import busfuzz
from tests.controller.link.bus import Bus, frame

FRAMES = 100_000


@given(st.lists(st.binary(max_size=300), max_size=8), st.integers(0, 1))
def test_any_bytes(said: list[bytes], batching: int) -> None:
    noisy = busfuzz.NoisyBus(batching)
    for data in said:
        noisy.say(data, 1500)
    noisy.check(len(said))


@given(st.integers(0, 2**32), st.sampled_from(busfuzz.FRAMES), st.integers(0, 1))
def test_damaged_frames(seed: int, good: bytes, batching: int) -> None:
    noisy = busfuzz.NoisyBus(batching)
    noisy.say(busfuzz.damaged(random.Random(seed), good), 0)
    noisy.check(seed)


def test_a_good_frame_right_behind_noise() -> None:
    """64 KiB of it without a pause, and not even a silence before the frame."""
    echo = frame(b"\x08\x00\x00\xa5\x37")
    for batching in (0, 1):
        bus = Bus(batching=batching)
        bus.hear(random.Random(batching).randbytes(65536))
        assert bus.send(echo).endswith(echo)
        assert bus.fw.moves == []


def test_a_hundred_thousand_frames() -> None:
    moved = busfuzz.run(seed=1, frames=FRAMES)
    assert moved > FRAMES // 50, "the noise must hold enough that is good"
