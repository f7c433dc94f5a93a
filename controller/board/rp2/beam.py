"""The through-beam sensor on a pin: edges stamped by a hard interrupt.

Theory of operation
-------------------
The pin interrupts on both edges.  The handler only stores: ticks and level go into a `Ring`, and
everything else is done by whoever drains it.  The level is read in the handler, some 20 us after
the edge; a pulse that is over by then leaves two edges with one stamp, a dark time of nothing,
which the counting takes for the disturbance it is.

The handler can come late by more than that in one case: while flash memory is being written the
chip runs with interrupts off, for tens of milliseconds.  A part that falls meanwhile could leave
anything from nothing to one late edge.  So whoever writes flash says so (`distrust`), and every
edge that shows up meanwhile counts as lost as well, which makes a request that counts doubtful.

A cut wire or a dead sensor reads blocked: the pin is pulled to the level that means dark.
"""

from controller.board.rp2.ring import LOST_MASK, Ring

# Edges between two rounds of the main loop.  A part makes four at most but for chatter; at ten
# parts a second and 50 ms from round to round that is two parts, so this is room for heavy chatter.
RING_EDGES = 256


class Beam:
    """`controller.board.ports.Beam`. `pin`: input; `test_output`: a `machine.Signal` or like it."""

    def __init__(self, pin, dark_level, test_output, clock, edges):
        """`dark_level`: what the pin reads when blocked; `edges`: trigger for both edges."""
        self._pin = pin
        self._dark_level = dark_level
        self._test_output = test_output
        self._clock = clock
        self._ticks_us = clock.ticks_us
        self._ring = Ring(RING_EDGES)
        self._distrusted = False
        self._level = 1 if pin.value() == dark_level else 0  # after the last edge
        test_output.value(0)
        pin.irq(handler=self._on_edge, trigger=edges, hard=True)

    def drain(self):
        return self._ring.drain(self._clock)

    def read(self):
        return (1 if self._pin.value() == self._dark_level else 0, self._ring.lost)

    def test(self, on):
        self._test_output.value(1 if on else 0)

    def distrust(self, on):
        """Say that interrupts may come late from now on, or no more."""
        self._distrusted = on

    def _on_edge(self, pin):
        """Hard interrupt: store, nothing else."""
        stamp = self._ticks_us()
        level = 1 if pin.value() == self._dark_level else 0
        ring = self._ring
        if level == self._level:  # there and back before it could be read
            ring.put(stamp, 1 - level)
        ring.put(stamp, level)
        self._level = level
        if self._distrusted:
            ring.lost = (ring.lost + 1) & LOST_MASK
