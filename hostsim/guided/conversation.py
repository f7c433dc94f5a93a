"""The conversation between a guided procedure and the person at the module.

Theory of operation
-------------------
A procedure says things, asks questions, and asks for deeds.  A deed that the module can see (the
guard is open, the bag is away) is only asked for, with `ask_for`: the procedure then watches until
the module has seen it.  One that the module can't see is waited for, with `wait_for`, until the
person says that it is done.  Deeds are those of `hostsim.hands`; questions have a name, so that
whoever answers knows them apart without reading.

`Terminal` talks to a person.  Anything else with the same methods will do: tests and demos have a
simulated person (`hostsim.guided.people`).

`Terminal(agreed=True)` (the option --yes) takes "ready?" for granted where neither a motor begins
to turn nor a file is changed.  It takes nothing else for granted: that hands are out of the gears,
what a person has seen or counted, and what is written, is asked for every time.
"""

import sys
import textwrap
from collections.abc import Sequence
from typing import Protocol, TextIO

# How a sprocket was seen to turn, or that it was not seen.
FORWARD, BACKWARD, STILL, AGAIN = "forward", "backward", "not at all", "show it again"
WIDTH = 79  # a terminal has 80 columns unless somebody has made it wider
INDENT = "    "


class LeftError(Exception):
    """The person wants to go no further. What has been done is kept."""


class Conversation(Protocol):
    """What a procedure needs of the person."""

    def title(self, text: str) -> None:
        """Say what begins."""

    def show(self, text: str) -> None:
        """Say something."""

    def caution(self, text: str) -> None:
        """Say what may hurt, before it can."""

    def live(self, text: str) -> None:
        """Show how something stands right now; the next one takes its place."""

    def ask_for(self, deed: str, text: str) -> None:
        """Ask for a deed that the module will see."""

    def wait_for(self, deed: str, text: str) -> None:
        """Ask for a deed and return when it is done. LeftError if it won't be."""

    def ready(self, text: str) -> None:
        """Return when the person is ready for something harmless. LeftError if not."""

    def agree(self, name: str, question: str) -> bool:
        """Yes or no."""

    def choose(self, name: str, question: str, answers: Sequence[str]) -> str:
        """One of `answers`."""

    def count(self, name: str, question: str, low: int, high: int) -> int:
        """A whole number from `low` to `high`."""


class Terminal:
    """A person at a terminal."""

    def __init__(
        self, agreed: bool = False, source: TextIO | None = None, sink: TextIO | None = None
    ) -> None:
        self._agreed = agreed
        self._source = source or sys.stdin
        self._sink = sink or sys.stdout
        self._drawn = False  # a live line stands on the screen

    def title(self, text: str) -> None:
        self._say(f"\n{text}\n")

    def show(self, text: str) -> None:
        for paragraph in text.split("\n"):
            self._say(_filled(paragraph) + "\n")

    def caution(self, text: str) -> None:
        self._say(_filled(text, "CAUTION  ") + "\n")

    def live(self, text: str) -> None:
        if self._sink.isatty():  # a log would fill up with it
            self._sink.write(f"\r\x1b[K{INDENT}{text[: WIDTH - len(INDENT)]}")
            self._sink.flush()
            self._drawn = True

    def ask_for(self, deed: str, text: str) -> None:
        self._say(_filled(text, "-> ") + "\n")

    def wait_for(self, deed: str, text: str) -> None:
        self._await_ready(_filled(f"{text} Enter when it is done, q to leave:", "-> ") + " ")

    def ready(self, text: str) -> None:
        if not self._agreed:
            self._await_ready(_filled(f"{text} Enter to go on, q to leave:") + " ")

    def agree(self, name: str, question: str) -> bool:
        return self.choose(name, question, ("yes", "no")) == "yes"

    def choose(self, name: str, question: str, answers: Sequence[str]) -> str:
        keys = [answer[0] for answer in answers]
        offered = ", ".join(
            f"[{key}]{answer[1:]}" for key, answer in zip(keys, answers, strict=True)
        )
        prompt = f"{INDENT}{question} {offered}: "
        if len(prompt) > WIDTH:
            self.show(question)
            prompt = f"{INDENT}{offered}: "
        while True:
            said = self._ask(prompt).lower()
            for key, answer in zip(keys, answers, strict=True):
                if said in (key, answer):
                    return answer
            self._say(f"{INDENT}{said!r} is no answer here; there are {offered}\n")

    def count(self, name: str, question: str, low: int, high: int) -> int:
        while True:
            said = self._ask(_filled(f"{question} ({low} to {high}):") + " ")
            if said.isdecimal() and low <= int(said) <= high:
                return int(said)
            self._say(f"{INDENT}{said!r} is not allowed: give a whole number, {low} to {high}\n")

    def _await_ready(self, prompt: str) -> None:
        if self._ask(prompt).lower() in ("q", "quit"):
            raise LeftError

    def _ask(self, prompt: str) -> str:
        self._say(prompt)
        line = self._source.readline()
        if not line:  # the input has ended: nobody is there
            self._say("\n")
            raise LeftError
        return line.strip()

    def _say(self, text: str) -> None:
        if self._drawn:
            self._sink.write("\n")
            self._drawn = False
        self._sink.write(text)
        self._sink.flush()


def _filled(text: str, mark: str = "") -> str:
    """A paragraph in lines of the screen, indented; what follows its mark stands below itself."""
    hang = INDENT + " " * len(mark)
    return textwrap.fill(
        text,
        WIDTH,
        initial_indent=INDENT + mark,
        subsequent_indent=hang,
        break_long_words=False,  # a path is copied whole or not at all
        break_on_hyphens=False,
    )
