"""A day at the bench that may end at any moment, and what must hold when the power comes back.

Theory of operation
-------------------
`Day.work` is a script: load, requests that run dry and are helped, one that is held, one that is
stopped, one given up, a new sprocket, and so many small ones that the small store is compacted
over and over.  It notes what the host has sent and what it has been told.

When the power has gone `Day.return_of_power` holds what a fresh module says against that and
against the plant's ledger: nothing moves, results told before are told again, the request that
was open has a result whose bounds hold for all that has fallen by now, and its ticket, asked
again, moves nothing.  Then a new request shows that the module still works.
"""

from dataclasses import dataclass, replace

from controller.record import events
from controller.settings import Settings
from hostsim.config import ModuleConfig
from hostsim.engine import InProcess
from hostsim.module import SimModule
from hostsim.plant.faults import FaultMix, find
from hostsim.store import PowerCut, SimStore
from tests.invariants.bench import CONFIGS, EXACT, SECOND_US, Bench, Script

# Small, so that a day sees many generations: a few records more than a snapshot takes up.
SIZES_BYTES = {1: 2_048, 256: 3_072, 4096: 3 * 4_096}
FILLING = 40  # parts in the magazine at first: it runs dry in the day
FIRST_TICKET = 65_526  # the numbers wrap in the day
LAST_TICKET = 65_535
KEPT = 16  # results
LOOSE_US = 6 * SECOND_US  # by then everything has fallen: what clings lets go within five seconds
UNRECORDED = 4  # parts beyond the checkpoint that may be missing: passed, or seen in that round
STOPPED, ABORTED = 2, 9
ABORTING = (11, 12)  # causes: the guard is open, the driver reports a fault
POWER_CUT = 42
DOUBTFUL = 2
POSITION_UNKNOWN = 1 << 8
OTHER_QUANTITY = -224


@dataclass(frozen=True)
class Setup:
    """What a day depends on. `every`: parts between two records, as `record_checkpoint`."""

    config: str = "m4_nut"
    mix: str = "none"
    seed: int = 1
    unit_bytes: int = 1
    every: int = 5

    def store(self) -> SimStore:
        """A blank store of this kind."""
        return SimStore(SIZES_BYTES[self.unit_bytes], self.unit_bytes)

    def module_config(self) -> ModuleConfig:
        """The shipped module with this checkpoint."""
        config = CONFIGS[self.config]
        values = {**config.settings.as_dict(), "record_checkpoint": self.every}
        return replace(config, settings=Settings(values))

    def faults(self) -> FaultMix:
        """The mix, with so few parts in the magazine that it runs dry."""
        return replace(find(self.mix), magazine_parts=FILLING)


@dataclass(frozen=True)
class Order:
    """A request that the host has sent and not yet got a result for."""

    ticket: int
    quantity: int
    sent_us: int
    pockets: int  # passed when it was sent


