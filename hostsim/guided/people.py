"""Simulated people, who do and answer what a guided procedure asks of the person at the module.

Theory of operation
-------------------
`PlantPerson` stands at a module in this process and has eyes: does deeds on the plant, looks which
way the sprocket has turned, and counts what has fallen into the bag.  `PipePerson` stands at a
module served elsewhere (`tallywheel serve --hands PATH`): tells the deeds through the pipe, and
answers like somebody at a module on which all is well, because a pipe has no eyes.

Both are for trying procedures out.  Nobody should be simulated at a real machine.
"""

import errno
import os
import stat
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from hostsim import bench, hands
from hostsim.errors import LinkError
from hostsim.guided.conversation import BACKWARD, FORWARD, STILL
from hostsim.module import SimModule

TURNED_POCKETS = 0.05  # less than this nobody sees


class _Person:
    """Willing, and quick."""

    def __init__(self, say: Callable[[str], None], answers: Mapping[str, Any] | None) -> None:
        self._say = say
        self._answers = dict(answers or {})

    def _deed(self, deed: str) -> None:
        raise NotImplementedError

    def title(self, text: str) -> None:
        self._say(f"\n{text}")

    def show(self, text: str) -> None:
        self._say(text)

    def caution(self, text: str) -> None:
        self._say(f"CAUTION  {text}")

    def live(self, text: str) -> None:
        """Nobody reads it."""

    def ask_for(self, deed: str, text: str) -> None:
        self._say(f"-> {text}")
        self._deed(deed)

    def wait_for(self, deed: str, text: str) -> None:
        self.ask_for(deed, text)

    def ready(self, text: str) -> None:
        """Always."""

    def agree(self, name: str, question: str) -> bool:
        return bool(self._answers.get(name, True))

    def choose(self, name: str, question: str, answers: Sequence[str]) -> str:
        return str(self._answers.get(name, answers[0]))

    def count(self, name: str, question: str, low: int, high: int) -> int:
        return int(self._answers.get(name, low))


class PlantPerson(_Person):
    """Somebody at `module`. `answers` go before what would be seen there."""

    def __init__(
        self,
        module: SimModule,
        answers: Mapping[str, Any] | None = None,
        say: Callable[[str], None] = lambda text: None,
    ) -> None:
        super().__init__(say, answers)
        self._module = module
        self._looked_pockets = module.plant.travel_pockets
        self._bag_before = module.plant.truth.passed

    def _deed(self, deed: str) -> None:
        plant = self._module.plant
        if deed == "empty the bag":
            self._bag_before = plant.truth.passed
        elif deed.startswith(hands.FILL) and deed not in hands.DEEDS:
            bench.fill(plant, int(deed.split()[1]))  # no more than goes in
        elif deed:
            hands.do(plant, deed)

    def agree(self, name: str, question: str) -> bool:
        self._looked_pockets = self._module.plant.travel_pockets
        return super().agree(name, question)

    def choose(self, name: str, question: str, answers: Sequence[str]) -> str:
        if name != "direction" or name in self._answers:
            return super().choose(name, question, answers)
        turned = self._module.plant.travel_pockets - self._looked_pockets
        if abs(turned) < TURNED_POCKETS:
            return STILL
        return FORWARD if turned > 0 else BACKWARD

    def count(self, name: str, question: str, low: int, high: int) -> int:
        truth = self._module.plant.truth
        if name == "bag" and name not in self._answers:
            return truth.passed - self._bag_before
        if name == "left" and name not in self._answers:
            return truth.in_magazine + truth.in_pockets
        return super().count(name, question, low, high)


class PipePerson(_Person):
    """Somebody at a served module, told what to do through the named pipe at `path`."""

    def __init__(self, path: Path, say: Callable[[str], None] = print) -> None:
        """Raises OSError if nobody serves that pipe, or it is none."""
        super().__init__(say, {"bag": 1})
        if not stat.S_ISFIFO(path.stat().st_mode):
            raise OSError(errno.EINVAL, "it is no named pipe", str(path))
        self._pipe = os.open(path, os.O_WRONLY | os.O_NONBLOCK)

    def _deed(self, deed: str) -> None:
        if deed and deed != "empty the bag":
            try:
                os.write(self._pipe, f"{deed}\n".encode())
            except OSError as error:
                raise LinkError(f"the served module is gone: {error.strerror}") from error
