"""A small firmware that behaves: the facade of `controller.link.desk` with simple state.

Overlapped operations take WORK_US of its own time, which `advance` lets pass.  `moves` logs every
call that would turn the sprocket or change the unit, for tests of what must not move.
"""

from types import SimpleNamespace

from controller.link.refusal import Refused

WORK_US = 1000

STOPPED, IDLE, SUSPENDED, EXECUTE, ABORTED, HELD, COMPLETE = 2, 4, 5, 6, 9, 11, 17
# (command, from) -> to, acting states left out.
COMMANDS = {
    (1, STOPPED): IDLE,
    (1, COMPLETE): IDLE,
    (2, IDLE): EXECUTE,
    (3, IDLE): STOPPED,
    (3, EXECUTE): STOPPED,
    (4, EXECUTE): HELD,
    (5, HELD): EXECUTE,
    (6, EXECUTE): SUSPENDED,
    (7, SUSPENDED): EXECUTE,
    (8, STOPPED): ABORTED,
    (8, IDLE): ABORTED,
    (8, EXECUTE): ABORTED,
    (9, ABORTED): STOPPED,
    (10, EXECUTE): COMPLETE,
}


class FakeFirmware:
    """Starts in Execute, with nothing under way."""

    def __init__(self) -> None:
        self.settings = SimpleNamespace(
            name="m4 nut",
            request_quantity_max=10000,
            magazine_capacity=300,
            sprocket_pockets=7,
            gear_stages=((17, 51), (20, 20)),
            recovery_ladder=(),
        )
        self.identity = ("Tallywheel", "m4, nut", "", "0.1.0")
        self.unit = SimpleNamespace(state=EXECUTE, mode=1)
        self.pace = SimpleNamespace(asked_ppm=1_000_000)
        self.moves: list[tuple] = []
        self.level = 0
        self.pieces = 12
        self.open: tuple[int, int] | None = None
        self.closed: dict[int, tuple] = {}
        self.events = [(1, 20, 17, 0, 0), (2, 30, 13, 7, 25)]
        self.beam_result = -1
        self.levels = 15
        self.doubtful = False
        self.local = False
        self._left_us = 0

    def advance(self, us: int) -> None:
        """Let time pass; an operation that it completes is over."""
        if not self._left_us:
            return
        self._left_us = max(0, self._left_us - us)
        if not self._left_us and self.open:
            ticket, quantity = self.open
            self.closed[ticket] = (ticket, quantity, 0, quantity, quantity, quantity, 0, 1, 0)
            self.open = None

    def busy(self) -> bool:
        return self._left_us > 0

    def _move(self, *what) -> None:
        self.moves.append(what)
        self._left_us = WORK_US

    # unit

    def command(self, number: int) -> None:
        if (number, self.unit.state) not in COMMANDS:
            raise Refused(-221, f"command {number} not legal in state {self.unit.state}")
        self._move("command", number)
        self.unit.state = COMMANDS[number, self.unit.state]

    def change_mode(self, number: int) -> None:
        if self.unit.state not in (STOPPED, IDLE, ABORTED):
            raise Refused(-221, "mode may change at rest only")
        self.unit.mode = number

    def cause(self) -> tuple:
        return (
            (21, 'the "sprocket" is jammed', "clear it") if self.unit.state == HELD else (0, "", "")
        )

    # who is in command

    def owner(self) -> tuple[int, str, int, int]:
        return (1, "LINE", 1 if self.local else 0, 0 if self.local else 10000)

    def lock(self) -> None:
        self.local = True

    def release(self) -> None:
        self.local = False

    # requests

    def open_request(self, ticket: int, quantity: int) -> None:
        if self.unit.state != EXECUTE:
            raise Refused(-221, f"state is {self.unit.state}")
        if self.open:
            raise Refused(-221, f"ticket {self.open[0]} is open")
        self._move("request", ticket, quantity)
        self.open = (ticket, quantity)

    def cancel_request(self) -> None:
        if not self.open:
            raise Refused(-221, "no request is open")
        self.advance(WORK_US)

    def abandon(self) -> None:
        if self.open:
            self.cancel_request()

    def progress(self) -> tuple:
        ticket, quantity = self.open or (0, 0)
        return (ticket, quantity, 3 if self.open else 0, 0, quantity, 0, 0)

    def result(self, ticket: int) -> tuple:
        tickets = self.results()
        if not ticket and tickets:
            ticket = tickets[0]
        if ticket not in self.closed:
            raise Refused(-230, f"no result for ticket {ticket}")
        return self.closed[ticket]

    def remainder(self, ticket: int) -> int:
        return max(0, self.result(ticket)[1] - self.result(ticket)[4])

    def results(self) -> list[int]:
        return list(reversed(self.closed))

    # wires

    def wires(self) -> tuple[int, int]:
        return (2, 7)

    def wires_fault(self) -> tuple[int, str]:
        return (0, "none")

    def store_condition(self) -> int:
        return 0

    # board

    def rounds(self) -> tuple[int, int]:
        return (1200, 0)

    def started(self) -> tuple[int, str]:
        return (0, "")

    def restart(self, into: int) -> None:
        self._move("restart", into)

    # magazine, sprocket, bench

    def magazine_load(self, parts: int) -> None:
        self.level += parts

    def magazine_level(self, parts: int) -> None:
        self.level = parts

    def magazine(self) -> tuple[int, int]:
        return (self.level, self.settings.magazine_capacity)

    def sprocket(self) -> tuple:
        return (self.pieces, 200000, 13, 1, 0, 0)

    def sprocket_changed(self) -> None:
        self.pieces = 0

    def position(self) -> tuple[int, int, int]:
        return (1, 42, -17)

    def full_rate(self) -> None:
        self.pace.asked_ppm = 1_000_000

    def set_rate(self, ppm: int) -> None:
        self.pace.asked_ppm = ppm

    def jog(self, ppm: int) -> None:
        self._move("jog", ppm)

    def purge(self, pockets: int) -> None:
        self._move("purge", pockets)

    def register(self) -> None:
        self._move("register")

    def index_one(self) -> None:
        self._move("index")

    def beam_test(self) -> None:
        self._left_us = WORK_US
        self.beam_result = 1

    def beam(self) -> tuple[int, int]:
        return (0, self.beam_result)

    def inputs(self) -> int:
        return self.levels

    # reading out

    def setting_names(self) -> list[str]:
        return list(vars(self.settings))

    def setting(self, name: str):
        if name not in self.setting_names():
            raise Refused(-224, f"no setting {name}")
        return getattr(self.settings, name)

    def events_count(self) -> int:
        return len(self.events)

    def next_event(self) -> tuple | None:
        return self.events.pop(0) if self.events else None

    def release_phase(self) -> tuple:
        return (1, -12, 830, 15, 801, 4, 0)

    def pulse_width(self) -> tuple:
        return (1, 9_400, 2_100, 9_380, 2_050, 0, 7)

    def drift(self) -> tuple:
        return (57, "parts fall later", "look", 1)

    def clear_drift(self) -> None:
        pass

    def learn_drift(self) -> None:
        pass

    def parts_count(self) -> int:
        return 1

    def next_part(self) -> tuple:
        return (1, 42, 61_800, 9_400, 13_856)

    def index_edges_count(self) -> int:
        return 1

    def next_index_edge(self) -> tuple:
        return (1, -17, 1)

    def operation(self) -> int:
        return (1 << 8 if self.unit.state == EXECUTE else 0) | (1 << 9 if self.open else 0)

    def questionable(self) -> int:
        return 1 << 9 if self.doubtful else 0
