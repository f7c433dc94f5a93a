"""The plant: one dispensing module that can be driven and watched, but not believed.

Theory of operation
-------------------
The plant wires its rooms to one agenda of virtual time: the drive turns the sprocket, the pockets
feed and let go, the chute carries parts past the beam, and outside mishaps interfere. It hands out
only what a board would see (edges, index edges, levels, drive status). What really happened is in
`truth`, for tests and studies, and in the log.

The same seed and the same commands at the same virtual times give the same log, however `advance`
is sliced. All commands take effect at `now_us`.
"""

from dataclasses import replace

import numpy as np

from controller.board.ports import DRIVE_HEALTHY, GIVE, GUARD_CLOSED, MAGAZINE_OK, RECEIVER_READY
from hostsim.plant.agenda import Agenda
from hostsim.plant.beam import Beam
from hostsim.plant.chute import Chute
from hostsim.plant.drive import Drive
from hostsim.plant.eventlog import EventLog
from hostsim.plant.fall import dark_s
from hostsim.plant.faults import FaultMix, find
from hostsim.plant.inputs import Inputs
from hostsim.plant.ledger import Ledger
from hostsim.plant.mishaps import Mishaps
from hostsim.plant.pockets import Pockets
from hostsim.plant.steps import MoveWords
from hostsim.plant.wiring import SOUND, Wiring
from hostsim.plant.world import Described, World

Stamp = tuple[int, int]  # when, and what: a level or a code


