"""Causes: the table is complete and readable, and the right one stays readable."""

from controller.cycle import causes, unit
from controller.cycle.causes import CauseHolder, cause
from controller.cycle.remedies import CAUSES

LONGEST_CHARACTERS = 200  # of a text or a remedy: three lines on a bench display of 80 columns


def test_codes_are_unique_and_every_named_code_has_a_row():
    codes = [row[0] for row in CAUSES]
    assert len(set(codes)) == len(codes)
    notes = ("NO_CAUSE", "NOTICE", "WARNING", "FAULT")
    upper = [name for name in dir(causes) if name == name.upper() and name[0] != "_"]
    named = [name for name in upper if name not in notes and name not in dir(unit)]
    assert sorted(getattr(causes, name) for name in named if name != "CAUSES") == sorted(codes)


def test_rows_lead_to_a_waiting_state_or_nowhere():
    for code, severity, leads_to, _, _ in CAUSES:
        assert leads_to in (0, unit.STOPPED, unit.SUSPENDED, unit.ABORTED, unit.HELD), code
        assert severity in (causes.NOTICE, causes.WARNING, causes.FAULT), code


def test_what_only_asks_for_attention_never_aborts():
    for code, severity, leads_to, _, _ in CAUSES:
        if severity == causes.WARNING:
            assert leads_to != unit.ABORTED, code
        if severity == causes.FAULT:
            assert leads_to in (unit.HELD, unit.ABORTED), code


def test_texts_go_into_a_quoted_string_of_any_link():
    for code, _, _, text, remedy in CAUSES:
        for words in (text, remedy):
            assert 0 < len(words) <= LONGEST_CHARACTERS, (code, len(words))
            assert all(" " <= letter <= "~" and letter != '"' for letter in words), code
        assert remedy[-1] == ".", code


def test_hands_near_the_gears_means_isolate_first():
    # Common practice in every machine manual: isolate from the supply before servicing.
    inside = ("reach", "motor", "gear", "pocket", "sprocket", "sensor", "stuck", "set screw")
    for code, _, _, _, remedy in CAUSES:
        places = [remedy.find(word) for word in inside if word in remedy]
        if places:
            assert 0 <= remedy.lower().find("isolate") < min(places), (code, remedy)


def test_a_remedy_names_the_command_that_leaves_the_state():
    leaving = {
        unit.HELD: ("unhold", "reset and start"),
        unit.SUSPENDED: ("unsuspend",),
        unit.ABORTED: ("clear", "event record"),
        unit.STOPPED: ("reset and start",),
    }
    for code, _, leads_to, _, remedy in CAUSES:
        if leads_to:
            assert any(word in remedy.lower() for word in leaving[leads_to]), (code, remedy)


def test_the_first_cause_wins():
    holder = CauseHolder()
    assert holder.raise_(causes.JAMMED, 1000) is True
    for code in (causes.SLIPPED, causes.RETRIES_USED, causes.GUARD_OPEN, causes.JAMMED):
        assert holder.raise_(code, 2000) is False
    assert (holder.code, holder.since_us) == (causes.JAMMED, 1000)
    assert holder.leads_to == unit.HELD
    assert "jam" in holder.text
    assert "stuck part" in holder.remedy


def test_a_graver_cause_takes_over_because_the_remedy_is_then_another():
    holder = CauseHolder()
    holder.raise_(causes.STRAY_PART, 1)
    assert holder.raise_(causes.MAGAZINE_EMPTY, 2) is True
    assert holder.raise_(causes.CANCELLED, 3) is False
    assert holder.raise_(causes.GUARD_OPEN, 4) is True
    assert (holder.code, holder.since_us, holder.severity) == (causes.GUARD_OPEN, 4, causes.FAULT)


def test_what_leads_to_another_state_takes_over_unless_there_is_a_fault():
    holder = CauseHolder()
    for code in (causes.MAGAZINE_EMPTY, causes.HOLD_COMMAND, causes.STOP_COMMAND):
        assert holder.raise_(code, 1) is True
    assert holder.raise_(causes.STOP_COMMAND, 2) is False
    assert holder.raise_(causes.STRAY_PART, 2) is False  # leads nowhere
    holder.raise_(causes.JAMMED, 3)
    for code in (causes.STOP_COMMAND, causes.ABORT_COMMAND, causes.MAGAZINE_EMPTY):
        assert holder.raise_(code, 4) is False
    assert holder.code == causes.JAMMED


def test_it_stays_until_it_is_cleared():
    holder = CauseHolder()
    assert (holder.code, holder.text, holder.remedy, holder.leads_to) == (0, "none", "", 0)
    holder.raise_(causes.BEAM_DEAD, 5)
    holder.clear()
    assert (holder.code, holder.text, holder.remedy, holder.since_us) == (0, "none", "", 0)
    assert holder.raise_(causes.HOLD_COMMAND, 6) is True


def test_no_cause_is_no_cause_and_a_code_without_a_row_is_an_error():
    holder = CauseHolder()
    assert holder.raise_(causes.NO_CAUSE, 1) is False
    assert cause(causes.NO_CAUSE)[3] == "none"
    for code in (-1, 1, 99):
        try:
            holder.raise_(code, 1)
        except KeyError:
            pass
        else:
            raise AssertionError("a code without a row was taken")
        assert holder.code == causes.NO_CAUSE
