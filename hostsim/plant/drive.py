"""The drive: pulses turn the rotor, the rotor turns the sprocket, and both may fail to.

Theory of operation
-------------------
`phase` is where the stepper's field stands: it counts every pulse. While the rotor is *held*, it
stands at the field plus a whole number of electrical cycles (four full steps each) that it has
lost before. A rotor that pulled out, or ran into a jam, stays where it is until the pulses end and
then settles on the nearest place the field holds it at.

The gears have play: the sprocket's `travel`, in motor steps, is anywhere between the rotor's
position and `lash_steps` more. Forward drive keeps it at the rotor, backward drive at the other
end, and a reversal first crosses the play.

A move is not simulated step by step. For every mark on the sprocket the drive works out at which
pulse it will be reached and puts that time on the agenda; when anything changes the motion, `_plan`
numbers the plan anew, so that events of the old one find themselves outdated.
"""

from collections.abc import Callable, Iterator, Sequence
from math import ceil, floor

from controller.board.ports import CUT, RUNNING, STALLED
from hostsim.plant.agenda import Agenda
from hostsim.plant.eventlog import EventLog
from hostsim.plant.marks import Mark
from hostsim.plant.steps import TICKS_PER_US, MoveWords, StepTrain, TrainReader
from hostsim.plant.torque import PullOutCheck, coast_steps, overrun_cycles
from hostsim.plant.world import World

# on_rest(direction, travel at the start, travel now, fastest rate of the move in steps/s)
OnRest = Callable[[int, float, float, float], None]
IDLE = StepTrain([], 0, 1, [], (b"", 1, b""))


