"""A robot without a bus: its end of the hard-wired hand-shake with a simulated module.

    robot = WiredRobot(module)
    if robot.fetch():
        ...  # exactly `wires_quantity` parts are in the nest

Theory of operation
-------------------
The robot's controller looks at its inputs once per scan and drives one output, as the program of
any robot or PLC would.  All its waits are in the module's virtual time and end: whoever does not
answer within the robot's patience is given up by a TimeoutError, and give is left as it was.
"""

from collections.abc import Callable

from controller.board.ports import OUT_DONE, OUT_FAULT, OUT_READY
from hostsim.module import SimModule

SCAN_US = 10_000  # common practice: a PLC goes round in about 10 ms
PATIENCE_US = 120_000_000  # beyond the patience of the shipped modules themselves


class WiredRobot:
    """Drives give, reads ready, done and fault."""

    def __init__(self, module: SimModule, patience_us: int = PATIENCE_US) -> None:
        self._module = module
        self._patience_us = patience_us

    def fetch(self) -> bool:
        """One give through all four phases; True for done, False for fault."""
        self.wait(lambda outputs: outputs == OUT_READY)
        self._module.plant.give(True)
        done = self.wait(lambda outputs: outputs & (OUT_DONE | OUT_FAULT) != 0) == OUT_DONE
        self.lower()
        return done

    def lower(self) -> None:
        """Lower give and see done and fault go."""
        self._module.plant.give(False)
        self.wait(lambda outputs: outputs & (OUT_DONE | OUT_FAULT) == 0)

    def acknowledge(self) -> None:
        """Raise and lower give to a fault that has come up while give was low."""
        self._module.plant.give(True)
        self.pause(self._module.config.settings.wires_debounce_ms * 1000 + SCAN_US)
        self.lower()

    def pause(self, time_us: int) -> None:
        """Let time pass."""
        self._module.run_until(self._module.now_us + time_us)

    def wait(self, wanted: Callable[[int], bool]) -> int:
        """Scan until the outputs are as wanted, and return them; TimeoutError if they never are."""
        module = self._module
        limit_us = module.now_us + self._patience_us
        while not wanted(module.board.outputs):
            if module.now_us >= limit_us:
                raise TimeoutError(
                    f"the module's outputs stay {module.board.outputs:03b} for "
                    f"{self._patience_us / 1e6:g} s; ask WIRes:STATe? and UNIT:CAUSe? why"
                )
            self.pause(SCAN_US)
        return module.board.outputs