class Day:
    """One module, its host and its store for a day."""

    def __init__(self, setup: Setup, store: SimStore, module_type: type = SimModule) -> None:
        self.setup = setup
        self.store = store
        self.engine = InProcess()
        self.module = module_type(
            setup.module_config(), setup.seed, setup.faults(), self.engine, store=store
        )
        self.plant = self.module.plant
        self.bench = Bench(self.module)
        self.told: dict[int, list[int]] = {}  # results, by ticket, oldest first
        self.order: Order | None = None
        self._next_ticket = FIRST_TICKET
        self._changing = False  # magazine or sprocket: the counters jump

    # ---- the day ------------------------------------------------------------------------------

    def work(self) -> None:
        """The script, from a blank store to the evening."""
        self._load(FILLING)
        for quantity in (3, 1, 12, 5):
            self.request(quantity)
        self.request(20, [(700_000, "hold"), (SECOND_US, "unhold")])
        self.request(12)  # it runs dry
        self._load(100)
        self.request(9, [(600_000, "stop")])
        self.request(9, [(400_000, "cancel")])
        self._change_sprocket()
        self.request(6, [(900_000, "open guard"), (100_000, "shut guard")])
        for quantity in (2, 1, 4, 1, 1, 2, 1, 3, 1, 1):
            self.request(quantity)

    def request(self, quantity: int, script: Script = ()) -> None:
        """Order under the next ticket, see it closed, read the result."""
        self.bench.ready()
        self.order = Order(
            self._next_ticket, quantity, self.module.now_us, self.plant.truth.pockets_passed
        )
        self._next_ticket = self._next_ticket % LAST_TICKET + 1
        self._deliver(self.order, script)

    def _deliver(self, order: Order, script: Script = ()) -> None:
        self.bench.open(order.ticket, order.quantity)
        self.bench.play(script)
        self.bench.close()
        self._read_result(order)

    def _read_result(self, order: Order) -> None:
        self.told[order.ticket] = self.bench.result(order.ticket)
        self.order = None

    def _load(self, parts: int) -> None:
        self._changing = True
        self.module.tell(f"MAG:LOAD {parts}")
        self._changing = False

    def _change_sprocket(self) -> None:
        self._to_mode("MAINTENANCE")
        self.plant.change_sprocket()
        self.bench.ready()
        self._changing = True
        self.module.tell("SPR:CHAN")
        self._changing = False
        self._to_mode("PRODUCTION")

    def _to_mode(self, mode: str) -> None:
        self.module.tell("UNIT:COMM STOP")
        self.bench.state()
        self.module.tell(f"UNIT:MODE {mode}")

    # ---- the power ----------------------------------------------------------------------------

    def return_of_power(self, off_us: int, again: tuple[int, int] | None) -> None:
        """Switch on, and hold the module to everything. Raises AssertionError.

        `again`: a second cut in the midst of power-up, as (operations, bytes done of the next).
        """
        counters = self.engine.firmware.counters.as_tuple()
        if again is not None:
            self.store.cut_at = (self.store.operations + again[0], again[1])
        try:
            self.module.board.power_cycle(off_us)
        except PowerCut:
            self.module.board.power_cycle(off_us)
        self.store.cut_at = None
        self.module.read()
        self._check_counters(counters, self.engine.firmware.counters.as_tuple())
        pockets = self.plant.truth.pockets_passed
        self.bench.wait(LOOSE_US)
        self._check_unit()
        assert self.bench.ask("STAT:QUES:COND?")[0] & POSITION_UNKNOWN
        self._check_told()
        if self.order is not None:
            self._check_order(self.order)
        assert self.plant.truth.pockets_passed == pockets, "it moves without a command"
        self._repeat()
        self._go_on()

    def _check_unit(self) -> None:
        """Stopped, by the cut if it cost a request; or Aborted by guard or driver."""
        state, code = self.bench.ask("UNIT:STAT?")[0], self.bench.ask("UNIT:CAUS?")[0]
        if state == ABORTED:
            assert code in ABORTING
            return
        assert state == STOPPED
        interrupted = (
            self.order is not None
            and self._known(self.order)
            and (self.bench.result(self.order.ticket)[8] == POWER_CUT)
        )
        assert (code == POWER_CUT) == interrupted, code

    def _known(self, order: Order) -> bool:
        return order.ticket in self.bench.ask("REQ:TICK?")

    def _check_counters(self, before: tuple[int, ...], after: tuple[int, ...]) -> None:
        """What is counted lies back by no more than a record; the magazine ahead by as much."""
        if self._changing:
            return
        back = [there - here for there, here in zip(before, after, strict=True)]
        least = self.setup.every + UNRECORDED if self.setup.every else self.plant.truth.passed
        assert min(back[:-1]) >= 0, (before, after)
        assert back[0] <= least and 0 <= -back[-1] <= least, (before, after)

    def _check_told(self) -> None:
        """Results told before are told again, but for stray parts that have fallen since."""
        kept = self.bench.ask("REQ:TICK?")
        for ticket in list(self.told)[-KEPT + 1 :]:
            assert ticket in kept, f"result of {ticket} is lost"
            told, now = self.told[ticket], self.bench.result(ticket)
            if now != told:
                assert now[4] > told[4] and now[2] in (told[2], DOUBTFUL), (told, now)
                assert now[:2] + now[3:4] + now[5:8] == told[:2] + told[3:4] + told[5:8]

    def _check_order(self, order: Order) -> None:
        """The open request has a result that holds; or it never began and nobody knows it."""
        if not self._known(order):
            assert self.plant.truth.pockets_passed == order.pockets, "begun, and not put down"
            return
        result = self.bench.result(order.ticket)
        ticket, quantity, _, _, upper, *_ = result
        assert (ticket, quantity) == (order.ticket, order.quantity)
        self._check_bounds(order, result)
        assert self.bench.ask(f"REQ:REM? {ticket}") == [max(0, quantity - upper)]
        self._read_result(order)

    def _check_bounds(self, order: Order, result: list[int]) -> None:
        """They held when the request closed; of one that was cut off they hold for good."""
        until_us = self.module.now_us if result[8] == POWER_CUT else self._closed_us(order.ticket)
        fallen = self.plant.truth.passed_between(order.sent_us, until_us)
        assert result[3] <= fallen <= result[4], f"{fallen} parts have fallen, result {result}"

    def _closed_us(self, ticket: int) -> int:
        closings = [
            time_us
            for time_us, kind, a, _ in self.module.notes
            if kind == events.REQUEST_CLOSED and a == ticket
        ]
        return closings[-1]

    def _repeat(self) -> None:
        """Orders that are known move nothing, however often they are repeated."""
        self.bench.ready()
        pockets = self.plant.truth.pockets_passed
        for ticket in list(self.told)[-3:]:
            quantity = self.told[ticket][1]
            self.module.tell("*CLS")
            self.bench.open(ticket, quantity)
            assert self.bench.ask("SYST:ERR?")[0] == 0
            self.bench.open(ticket, quantity + 1)
            assert self.bench.ask("SYST:ERR?")[0] == OTHER_QUANTITY
            assert self.bench.closed()
        self.bench.wait(SECOND_US)
        assert self.plant.truth.pockets_passed == pockets, "a ticket is delivered twice"

    def _go_on(self) -> None:
        """An order that got lost is delivered when it is repeated; so is a new one."""
        if self.order is not None:
            order = replace(self.order, sent_us=self.module.now_us)
            self._deliver(order)
            self._check_bounds(order, self.told[order.ticket])
        self.request(3)
        _, quantity, outcome, lower, upper, *_ = list(self.told.values())[-1]
        assert lower <= upper
        if self.setup.mix == "none":
            assert (outcome, lower, upper) == (EXACT, quantity, quantity)
