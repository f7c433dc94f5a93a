"""The place: what is known of where the wheel stands, and how many pockets a move may let go."""

from controller.motion.place import Place
from tests.portable.wheel import DEN, LEAD, NUM, PITCH, wheel_settings

SHY = PITCH // 8
RELEASE = PITCH // 2  # of pocket 1, from dwell 0


def found(steps=RELEASE, **changes):
    """A place at which the release edge of pocket 1 is known to lie so many steps ahead."""
    place = Place(wheel_settings(**changes))
    place.find(1, steps)
    return place


def test_a_position_is_known_by_one_release_edge():
    place = Place(wheel_settings())
    assert not place.known
    place.find(5, 100)
    assert place.known
    # Edge 5 lies at 4 1/2 pitches, dwell 5 at 5.
    assert place.position == (9 * NUM + DEN) // (2 * DEN) - 100
    assert place.corrected == place.position
    assert place.to_release(5) == 100
    assert place.to_rest(5) == 5 * NUM // DEN - place.position


def test_known_a_move_lets_go_the_edges_that_lie_on_its_way():
    place = found()
    for steps, pockets in ((-500, 0), (0, 0), (RELEASE - 1, 0), (RELEASE, 1), (3 * PITCH, 3)):
        assert place.pockets_ahead(steps) == pockets, steps


def test_unknown_a_move_lets_go_one_for_each_pitch_begun():
    place = Place(wheel_settings())
    for steps, pockets in (
        (-500, 0),
        (0, 0),
        (1, 1),
        (PITCH - SHY, 1),
        (PITCH - SHY + 1, 2),
        (3 * PITCH - SHY, 3),
    ):
        assert place.pockets_ahead(steps) == pockets, steps


def test_unknown_what_was_gone_back_is_slack_up_to_half_a_pitch():
    place = Place(wheel_settings())
    place.travel(-100)
    assert place.pockets_ahead(100) == 0
    assert place.pockets_ahead(101) == 1
    place.travel(60)
    assert place.slack == 40
    place.travel(-1_000)
    assert place.slack == PITCH // 2
    place.travel(1_000)
    assert place.slack == 0


def test_losing_the_position_loses_the_slack_and_keeps_the_frontier():
    place = found()
    place.frontier = 7
    place.slack = 50
    place.lose()
    assert (place.known, place.slack, place.frontier) == (False, 0, 7)


def test_the_next_index_edge_is_the_first_one_ahead():
    place = found()  # in dwell 0: the edge of pocket 1 is behind, because the lead is over half
    assert place.to_release(1) < LEAD
    assert place.next_index() == 2
    place.travel(PITCH - 40)
    assert place.next_index() == 2
    place.travel(40)
    assert place.next_index() == 3


def test_a_lag_moves_the_wheel_back_and_says_by_how_much():
    place = found()
    before = place.position
    place.lag(30)
    assert place.position == before - 30
    assert place.corrected == -30
    assert place.to_release(1) == RELEASE + 30


def test_the_frontier_steps_back_over_what_was_not_surely_passed():
    for beyond, frontier in ((-1, 2), (0, 2), (SHY - 1, 2), (SHY, 3)):
        place = found()
        place.frontier = 3
        place.travel(place.to_release(3) + beyond)
        place.step_back(0)
        assert place.frontier == frontier, beyond
    place = found()
    place.frontier = 3
    place.step_back(2)  # no further than where the move began
    assert place.frontier == 2


def test_the_first_edge_of_a_blind_move_lies_ahead_or_as_little_behind_as_parts_scatter():
    place = Place(wheel_settings())
    for first in (-SHY + 1, -1, 0, 1, RELEASE, PITCH - SHY):
        for count in (0, 1, 7):
            assert place.first_edge(first + count * PITCH) == (first, count)
    assert place.first_edge(-SHY) == (PITCH - SHY, 0)  # one long gone says where the next lies
