"""The person at the bench of a simulated module.

Theory of operation
-------------------
The person sees what a person sees: how full the magazine is, and what the module gives as its
cause; then does with the hands what the remedy says, one thing after the other.  Where hands come
near the gears the guard is opened first, which cuts the drive, and shut last.

`Attendant` looks after a module for a host in the same process.  Keeping the magazine filled is a
matter of course, also while a request waits for parts, and so is a new sprocket when the counters
say that the old one has carried its rated pieces.  Whatever else stops the unit is put right
only when the request has closed, so that its result tells what the module did on its own; then the
attendant gives the commands that lead back to Execute.

`Bystander` stands next to a served module, whose host is somebody else on the line: does only
what hands can do, and leaves every command to the host.
"""

from collections.abc import Callable

from controller.cycle import causes
from controller.record import events
from hostsim.answers import Progress
from hostsim.client import DispenserClient
from hostsim.errors import DeviceError, NotReadyError
from hostsim.module import SimModule
from hostsim.plant.plant import Plant
from hostsim.words import RequestState, UnitMode, UnitState

Action = Callable[[Plant], None]

PACE_US = 2_000_000  # one thing done with the hands
TRIES = 5  # a wedged part is taken out, and the next one may wedge at once


def shut_guard(plant: Plant) -> None:
    """Shut the guard."""
    plant.guard(True)


def open_guard(plant: Plant) -> None:
    """Open the guard: the drive is cut."""
    plant.guard(False)


def place_receiver(plant: Plant) -> None:
    """Put a bag in place."""
    plant.receiver(True)


def reaching_in(*actions: Action) -> tuple[Action, ...]:
    """These actions with the guard open."""
    return (open_guard, *actions, Plant.turn_to_dwell, shut_guard)


# What the remedy of a cause asks of the hands; the others need none.
HANDS: dict[int, tuple[Action, ...]] = {
    causes.GUARD_OPEN: (shut_guard,),
    causes.DRIVE_FAULT: (Plant.reset_drive,),
    causes.JAMMED: reaching_in(Plant.clear),
    causes.BENCH_STALL: reaching_in(Plant.clear),
    causes.SLIPPED: reaching_in(Plant.clear, Plant.mend_index),
    causes.POSITION_UNKNOWN: reaching_in(Plant.clear, Plant.mend_index),
    causes.BEAM_DEAD: reaching_in(Plant.mend_beam),
    causes.BEAM_BLOCKED: (Plant.clear, Plant.mend_beam),
    causes.CHUTE_BLOCKED: (Plant.clear, Plant.mend_beam),
    causes.MAGAZINE_EMPTY: (Plant.clear,),
    causes.RECEIVER_NOT_READY: (place_receiver,),
}


def last_look(plant: Plant) -> None:
    """See that driver, bag and guard are as they should be before the unit is started."""
    plant.reset_drive()
    place_receiver(plant)
    shut_guard(plant)


def fill(plant: Plant, parts: int) -> None:
    """Put up to `parts` into the magazine, no more than go in."""
    parts = min(parts, plant.world.capacity - plant.truth.in_magazine)
    if parts > 0:
        plant.refill(parts)


class Attendant:
    """Looks after a module on behalf of `client`, which is connected to it."""

    def __init__(self, module: SimModule, client: DispenserClient) -> None:
        self._module = module
        self._plant = module.plant
        self._client = client
        self._as_found = True  # the magazine, before it has first been looked after
        self.helped = 0  # times the unit had stopped and was put right
        self.sprockets = 0  # changed because they were worn

    def prepare(self, quantity: int) -> None:
        """Have the unit in Execute, and parts for a request of `quantity` as far as they fit.

        Raises NotReadyError if the unit falls back however often it is put right.
        """
        for left in reversed(range(TRIES)):
            self._put_right()
            self._tend_sprocket()
            self._tend_magazine(quantity)
            try:
                self._client.make_ready()
                return
            except (NotReadyError, DeviceError):
                if not left:
                    raise

    def watch(self, progress: Progress) -> None:
        """Look at an open request: refill the magazine if it waits for that."""
        if progress.state is RequestState.WAITING and not self._plant.truth.in_magazine:
            self._refill()
            if self._client.state() is UnitState.SUSPENDED:
                self._client.command("unsuspend")

    def _put_right(self) -> None:
        code = self._client.cause().code
        if self._client.state() is UnitState.EXECUTE or not code:
            return
        self.helped += 1
        self._lay_hands(*HANDS.get(code, ()), last_look)

    def _tend_sprocket(self) -> None:
        counters = self._client.counters()
        if counters.pieces < counters.rated or self._client.state() is not UnitState.EXECUTE:
            return
        self._client.command("stop")
        self._client.change_mode(UnitMode.MAINTENANCE)
        self._lay_hands(*reaching_in(Plant.change_sprocket))
        self._client.sprocket_changed()
        self._client.change_mode(UnitMode.PRODUCTION)
        self.sprockets += 1

    def _lay_hands(self, *actions: Action) -> None:
        for action in actions:
            action(self._plant)
            self._module.run_until(self._module.now_us + PACE_US)

    def _tend_magazine(self, quantity: int) -> None:
        in_magazine = self._plant.truth.in_magazine
        if self._as_found:
            self._as_found = False
            if in_magazine:
                self._client.load_magazine(in_magazine)
        elif in_magazine < max(quantity, self._plant.world.low_level):
            self._refill()

    def _refill(self) -> None:
        fill(self._plant, self._plant.world.capacity)
        magazine = self._client.magazine()
        if magazine.level < magazine.capacity:
            self._client.load_magazine(magazine.capacity - magazine.level)


class Bystander:
    """Does with the hands what a served module asks for and its host reports."""

    def __init__(self, module: SimModule) -> None:
        self._module = module
        self._due: list[tuple[int, Action]] = []  # what is yet to be done, and when

    def look(self) -> None:
        """See what the module has shown since the last look; do what is due by now."""
        plant, now_us = self._module.plant, self._module.now_us
        for _, kind, a, _ in self._module.notes:
            if kind == events.MAGAZINE:
                fill(plant, a - plant.truth.in_magazine)
            elif kind == events.CAUSE and not self._due:
                actions = HANDS.get(a, ())
                self._due = [
                    (now_us + place * PACE_US, action) for place, action in enumerate(actions, 1)
                ]
        self._module.notes.clear()
        while self._due and self._due[0][0] <= now_us:
            self._due.pop(0)[1](plant)
