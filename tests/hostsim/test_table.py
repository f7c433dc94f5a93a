"""Tables and the progress line."""

import io

from hostsim.table import ProgressLine, table


class Terminal(io.StringIO):
    def isatty(self):
        return True


def test_numbers_stand_to_the_right_and_words_to_the_left():
    assert table(("name", "parts"), [("nut", "7"), ("washer", "120")]).splitlines() == [
        "name    parts",
        "------  -----",
        "nut         7",
        "washer    120",
    ]


def test_a_dash_for_nothing_keeps_a_column_a_column_of_numbers():
    assert table(("n",), [("-",), ("12",)]).splitlines()[2:] == [" -", "12"]


def test_a_table_without_rows_is_its_headings():
    assert table(("a", "b"), []) == "a  b\n-  -"


def test_nothing_is_drawn_where_nobody_watches():
    pipe = io.StringIO()
    with ProgressLine(pipe) as line:
        line.show(1, 2, "parts")
    assert pipe.getvalue() == ""


def test_what_is_said_stays_above_the_bar_and_in_a_pipe():
    pipe, terminal = io.StringIO(), Terminal()
    for stream in (pipe, terminal):
        with ProgressLine(stream) as line:
            line.show(6, 12, "parts")
            line.say("a word")
            line.show(7, 12, "parts")
    assert pipe.getvalue() == "a word\n"
    assert terminal.getvalue().split("\r\x1b[K")[2:] == [
        "a word\n",
        "[##############..........] 7/12 parts",
        "",
    ]


def test_a_terminal_sees_the_bar_and_then_a_clean_line():
    terminal = Terminal()
    with ProgressLine(terminal) as line:
        line.show(6, 12, "parts")
        line.show(7, 12, "parts")  # at once after the first: not worth drawing
    drawn = terminal.getvalue().split("\r\x1b[K")
    assert drawn == ["", "[############............] 6/12 parts", ""]