class Plant:
    """One simulated module: the drive, beam and input ports, a person's hands, and the truth."""

    def __init__(
        self,
        config: Described,
        seed: int,
        faults: str | FaultMix,
        log: EventLog,
        *,
        world: World | None = None,
        magazine: int | None = None,
        offset_pockets: float = 0.0,
        wiring: Wiring = SOUND,
    ) -> None:
        """Put a module on the bench, its sprocket primed and its motor not energised.

        `config` gives the true parameters unless `world` does. `magazine` is the number of parts
        in it at first (default: what the fault mix says, else full). `offset_pockets` turns the
        sprocket away from the dwell position; `wiring` may have mistakes in it. ValueError for an
        unknown fault mix.
        """
        mix = find(faults)
        world = world or World.of(config)
        world = replace(world, torque_corner=world.torque_corner * mix.torque_corner)
        # A stream per room: what one room draws does not shift what another gets.
        pocket_chance, chute_chance, mishap_chance, stall_chance = (
            np.random.Generator(np.random.PCG64(source))
            for source in np.random.SeedSequence(seed).spawn(4)
        )
        self.log = log
        self.truth = Ledger()
        self.world = world
        self.mix = mix
        self._agenda = Agenda()
        self._inputs = Inputs(self._agenda, log)
        self._beam = Beam(world.respond_us, self._agenda, log)
        self._chute = Chute(mix, self._agenda, log, self.truth, self._beam, chute_chance)
        self._drive = Drive(world, self._agenda, log, offset_pockets * world.steps_per_pocket)
        self._pockets = Pockets(
            world, mix, self._agenda, log, self.truth, self._drive, self._chute, pocket_chance
        )
        self._drive.ahead, self._drive.behind = self._pockets.marks(self._inputs.index_edge)
        self._drive.on_rest = self._pockets.rest
        self._drive.stall_reported = lambda: stall_chance.random() >= mix.stall_blind
        self._pockets.level_changed = lambda ok: self._inputs.set(MAGAZINE_OK, ok)
        self._pockets.prime(self._drive.travel)
        filling = mix.magazine_parts if magazine is None else magazine
        self._pockets.refill(world.capacity if filling is None else filling)
        self._mishaps = Mishaps(
            mix,
            self._agenda,
            self.truth,
            self._beam,
            self._inputs,
            self._set_level,
            mishap_chance,
            int(1e6 * dark_s(world.drop_m, world.shortest_m, world.kick_m_s)),
        )
        self._covered = False  # a person holds something into the beam
        self._wiring = wiring
        if wiring.motor_open:
            self._drive.unplug()
        if wiring.beam_reads is not None:
            self._beam.die(wiring.beam_reads)
        if wiring.index_open:
            self._inputs.index_alive = False

    # Time.

    @property
    def now_us(self) -> int:
        """Virtual time in microseconds since power-up."""
        return self._agenda.now_us

    @property
    def woken(self) -> bool:
        """Whether the last `advance` ended because of something urgent."""
        return self._agenda.woken

    def advance(self, until_us: int) -> int:
        """Let time go on to `until_us`, or to just after the first urgent event.

        Urgent: a move ended, the stall input rose, a level changed (by a person's hand between
        two calls, too). Returns the time reached.
        """
        return self._agenda.run(until_us)

    # What the board sees. It takes the lists by putting new ones in their place.

    @property
    def edges(self) -> list[tuple[int, int]]:
        """Beam edges as (time_us, blocked), oldest first."""
        return self._beam.edges

    @edges.setter
    def edges(self, edges: list[tuple[int, int]]) -> None:
        self._beam.edges = edges

    @property
    def changes(self) -> list[tuple[int, int]]:
        """Input changes as (time_us, code of `controller.board.ports`), oldest first."""
        return self._inputs.changes

    @changes.setter
    def changes(self, changes: list[tuple[int, int]]) -> None:
        self._inputs.changes = changes

    def sense(self) -> tuple[int, tuple[int, int], int, list[Stamp], list[Stamp]]:
        """All that a board sees in one round, taken: levels, drive, beam, edges, changes."""
        beam, inputs = self._beam, self._inputs
        edges, beam.edges = beam.edges, []
        changes, inputs.changes = inputs.changes, []
        return self.look(), self._drive.status(), beam.blocked, edges, changes

    @property
    def blocked(self) -> int:
        """What the beam reads now."""
        return self._beam.blocked

    @property
    def levels(self) -> int:
        """The level bits of `controller.board.ports` as they are."""
        return self._inputs.levels

    def look(self) -> int:
        """The level bits for the board, which holds a lapse of guard or driver until it looks."""
        return self._wiring.seen(self._inputs.look())

    def drive_start(self, move: MoveWords) -> None:
        """Begin a move. RuntimeError if one is running or the motor is released."""
        lasts_us = self._drive.start(self._wiring.turned(move))
        if lasts_us:
            self._mishaps.move_started(lasts_us)

    def drive_amend(self, cruise_steps: int) -> None:
        """Shorten the running move. RuntimeError if that part of it is already over."""
        self._drive.amend(cruise_steps)

    def drive_halt(self) -> None:
        """No further pulse."""
        self._drive.halt()

    def drive_enable(self, on: bool) -> None:
        """Energise or release the motor."""
        self._drive.enable(on)

    def drive_status(self) -> tuple[int, int]:
        """Return (flags of `controller.board.ports`, pulses since the last start)."""
        return self._drive.status()

    def power_cut(self) -> None:
        """The power goes: pulses end, the rotor coasts, nothing is seen any more."""
        self._drive.enable(False)
        self._drive.halt()
        self._beam.test(False)
        self._beam.edges = []
        self._inputs.changes = []

    def beam_test(self, on: bool) -> None:
        """Switch the beam's test output."""
        if not self._wiring.test_open:
            self._beam.test(on)

    # What a person at the bench can do.

    def refill(self, parts: int) -> None:
        """Put parts into the magazine."""
        self.log.add(self.now_us, f"a person fills in {parts} parts")
        self._pockets.refill(parts)

    def clear(self) -> None:
        """Take out a wedged part and what is lodged in the chute; shake a train loose."""
        self.log.add(self.now_us, "a person clears channel and chute")
        self._pockets.clear()
        self._chute.clear()

    def empty(self) -> None:
        """Take every part out: of the magazine, the sprocket and the chute."""
        self.log.add(self.now_us, "a person empties the module")
        self._pockets.pour_out()
        self._chute.clear()

    def guard(self, shut: bool) -> None:
        """Open or shut the guard."""
        self._set_level(GUARD_CLOSED, shut)

    def receiver(self, ready: bool) -> None:
        """Take the bag away or put one in place."""
        self._set_level(RECEIVER_READY, ready)

    def reset_drive(self) -> None:
        """Reset the driver after a fault."""
        self._set_level(DRIVE_HEALTHY, True)

    def cover_beam(self, covered: bool) -> None:
        """Hold a piece of card into the beam, or take it away; no more than one at a time."""
        if covered != self._covered:
            self._covered = covered
            self._beam.shade(1 if covered else -1)

    def mend_beam(self) -> None:
        """Put in a working beam."""
        self.log.add(self.now_us, "a person puts in a new beam")
        self._mishaps.mend_beam()

    def mend_index(self) -> None:
        """Put in a working index sensor."""
        self._inputs.index_alive = True

    def turn_to_dwell(self) -> None:
        """Turn the resting sprocket by hand to the nearest dwell position."""
        pitch = self.world.steps_per_pocket
        self.log.add(self.now_us, "a person turns the sprocket to its dwell position")
        self._drive.turn_by_hand(round(self._drive.travel / pitch) * pitch)

    def change_sprocket(self) -> None:
        """Put in a new, empty sprocket, in its dwell position."""
        self.log.add(self.now_us, "a person changes the sprocket")
        self._pockets.empty_all()
        self._pockets.pieces = 0
        self.turn_to_dwell()

    # What a robot without a bus can do.

    def give(self, up: bool) -> None:
        """Drive the robot's wire of the hard-wired hand-shake."""
        self._set_level(GIVE, up)

    # For tests and studies.

    @property
    def travel_pockets(self) -> float:
        """Where the sprocket really stood when it last came to rest, in pockets."""
        return self._drive.travel / self.world.steps_per_pocket

    def _set_level(self, bit: int, on: bool) -> None:
        """A switch moves; guard and driver act on the drive in hardware."""
        if not self._inputs.set(bit, on):
            return
        if bit == GUARD_CLOSED:
            self._drive.guard(on)
        elif bit == DRIVE_HEALTHY:
            self._drive.fault(on)
