"""What a person at the bench is told about requests that did not end exact."""

import pytest

from controller.cycle import causes
from hostsim.answers import Result
from hostsim.report import advice
from hostsim.words import Outcome

CLOSED = "This request is closed: what is still wanted takes a new one."


def short(cause, upper):
    """25 wanted, at most so many out."""
    return Result(7, 25, Outcome.SHORT, upper, upper, upper + 9, 0, 90_000, cause)


@pytest.mark.parametrize("cause", [causes.MAGAZINE_EMPTY, causes.RECEIVER_NOT_READY])
def test_a_request_that_closed_short_is_not_said_to_go_on(cause):
    said = advice([short(cause, 19)])
    assert "6 parts are missing" in said
    assert "unsuspend" in said  # the unit still stands there
    assert said.endswith(CLOSED)


def test_where_nothing_is_known_to_be_missing_no_new_request_is_asked_for():
    doubtful = Result(7, 25, Outcome.DOUBTFUL, 25, 26, 26, 0, 9_000, causes.EVIDENCE)
    assert CLOSED not in advice([doubtful])
