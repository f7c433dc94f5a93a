"""The request chart: what is legal where, by a table written out state by state."""

from controller.cycle import requestchart
from controller.cycle.requestchart import OPEN_STATES, STATES, TRANSITIONS, RequestChart

# What each state answers to, and where that leads.
EXPECTED = {
    "none": {"open": "testing"},
    "testing": {
        "beam_ok_known": "counting",
        "beam_ok_lost": "registering",
        "help": "waiting",
        "close": "closed",
    },
    "registering": {
        "registered": "counting",
        "run_ended": "settling",
        "help": "waiting",
        "close": "closed",
    },
    "counting": {"run_ended": "settling", "close": "closed"},
    "settling": {"settled": "verifying", "close": "closed"},
    "verifying": {
        "more": "counting",
        "lost": "registering",
        "jammed": "freeing",
        "help": "waiting",
        "close": "closed",
    },
    "freeing": {"freed": "testing", "help": "waiting", "close": "closed"},
    "waiting": {"helped": "testing", "close": "closed"},
    "closed": {"open": "testing"},
}
TRIGGERS = sorted({trigger for answers in EXPECTED.values() for trigger in answers})

WAYS = {
    "none": "",
    "testing": "open",
    "registering": "open beam_ok_lost",
    "counting": "open beam_ok_known",
    "settling": "open beam_ok_known run_ended",
    "verifying": "open beam_ok_known run_ended settled",
    "freeing": "open beam_ok_known run_ended settled jammed",
    "waiting": "open help",
    "closed": "open close",
}


def chart_in(state):
    """Return a chart that has been led to `state`, and the list of changes it makes from there."""
    changes = []
    chart = RequestChart(lambda new, old: changes.append((new, old)))
    for trigger in WAYS[state].split():
        assert chart.fire(trigger), (state, trigger)
    assert chart.name() == state
    del changes[:]
    return chart, changes


def test_states_are_numbered_as_the_link_reports_them():
    assert STATES.index("none") == 0
    assert STATES.index("closed") == 8
    for number, name in enumerate(STATES):
        assert getattr(requestchart, name.upper()) == number


def test_every_trigger_in_every_state_does_what_is_expected_or_nothing():
    for state, answers in EXPECTED.items():
        for trigger in TRIGGERS:
            chart, changes = chart_in(state)
            legal = trigger in answers
            assert chart.fire(trigger) is legal, (state, trigger)
            assert chart.name() == answers.get(trigger, state), (state, trigger)
            assert changes == ([(chart.state, STATES.index(state))] if legal else [])


def test_there_is_no_trigger_that_these_tests_do_not_know():
    assert {row[0] for row in TRANSITIONS} == set(TRIGGERS)


def test_no_row_leads_to_state_0_which_the_core_would_take_for_staying():
    assert all(target > 0 for _, _, target in TRANSITIONS)


def test_a_misspelt_trigger_is_an_error_and_changes_nothing():
    chart, changes = chart_in("counting")
    try:
        chart.fire("run_endet")
    except KeyError:
        pass
    else:
        raise AssertionError("a misspelt trigger was taken")
    assert chart.name() == "counting"
    assert changes == []


def test_a_request_is_open_between_open_and_close():
    for state in STATES:
        assert chart_in(state)[0].is_open() is (state not in ("none", "closed"))
    assert len(OPEN_STATES) == 7


def test_a_request_with_a_retry_a_jam_and_help_can_still_end():
    chart = RequestChart(lambda new, old: None)
    story = (
        "open beam_ok_known run_ended settled more run_ended settled jammed freed beam_ok_lost "
        "registered run_ended settled lost run_ended settled help helped beam_ok_known close open"
    )
    for trigger in story.split():
        assert chart.fire(trigger), trigger
    assert chart.name() == "testing"
