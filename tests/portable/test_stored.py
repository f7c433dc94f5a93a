"""Stored words: what was planned elsewhere is what would be planned here, or is not used."""

from controller.motion.profile import SHORT_MOVES, Planner

LIMITS = (
    (8000, 80000, 1600000),
    (13856, 256000, 12800000),
    (7913, 61234, 987654),
    (50000, 1000000, 0),
    (10, 200, 4000),
)


def lengths_of(planner):
    """Return odd and even lengths that the planner has to plan one by one."""
    most = 2 * planner.ramp_steps - 1
    return [steps for steps in (1, 2, 3, most // 2, most - 1, most) if 0 < steps <= most]


def same(one, other):
    assert bytes(one.head) == bytes(other.head)
    assert bytes(one.tail) == bytes(other.tail)
    assert (one.direction, one.steps) == (other.direction, other.steps)
    assert (one.cruise_steps, one.cruise_ticks) == (other.cruise_steps, other.cruise_ticks)
    assert one.duration_ticks() == other.duration_ticks()


def test_words_taken_over_are_those_that_would_be_planned():
    for limits in LIMITS:
        lengths = lengths_of(Planner(*limits))
        words = Planner(*limits).saved(lengths)
        taken, planned = Planner(*limits, words), Planner(*limits)
        assert planned.planned == 1
        for steps in lengths + [2 * taken.ramp_steps, 2 * taken.ramp_steps + 4001]:
            for direction in (1, -1):
                same(taken.move(steps, direction), planned.move(steps, direction))
        assert taken.planned == 0


def test_lengths_that_were_not_stored_are_planned():
    limits = LIMITS[0]
    taken = Planner(*limits, Planner(*limits).saved())
    same(taken.move(77, 1), Planner(*limits).move(77, 1))
    assert taken.planned == 1


def test_words_of_no_use_are_ignored():
    limits = LIMITS[0]
    words = Planner(*limits).saved([100, 101])
    useless = [b"", words[:10], words[:-1], words + b"\0", b"?" + words[1:], b"\xff" * len(words)]
    for place in range(len(words)):
        useless.append(words[:place] + bytes([words[place] ^ 0x10]) + words[place + 1 :])
        if place > 40:
            break
    useless.append(Planner(8000, 80000, 1600001).saved([100]))
    for data in useless:
        taken = Planner(*limits, data)
        assert taken.planned == 1
        same(taken.move(100, 1), Planner(*limits).move(100, 1))


def test_saving_what_is_not_kept_is_refused():
    planner = Planner(*LIMITS[0])
    for lengths in ([0], [2 * planner.ramp_steps], list(range(1, SHORT_MOVES + 2))):
        try:
            planner.saved(lengths)
        except ValueError:
            continue
        raise AssertionError(lengths)