class Drive:
    """Stepper, driver, gear train and lash."""

    def __init__(self, world: World, agenda: Agenda, log: EventLog, travel: float) -> None:
        """`travel`: where the sprocket stands at power-up, in motor steps from a dwell position."""
        self.travel = travel
        self.running = False
        self.ahead: Sequence[Mark] = ()  # marks that matter forward; the plant fills these in
        self.behind: Sequence[Mark] = ()  # and backward
        self.on_rest: OnRest | None = None
        self.stall_reported: Callable[[], bool] = lambda: True
        self.barrier: float | None = None  # travel that a wedged part keeps the sprocket below
        self._world = world
        self._agenda = agenda
        self._log = log
        self._reader = TrainReader()
        self._check = PullOutCheck(world)
        self._phase = 0
        self._rotor = float(travel)  # forward contact: rotor and sprocket agree
        self._home = travel  # rotor minus field, while held and nothing is lost
        self._held = True
        self._enabled = False
        self._guard_shut = True
        self._healthy = True
        self._flags = 0
        self._train = IDLE
        self._direction = 1
        self._start_us = 0
        self._end_us = 0
        self._base = 0.0  # rotor at pulse 0, had it been held all along
        self._from = travel
        self._issued = 0
        self._move = 0  # number of the present move
        self._plan_number = 0

    # What the board calls.

    def start(self, move: MoveWords) -> int:
        """Begin a move; returns the time it will take in microseconds (0: the drive is cut)."""
        if self.running:
            raise RuntimeError("drive_start while a move is running")
        self._issued = 0
        if not self._guard_shut:
            self._log.add(self._agenda.now_us, "move refused, the guard is open")
            return 0
        if not self._enabled:
            raise RuntimeError("drive_start with the motor released")
        self._flags = 0
        self._train = self._reader.read(move)
        self._direction = 1 if move.direction > 0 else -1
        self._start_us = self._agenda.now_us
        self._base = self._rotor
        self._from = self.travel
        self._move += 1
        self.running = True
        for mark in self._marks():
            mark.seek(self.travel, self._direction)
        way = "forward" if self._direction > 0 else "back"
        self._log.add(self._start_us, f"move {way} {self._train.steps} steps")
        self._plan_end()
        self._plan()
        return self._end_us - self._start_us

    def amend(self, cruise_steps: int) -> None:
        """Shorten the cruise of the running move."""
        if not self.running:
            return  # the move ended while the firmware made up its mind
        train = self._train.with_cruise(cruise_steps)
        if len(train.head) + cruise_steps < self.issued():
            raise RuntimeError("drive_amend to a cruise that is already over")
        self._train = train
        self._log.add(self._agenda.now_us, f"move amended to {train.steps} steps")
        self._plan_end()
        self._plan()

    def halt(self) -> None:
        """No further pulse; the rotor may run on past a field that stops dead."""
        if not self.running:
            return
        self._issued = self.issued()
        cycles = overrun_cycles(self._world, self._train.rate_steps_s(self._issued))
        self._log.add(self._agenda.now_us, f"halt after {self._issued} steps")
        self._come_to_rest()
        if self._held and cycles:
            self._log.add(self._agenda.now_us, f"rotor overruns by {cycles} cycles")
            self._shift(self._rotor + self._direction * cycles * self._world.cycle_steps)
            self._settle()
        self._report_rest()

    def enable(self, on: bool) -> None:
        """Energise or release the motor."""
        was = self._powered()
        self._enabled = on
        self._power_changed(was)

    def status(self) -> tuple[int, int]:
        """Return (flags, pulses issued since the last start)."""
        if self.running:
            return self._flags | RUNNING, self.issued()
        return self._flags, self._issued

    def issued(self) -> int:
        """Pulses issued since the last start."""
        if not self.running:
            return self._issued
        return self._train.issued((self._agenda.now_us - self._start_us) * TICKS_PER_US)

    # What happens to the drive.

    def guard(self, shut: bool) -> None:
        """The guard switch has moved. Open, it cuts pulses and current in hardware."""
        was = self._powered()
        self._guard_shut = shut
        if not shut:
            self._flags |= CUT
            if self.running:
                self._issued = self.issued()
                rate = self._train.rate_steps_s(self._issued)
                self._come_to_rest()
                self._run_on(rate)
                self._report_rest()
        self._power_changed(was)

    def fault(self, healthy: bool) -> None:
        """The driver shuts its output stage down, or is reset. Pulses go on, unheeded."""
        was = self._powered()
        self._healthy = healthy
        self._power_changed(was)

    def unplug(self) -> None:
        """The motor, at rest, loses its cable: no current reaches it, whatever the driver does."""
        self._healthy = False
        self._held = False

    def wedge(self, place: float) -> None:
        """A part blocks the sprocket at `place`, which it has just reached forward."""
        self.barrier = place
        if self.running:
            self._lose(min(self._present(), ceil(place) - 1.0))

    def slip(self, cycles: int) -> None:
        """The rotor falls back by electrical cycles and goes on."""
        if self.running and self._held:
            self._base -= self._direction * cycles * self._world.cycle_steps
            self._plan()

    def turn_by_hand(self, travel: float) -> None:
        """A person turns the resting sprocket, and with it the motor, to `travel`."""
        if self.running:
            raise RuntimeError("a person does not reach into a running sprocket")
        self._shift(travel if travel >= self.travel else travel - self._world.lash_steps)
        if self._powered():
            self._settle()

    # Motion.

    def _plan_end(self) -> None:
        ticks = self._train.ticks(self._train.steps)
        self._end_us = self._start_us - (-ticks // TICKS_PER_US)
        self._agenda.at(self._end_us, self._end, self._move)

    def _plan(self) -> None:
        """Work out anew what the present move will reach, and when."""
        self._plan_number += 1
        if not self._held:
            return
        for mark in self._marks():
            self._aim(mark)
        pull_out = self._check.of(self._train)
        if pull_out:
            time_us = self._time_of(pull_out.of(self._train))
            self._agenda.at(time_us, self._pull_out, self._plan_number)

    def _marks(self) -> Sequence[Mark]:
        return self.ahead if self._direction > 0 else self.behind

    def _aim(self, mark: Mark) -> None:
        """Put on the agenda when the sprocket reaches `mark`, if this move takes it there."""
        place = mark.place(mark.pocket)
        if self._direction > 0:
            pulses = ceil(place - self._base)
        else:  # passed back over once the travel is less than the place
            pulses = floor(self._base + self._world.lash_steps - place) + 1
        if pulses <= self._train.steps:
            self._agenda.at(self._time_of(pulses), self._reach, (self._plan_number, mark))

    def _time_of(self, pulses: int) -> int:
        """First microsecond at which that pulse is out; now, if it is already."""
        time_us = self._start_us - (-self._train.ticks(pulses) // TICKS_PER_US)
        return max(time_us, self._agenda.now_us)

    def _reach(self, aim: tuple[int, Mark]) -> None:
        number, mark = aim
        if number != self._plan_number:
            return
        pocket = mark.pocket
        mark.pocket = pocket + self._direction
        self._aim(mark)
        mark.crossed(pocket, self._direction)

    def _end(self, move: int) -> None:
        """The last pulse is out; what it brings over a mark happens before the move is over."""
        self._agenda.at(self._agenda.now_us, self._finish, move)

    def _finish(self, move: int) -> None:
        if not self.running or move != self._move or self._agenda.now_us != self._end_us:
            return
        self._issued = self._train.steps
        self._come_to_rest()
        self._log.add(self._agenda.now_us, "move ends")
        self._report_rest()
        self._agenda.urgent = True

    def _pull_out(self, number: int) -> None:
        """The train asks for more torque than there is."""
        if number != self._plan_number:
            return
        self._log.add(self._agenda.now_us, "motor pulls out")
        rate = self._train.rate_steps_s(self.issued())
        self._lose(self._present())
        self._run_on(rate)

    def _lose(self, rotor: float) -> None:
        """The rotor stands at `rotor` and no longer follows the field."""
        self._rotor = rotor
        self._held = False
        self._plan_number += 1
        self._follow()
        if self.stall_reported():
            due_us = self._agenda.now_us + self._world.stall_report_us
            self._agenda.at(due_us, self._report_stall, self._move)

    def _report_stall(self, move: int) -> None:
        """The driver has noticed, if the move it would notice it in still runs."""
        if self.running and move == self._move:
            self._flags |= STALLED
            self._log.add(self._agenda.now_us, "stall input")
            self._agenda.urgent = True

    def _come_to_rest(self) -> None:
        """The pulses have ended; `_issued` says after how many."""
        if self._held:
            self._rotor = self._base + self._direction * self._issued
        self._phase += self._direction * self._issued
        self.running = False
        self._plan_number += 1
        if self._held:
            self._follow()
        elif self._powered():
            self._settle()

    def _report_rest(self) -> None:
        if self.on_rest:
            # Every profile is at its fastest in the middle.
            fastest_steps_s = self._train.rate_steps_s((self._train.steps + 1) // 2)
            self.on_rest(self._direction, self._from, self.travel, fastest_steps_s)

    def _present(self) -> float:
        """Where the rotor is now."""
        if self.running and self._held:
            return self._base + self._direction * self.issued()
        return self._rotor

    # The rotor without, or back in, its field.

    def _powered(self) -> bool:
        return self._enabled and self._guard_shut and self._healthy

    def _power_changed(self, was: bool) -> None:
        now = self._powered()
        if was and not now:
            if self.running and self._held:
                rate = self._train.rate_steps_s(self.issued())
                self._rotor = self._present()
                self._held = False
                self._plan_number += 1
                self._follow()
                self._run_on(rate)
            self._held = False
        elif now and not was and not self.running:
            self._settle()

    def _run_on(self, rate_steps_s: float) -> None:
        self._shift(self._rotor + self._direction * coast_steps(self._world, rate_steps_s))

    def _settle(self) -> None:
        """The field takes the rotor to the nearest place where it can hold it."""
        cycle, barrier = self._world.cycle_steps, self.barrier
        home = self._phase + self._home
        lost = round((self._rotor - home) / cycle)
        if barrier is not None and home + lost * cycle >= barrier:
            lost -= 1
        self._held = True
        self._shift(home + lost * cycle)
        if self.barrier != barrier:
            self._settle()  # a part wedged on the way

    def _shift(self, rotor: float) -> None:
        """Move the rotor at once, letting the sprocket cross what lies on the way."""
        direction = 1 if rotor >= self._rotor else -1
        for mark in self.ahead if direction > 0 else self.behind:
            mark.seek(self.travel, direction)
        for place, mark in self._on_the_way(self._sprocket_at(rotor), direction):
            if self.barrier is not None and place >= self.barrier:
                break
            pocket, mark.pocket = mark.pocket, mark.pocket + direction
            mark.crossed(pocket, direction)
        if self.barrier is not None:
            rotor = min(rotor, ceil(self.barrier) - 1.0)
        self._rotor = rotor
        self._follow()

    def _on_the_way(self, reach: float, direction: int) -> Iterator[tuple[float, Mark]]:
        """Marks up to `reach`, nearest first; the taker moves each on to its next pocket."""
        marks = self.ahead if direction > 0 else self.behind
        while marks:
            place, mark = min(
                ((mark.place(mark.pocket), mark) for mark in marks),
                key=lambda pair: direction * pair[0],
            )
            if (place - reach) * direction > 0:
                return
            yield place, mark

    def _sprocket_at(self, rotor: float) -> float:
        """Where the gears leave the sprocket when the rotor goes to `rotor`."""
        return min(max(self.travel, rotor), rotor + self._world.lash_steps)

    def _follow(self) -> None:
        self.travel = self._sprocket_at(self._rotor)
