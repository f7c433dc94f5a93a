"""Modules on a line that goes wrong and a plug that is pulled, in virtual time; and the truth.

A `Rig` has modules on one simulated line, each with a store that outlives its power, and a client
for each, over Modbus or SCPI.  What really fell is kept as `tallywheel serve --truth` does.
"""

import csv
import io
import math
from collections import Counter
from pathlib import Path

from controller.record.events import REQUEST_OPEN
from hostsim.board import BUS, LINE
from hostsim.client import DispenserClient
from hostsim.config import load
from hostsim.dispenser import Dispenser
from hostsim.links import TextLink
from hostsim.modbus_client import ModbusClient
from hostsim.modbus_master import ModbusMaster
from hostsim.module import SimModule
from hostsim.plant.line import MIXES
from hostsim.sharedline import SharedLine
from hostsim.store import PowerCut, SimStore
from hostsim.truthlog import HEADING, TruthLog
from hostsim.wires import SimWire

SECOND_US = 1_000_000
CONFIGS = [
    load(Path(__file__).parents[2] / "configs" / f"{name}.toml")
    for name in ("m4_nut", "m4_washer", "m4x12_socket_screw")
]
ANSWER_S = 0.3  # a module answers within milliseconds; the longer, the longer a test
RETURN_S = 1.0


class PluggedModule(SimModule):
    """A module that comes back whenever its power has gone, be it in the middle of a write."""

    def __init__(self, config, seed=1, faults="none"):
        self.cuts = 0
        self.trip_us: int | None = None  # the plug goes so long after the first request is opened
        super().__init__(config, seed, faults, store=SimStore())

    def run_until(self, until_us: int) -> None:
        try:
            super().run_until(until_us)
        except PowerCut:
            self.pull_plug()
            self.run_until(until_us)
        if self.trip_us is not None and self._opened_us() + self.trip_us <= until_us:
            self.trip_us = None
            self.pull_plug()

    def _opened_us(self) -> float:
        return next((note[0] for note in self.notes if note[1] == REQUEST_OPEN), math.inf)

    def pull_plug(self) -> None:
        """Pull the plug and put it back."""
        self.cuts += 1
        while True:
            try:
                return self.board.power_cycle()
            except PowerCut:
                self.cuts += 1


class Rig:
    """`link` is "modbus" or "scpi"; a line of SCPI has one module."""

    def __init__(self, link: str, modules: int, seed: int = 1, faults: str = "none") -> None:
        self.link = link
        self.modules = [
            PluggedModule(config, seed + place, faults)
            for place, config in enumerate(CONFIGS[:modules])
        ]
        self._truth = io.StringIO(HEADING + "\n")
        self._truth.seek(0, io.SEEK_END)
        for module in self.modules:
            TruthLog(module, self._truth)
        self.line = SharedLine(self.modules, BUS if link == "modbus" else LINE, seed=seed)
        self.clients: list[Dispenser] = []
        self.connect()

    def connect(self) -> None:
        """Begin with new clients, as a host does that has been started again."""
        wire = SimWire(self.line)
        if self.link == "modbus":
            master = ModbusMaster(wire, timeout_s=ANSWER_S, reconnect_s=RETURN_S)
            self.clients = [
                ModbusClient(master, module.config.settings.bus_address) for module in self.modules
            ]
        else:
            link = TextLink(wire)
            self.clients = [
                DispenserClient(link, timeout_s=ANSWER_S, reconnect_s=RETURN_S, poll_s=0.2)
            ]

    def wait(self, seconds: float) -> None:
        self.line.run_until(self.line.now_us + round(seconds * SECOND_US))

    def mend_line(self) -> None:
        """No more faults; what is still under way arrives."""
        self.line.medium.mix = MIXES["none"]
        self.wait(10)
        self.line.read()

    def openings(self) -> list[tuple[tuple[int, int], int]]:
        """Every opening of a request: ((module, ticket), parts that fell from then on)."""
        places = {
            str(module.config.settings.bus_address): place
            for place, module in enumerate(self.modules)
        }
        openings: list[tuple[tuple[int, int], int]] = []
        latest = {place: -1 for place in places.values()}  # where a module's last one stands
        for row in csv.DictReader(self._truth.getvalue().splitlines()):
            place = places[row["module"]]
            if row["what"] == "open":
                latest[place] = len(openings)
                openings.append(((place, int(row["ticket"])), 0))
            elif row["what"] == "part":
                key, parts = openings[latest[place]]
                openings[latest[place]] = (key, parts + 1)
        return openings

    def fell(self) -> Counter[tuple[int, int]]:
        """Parts that really fell, by (module, ticket)."""
        fell: Counter[tuple[int, int]] = Counter()
        for key, parts in self.openings():
            fell[key] += parts
        return fell
