"""The line that spoils what it carries, by what comes out of it.

Rates are held against what happened, four standard deviations of a binomial count allowed.
"""

import math

import pytest

from hostsim.plant.line import MIXES, Line, LineMix, describe

SECOND_US = 1_000_000
TELEGRAM = bytes(range(20))


def carry(line: Line, telegrams: list[bytes], gap_us: int = 10 * SECOND_US) -> list[bytes]:
    """Send these one after the other; what arrives before the next is sent, joined."""
    came = []
    for number, data in enumerate(telegrams):
        now_us = number * gap_us
        line.send(now_us, 0, data)
        came.append(b"".join(piece for _, piece in line.arrived(now_us + gap_us - 1)))
    return came


def likely(happened: int, tries: int, rate: float) -> bool:
    return abs(happened - tries * rate) <= 4 * math.sqrt(tries * rate * (1 - rate))


def test_a_good_line_carries_everything_at_once_and_in_order():
    line = Line()
    line.send(5, 1, b"ab")
    line.send(5, 2, b"c")
    assert line.due_us() == 5
    assert list(line.arrived(4)) == []
    assert list(line.arrived(5)) == [(1, b"ab"), (2, b"c")]
    assert line.due_us() is None and not line.mishaps


def test_bit_errors_invert_one_bit_of_as_many_bytes_as_they_say():
    count = 3000
    came = carry(Line("bit_errors", 3), [TELEGRAM] * count)
    differing = [
        (sent ^ got).bit_count()
        for data in came
        for sent, got in zip(TELEGRAM, data, strict=True)
        if sent != got
    ]
    assert set(differing) == {1}
    assert likely(len(differing), count * len(TELEGRAM), MIXES["bit_errors"].flip)


def test_lost_and_doubled_bytes_change_the_length_and_nothing_else():
    for name, sign in (("lost", -1), ("doubled", 1)):
        count = 3000
        came = carry(Line(name, 4), [TELEGRAM] * count)
        assert all(sorted(set(data)) == list(data) for data in came) == (sign < 0)
        changed = sum(len(data) - len(TELEGRAM) for data in came) * sign
        assert likely(changed, count * len(TELEGRAM), 0.005)


def test_a_glued_telegram_arrives_with_the_next_or_by_itself_in_the_end():
    line = Line(LineMix("all", "", glue=1.0))
    line.send(0, 0, b"first")
    assert list(line.arrived(SECOND_US)) == []
    line.send(SECOND_US, 0, b"second")
    assert list(line.arrived(SECOND_US)) == [(0, b"first")]
    assert line.due_us() > SECOND_US
    assert list(line.arrived(3 * SECOND_US)) == [(0, b"second")]


def test_pieces_of_a_split_telegram_are_the_telegram():
    line = Line("split", 8)
    came = carry(line, [TELEGRAM] * 200)
    assert came == [TELEGRAM] * 200
    assert likely(line.mishaps["split"], 200, 0.5)


def test_late_telegrams_keep_their_order():
    line = Line("late", 9)
    arrived: list[int] = []
    for number in range(200):
        line.send(number * 50_000, 0, bytes([number]))
        arrived += [data[0] for _, data in line.arrived(number * 50_000)]
    assert arrived == list(range(len(arrived))) and len(arrived) < 200
    arrived += [data[0] for _, data in line.arrived(1000 * SECOND_US)]
    assert arrived == list(range(200))
    assert line.mishaps["late"] > 0


def test_nothing_passes_while_the_plug_is_out():
    line = Line("late", 1)
    line.mix = LineMix("later", "", late=1.0)
    line.send(0, 0, b"under way")
    line.unplug(2 * SECOND_US)
    line.mix = MIXES["none"]
    line.send(SECOND_US, 0, b"meanwhile")
    line.send(2 * SECOND_US, 0, b"again")
    assert list(line.arrived(1000 * SECOND_US)) == [(0, b"again")]


@pytest.mark.parametrize("name", MIXES)
def test_the_same_seed_spoils_the_same_way(name):
    telegrams = [bytes([number % 256]) * (1 + number % 7) for number in range(400)]
    first = carry(Line(name, 5), telegrams, 3_000)
    assert carry(Line(name, 5), telegrams, 3_000) == first
    if name not in ("none", "everyday"):
        assert carry(Line(name, 6), telegrams, 3_000) != first


@pytest.mark.parametrize("name", MIXES)
def test_a_mix_that_does_not_say_so_alters_nothing(name):
    mix = MIXES[name]
    telegrams = [TELEGRAM] * 300
    everything = b"".join(carry(Line(mix, 7), telegrams))
    whole = set(everything.split(TELEGRAM)) == {b""}
    if not mix.alters:
        assert whole
    elif name != "everyday":
        assert not whole


def test_every_mix_is_described_in_a_line():
    lines = describe()
    assert [line.split()[0] for line in lines] == list(MIXES)
    assert all("\n" not in line and len(line) < 100 for line in lines)
    with pytest.raises(ValueError, match="there are: none"):
        Line("nonsense")
