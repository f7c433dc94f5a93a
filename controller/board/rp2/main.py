"""The entry point on a board: everything at rest first, then the firmware.

Theory of operation
-------------------
`run` puts every output at rest before it does anything that takes time; only then it reads on:
why the board has started, settings, store, firmware.  What may run is run by `loop`, what may not
is told by `refused`, with the drive off: settings that are refused, and a fault that has come
several times in a row.

What happens in the end, whatever it was: the drive is cut, the outputs go to rest, the chip resets.
After an exception the reason has been written down before.  The way out for somebody with new files
is the command `SYSTem:RESTart PROMpt`, also where a board is told what is wrong with it, or the
interrupt key on USB where commands do not come in there: after that reset `run` returns, into the
prompt.
"""

import json

from controller.board.ports import EXCEPTION, HUNG
from controller.board.rp2.clock import Clock
from controller.board.rp2.health import (
    FAULTS_MAX,
    MARK_START,
    Scratch,
    chip_of,
    look_back,
    write_fault,
)
from controller.board.rp2.pins import Pins
from controller.borrow import borrow

SETTINGS = "settings.json"


class Tools:
    """The interpreter's own modules, as far as a board needs them; a test has others."""

    def __init__(self):
        self.gc = __import__("gc")
        self.io = __import__("io")
        self.micropython = __import__("micropython")
        self.select = __import__("select")
        self.sys = __import__("sys")
        self.time = __import__("time")

    def trace(self, error):
        """Return an exception's trace as text."""
        sink = self.io.StringIO()
        self.sys.print_exception(error, sink)
        return sink.getvalue()


class Board:
    """What there is to run on. `pins` is None where the settings leave them in doubt."""

    def __init__(self, machine, rp2, tools, folder, pins, scratch):
        self.machine = machine
        self.rp2 = rp2
        self.tools = tools
        self.folder = folder
        self.pins = pins
        self.scratch = scratch
        self.clock = Clock(tools.time)
        self.faults = 0  # starts in a row that ended in a fault
        self.drive = None

    def let_go(self):
        """Cut the drive and put every output at rest."""
        if self.drive is not None:
            self.drive.cut()
        self.pins.rest(self.machine)


def run(machine, rp2, tools=None, folder=""):
    """Be the board. Returns only into the prompt. `folder`: of settings, "" or with a slash."""
    tools = tools or Tools()
    chip = chip_of(tools.sys)
    text, pins, problems = _wiring(folder, chip)
    if pins is not None:
        pins.rest(machine)
    scratch = Scratch(machine, chip)
    if scratch.prompt:
        scratch.keep(0)
        return
    board = Board(machine, rp2, tools, folder, pins, scratch)
    code, fault = look_back(machine, scratch, folder)
    if code in (EXCEPTION, HUNG):
        board.faults = scratch.faults + 1
    scratch.keep(board.faults)
    if board.faults >= FAULTS_MAX:
        problems.append(f"{board.faults} faults in a row, the last one: {fault}")
    settings, problems = _settings(text, problems)
    if pins is None or problems:
        _refuse(board, problems)
        scratch.keep(board.faults, told=True, prompt=True)
        machine.reset()
    scratch.mark(MARK_START)
    try:
        for name in borrow("controller.board.rp2.order").NAMES:
            __import__(name)
        from controller.board.rp2.loop import Loop  # noqa: PLC0415  takes its time

        into_prompt = Loop(board, settings, code, fault).serve()
        scratch.keep(0, told=True, prompt=into_prompt)
    except KeyboardInterrupt:  # on USB, where the commands come in elsewhere
        scratch.keep(0, told=True, prompt=True)
    except Exception as error:
        board.let_go()
        write_fault(folder, f"{type(error).__name__}: {error}", tools.trace(error))
    finally:
        board.let_go()
    machine.reset()


def _wiring(folder, chip):
    """Return (settings as text, Pins or None, problems) from what can be said of the settings.

    Pins that are in doubt are not touched at all: nobody knows what hangs on them.
    """
    try:
        with open(folder + SETTINGS) as file:
            text = file.read()
        values = json.loads(text)
    except (OSError, ValueError):
        return "", None, [f"{SETTINGS}: missing, or no JSON"]
    if not isinstance(values, dict):
        return text, None, []
    rows = values.get("board_pins", ())
    checks = borrow("controller.board.rp2.pincheck", "controller.checks")
    problems = checks.check("board_pins", rows) or checks.conflicts("board_pins", chip, rows)
    if problems:
        return text, None, [str(problem) for problem in problems]
    if values.get("board_name", chip) != chip:
        return text, Pins(rows), [f"board_name = {values['board_name']}: this board is an {chip}"]
    return text, Pins(rows), []


def _settings(text, problems):
    """Return (settings or None, problems): these, and the settings' own."""
    from controller.shims.install import install  # noqa: PLC0415  from here on it takes its time

    install()
    from controller.settings import SettingsError, from_json  # noqa: PLC0415

    try:
        return from_json(text), problems
    except SettingsError as error:
        said = [str(problem) for problem in error.problems]
        return None, said + [problem for problem in problems if problem not in said]


def _refuse(board, problems):
    from controller.board.rp2.refused import stay  # noqa: PLC0415

    stay(board, problems)
