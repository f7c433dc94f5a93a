"""The conversation at a terminal: what is asked, what is an answer, and when nobody is there."""

import io

import pytest

from hostsim.guided.conversation import LeftError, Terminal


def talk(*lines, agreed=False):
    sink = io.StringIO()
    return Terminal(agreed, io.StringIO("".join(f"{line}\n" for line in lines)), sink), sink


def test_answers_are_taken_by_word_or_first_letter_and_others_asked_for_again():
    person, sink = talk("perhaps", "B", "not at all")
    answers = ("forward", "backward", "not at all")
    assert person.choose("way", "Which way?", answers) == "backward"
    assert person.choose("way", "Which way?", answers) == "not at all"
    assert "'perhaps' is no answer here; there are [f]orward, [b]ackward, [n]ot at all" in (
        sink.getvalue()
    )


def test_numbers_are_held_to_their_range():
    person, sink = talk("-1", "two", "101", "7")
    assert person.count("bag", "How many?", 0, 100) == 7
    assert sink.getvalue().count("is not allowed: give a whole number, 0 to 100") == 3


def test_yes_answers_only_what_is_harmless():
    person, _ = talk("n", agreed=True)
    person.ready("Ready?")
    assert person.agree("begin", "May it turn?") is False
    with pytest.raises(LeftError):
        person.wait_for("fill 5", "Fill in 5 parts.")


@pytest.mark.parametrize("ask", [
    lambda person: person.ready("Ready?"),
    lambda person: person.agree("begin", "May it turn?"),
    lambda person: person.count("bag", "How many?", 0, 9),
    lambda person: person.wait_for("fill 5", "Fill in 5 parts."),
])  # fmt: skip
def test_where_nobody_answers_nothing_is_taken_for_granted(ask):
    person, _ = talk()
    with pytest.raises(LeftError):
        ask(person)


LONG = "Take every part out of magazine, sprocket and chute. " * 3
A_PATH = "/a/path" * 8 + "-x.toml"


@pytest.mark.parametrize("say", [
    lambda person: person.show(f"{LONG}It is in {A_PATH}"),
    lambda person: person.caution(LONG + A_PATH),
    lambda person: person.ask_for("clear", LONG + A_PATH),
    lambda person: person.wait_for("clear", LONG + A_PATH),
    lambda person: person.ready(LONG + A_PATH),
    lambda person: person.count("left", LONG + A_PATH, 0, 9),
    lambda person: person.choose("way", LONG + A_PATH, ("3", "b")),
])  # fmt: skip
def test_nothing_is_wider_than_a_screen_of_80_columns_and_no_path_is_broken(say):
    person, sink = talk("3")
    say(person)
    lines = sink.getvalue().splitlines()
    assert max(map(len, lines)) <= 80 and len(lines) > 2
    assert any(A_PATH in line for line in lines)


def test_live_lines_do_not_fill_a_log():
    person, sink = talk()
    person.live("waiting (5 s)")
    assert sink.getvalue() == ""
