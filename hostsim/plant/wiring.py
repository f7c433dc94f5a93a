"""The wiring between a board and its machine: as it should be, or with the usual mistakes in it.

Theory of operation
-------------------
A first power-up is there to find what was wired wrong, so the plant can be.  A mistake sits
between the machine and what the board sees or drives; the machine itself is sound, and a guard
still cuts the drive in hardware where only the board's contact is wrong.  Bits are those of the
ports: what the two sides of a wire have in common.
"""

from dataclasses import dataclass

from controller.board.ports import DRIVE_HEALTHY, GUARD_CLOSED
from hostsim.plant.steps import MoveWords


@dataclass(frozen=True)
class Wiring:
    """Mistakes in the wiring of one module; none by default."""

    motor_reversed: bool = False  # one winding the wrong way round: it turns the other way
    motor_open: bool = False  # a winding without contact: it gets no torque
    guard_inverted: bool = False  # a contact that opens where it should close
    guard_bridged: bool = False  # a wire bridges the contact: the board never sees it open
    driver_fault: bool = False  # the driver's fault output is active, or its wire broken
    beam_reads: int | None = None  # what a beam reads that sees nothing: 0 clear, 1 blocked
    test_open: bool = False  # the beam's test output is not connected
    index_open: bool = False  # the pocket index sensor is not connected

    def seen(self, levels: int) -> int:
        """The level bits that the board reads where the machine's are `levels`."""
        if self.guard_inverted:
            levels ^= GUARD_CLOSED
        if self.guard_bridged:
            levels |= GUARD_CLOSED
        if self.driver_fault:
            levels &= ~DRIVE_HEALTHY
        return levels

    def turned(self, move: MoveWords) -> MoveWords:
        """The move as the motor makes it."""
        return _Reversed(move) if self.motor_reversed else move


class _Reversed:
    """A move the other way round."""

    def __init__(self, move: MoveWords) -> None:
        self.direction = -move.direction
        self.head = move.head
        self.cruise_steps = move.cruise_steps
        self.cruise_ticks = move.cruise_ticks
        self.tail = move.tail


SOUND = Wiring()
