"""The hard-wired hand-shake on whole modules: a robot at the wires, an operator on the line."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from controller.board.ports import OUT_DONE, OUT_FAULT, OUT_READY
from controller.cycle import causes
from controller.record import events
from controller.settings import Settings
from hostsim.client import DispenserClient
from hostsim.config import ModuleConfig, load
from hostsim.errors import DeviceError
from hostsim.links import SimLink
from hostsim.module import SimModule
from hostsim.robot import WiredRobot
from hostsim.words import LinkName, Outcome, WirePhase
from tests.invariants.bench import EXACT, Bench
from tests.judge import JudgedModule

QUANTITY = 5
HOLD_MS = 10_000
DEBOUNCE_US = 20_000
SECOND_US = 1_000_000
NUT = Path(__file__).parents[2] / "configs" / "m4_nut.toml"


def wired(**changes: int) -> ModuleConfig:
    """The nut module, with wires to a robot."""
    config = load(NUT)
    wires = {"wires_quantity": QUANTITY, "command_hold_ms": HOLD_MS, "wires_debounce_ms": 20}
    return replace(config, settings=Settings(config.settings.as_dict() | wires | changes))


class Cell:
    """A module in which robot and operator meet."""

    def __init__(self, module: JudgedModule) -> None:
        self.module = module
        self.robot = WiredRobot(module)
        self.bench = Bench(module)
        self.operator = DispenserClient(SimLink(module))

    @property
    def outputs(self) -> int:
        return self.module.board.outputs

    def tend(self) -> None:
        """The operator takes over, sees to the unit, and gives the command back."""
        self.operator.lock()
        self.bench.put_right()
        self.bench.ready()
        self.operator.release()


@pytest.fixture
def cell() -> Iterator[Cell]:
    """A module without faults, in Execute, its command free."""
    with JudgedModule(wired()) as module:
        cell = Cell(module)
        cell.tend()
        yield cell
        assert module.broken == []


def test_done_means_that_the_quantity_is_out(cell: Cell) -> None:
    for number in range(1, 4):
        assert cell.robot.fetch()
        assert cell.module.watch.closed[-1] == (number, QUANTITY)
    assert cell.module.plant.truth.passed == 3 * QUANTITY


@pytest.mark.parametrize(("faults", "seed"), [("everyday", 1), ("everyday", 2), ("harsh", 8)])
def test_fifty_cycles_among_faults(faults: str, seed: int) -> None:
    with JudgedModule(wired(recovery_patience_ms=2_000), seed, faults) as module:
        cell = Cell(module)
        cell.tend()
        done = 0
        for number in range(1, 51):
            good = cell.robot.fetch()
            ticket, truth = module.watch.closed[-1]
            assert ticket == number
            assert truth == QUANTITY or not good
            assert (cell.bench.result(ticket)[2] == EXACT) == good
            done += good
            if not good:
                cell.tend()
        assert module.broken == []
        assert len(module.watch.closed) == 50
        assert done == 50 if faults == "everyday" else 40 <= done < 50


def test_a_robot_that_needs_nobody_keeps_the_command(cell: Cell) -> None:
    assert cell.robot.fetch()
    with pytest.raises(DeviceError) as refusal:
        cell.operator.load_magazine(1)
    assert refusal.value.number == -203
    assert "WIRES" in refusal.value.text
    assert cell.operator.authority().link is LinkName.WIRES
    cell.robot.pause(HOLD_MS * 1000)
    assert cell.operator.authority().link is LinkName.NONE
    cell.operator.load_magazine(1)


def test_ready_is_low_while_an_operator_is_in_command(cell: Cell) -> None:
    cell.operator.load_magazine(1)
    cell.robot.pause(SECOND_US)
    assert cell.outputs == 0
    assert cell.operator.wires().phase is WirePhase.IDLE
    cell.operator.release()
    cell.robot.pause(SECOND_US)
    assert cell.outputs == OUT_READY


def test_stop_is_heard_in_mid_request_and_the_robot_gets_a_fault(cell: Cell) -> None:
    module = cell.module
    cell.robot.wait(lambda outputs: outputs == OUT_READY)
    module.plant.give(True)
    cell.robot.pause(300_000)
    assert cell.operator.wires().phase is WirePhase.BUSY
    assert cell.operator.authority().link is LinkName.WIRES
    cell.operator.give("stop")
    cell.robot.wait(lambda outputs: outputs == OUT_FAULT)
    assert cell.operator.wires_fault().code == causes.STOP_COMMAND
    cell.robot.lower()
    cell.robot.pause(SECOND_US)
    assert cell.outputs == 0  # the unit is stopped
    assert cell.operator.authority().link is LinkName.WIRES


def test_an_operator_may_take_over_an_open_request(cell: Cell) -> None:
    cell.robot.wait(lambda outputs: outputs == OUT_READY)
    cell.module.plant.give(True)
    cell.robot.pause(300_000)
    cell.operator.lock()
    cell.operator.cancel_request()
    cell.robot.wait(lambda outputs: outputs == OUT_FAULT)
    assert cell.operator.wires_fault().code == causes.CANCELLED
    assert cell.operator.authority().local


def test_a_give_without_ready_delivers_nothing_and_gets_a_fault(cell: Cell) -> None:
    cell.operator.command("hold")
    cell.module.plant.give(True)
    cell.robot.pause(SECOND_US)
    assert cell.outputs == OUT_FAULT
    assert cell.operator.wires_fault().code == -211
    cell.operator.command("unhold")
    cell.operator.release()
    cell.robot.pause(SECOND_US)
    assert cell.outputs == OUT_FAULT
    assert cell.module.plant.truth.passed == 0
    cell.robot.lower()
    assert cell.robot.fetch()
    assert cell.operator.wires_fault().code == 0
    assert cell.module.plant.truth.passed == QUANTITY


def test_a_give_that_is_withdrawn_must_be_looked_at_before_the_next(cell: Cell) -> None:
    cell.robot.wait(lambda outputs: outputs == OUT_READY)
    cell.module.plant.give(True)
    cell.robot.pause(200_000)
    cell.module.plant.give(False)
    cell.robot.pause(5 * SECOND_US)
    assert cell.outputs == OUT_FAULT
    assert cell.module.plant.truth.passed == QUANTITY
    assert cell.operator.wires().phase is WirePhase.UNMET
    cell.robot.acknowledge()
    assert cell.module.plant.truth.passed == QUANTITY
    assert cell.robot.fetch()
    assert cell.module.plant.truth.passed == 2 * QUANTITY


def test_a_chattering_contact_gives_once(cell: Cell) -> None:
    give = cell.module.plant.give
    cell.robot.wait(lambda outputs: outputs == OUT_READY)
    for _ in range(7):
        give(True)
        cell.robot.pause(DEBOUNCE_US // 2)
        assert cell.outputs == OUT_READY
        give(False)
        cell.robot.pause(DEBOUNCE_US // 3)
    give(True)
    cell.robot.wait(lambda outputs: outputs == OUT_DONE)
    for _ in range(7):
        give(False)
        cell.robot.pause(DEBOUNCE_US // 2)
        give(True)
        cell.robot.pause(DEBOUNCE_US // 3)
        assert cell.outputs == OUT_DONE
    cell.robot.lower()
    assert len(cell.module.watch.closed) == 1


def test_tickets_of_robot_and_host_follow_one_another(cell: Cell) -> None:
    cell.operator.request(3, ticket=65_535)
    cell.operator.release()
    assert cell.robot.fetch()
    assert cell.operator.tickets() == [1, 65_535]  # after the last number comes the first
    cell.robot.pause(HOLD_MS * 1000)
    assert cell.operator.request(2).ticket == 2


def test_power_that_returns_with_give_up_starts_nothing() -> None:
    with JudgedModule(wired()) as module:
        cell = Cell(module)
        cell.tend()
        cell.robot.wait(lambda outputs: outputs == OUT_READY)
        module.plant.give(True)
        cell.robot.pause(400_000)
        module.board.power_cycle()
        module.notes.clear()
        cell.robot.pause(SECOND_US)
        assert cell.outputs == OUT_FAULT
        cell.tend()
        cell.robot.pause(SECOND_US)
        assert cell.outputs == OUT_FAULT
        assert events.REQUEST_OPEN not in [kind for _, kind, _, _ in module.notes]
        assert cell.operator.result(1).outcome is Outcome.INTERRUPTED
        cell.robot.lower()
        assert cell.robot.fetch()
        assert cell.operator.wires().ticket == 2


def test_without_a_quantity_there_are_no_wires() -> None:
    with JudgedModule(wired(wires_quantity=0)) as module:
        cell = Cell(module)
        cell.tend()
        module.plant.give(True)
        cell.robot.pause(5 * SECOND_US)
        assert cell.outputs == 0
        assert module.plant.truth.passed == 0
        assert module.watch.closed == []


def test_the_hand_shake_is_the_same_under_micropython() -> None:
    logs = []
    for engine in ("inprocess", "micropython"):
        with SimModule(wired(), faults="everyday", engine=engine) as module:
            for command in ("RESet", "STARt"):
                module.tell(f"UNIT:COMM {command}")
                module.run_until(module.now_us + SECOND_US)
            module.tell("SYST:LOCK:REL")
            robot = WiredRobot(module)
            assert [robot.fetch() for _ in range(3)] == [True] * 3
            logs.append(module.log.sha256())
    assert logs[0] == logs[1]


def test_a_robot_whose_module_does_not_answer_gives_up(cell: Cell) -> None:
    cell.operator.command("stop")
    with pytest.raises(TimeoutError, match="WIRes:STATe"):
        WiredRobot(cell.module, patience_us=SECOND_US).fetch()


def test_wires_wake_the_firmware_for_their_debouncing_only() -> None:
    def rounds(module: JudgedModule, levels: list[bool]) -> int:
        before = module.board.rounds
        for up in levels:
            module.plant.give(up)
            module.run_until(module.now_us + SECOND_US)
        return module.board.rounds - before

    with JudgedModule(wired()) as module:
        module.run_until(SECOND_US)
        quiet = rounds(module, [False, False])
        busy = rounds(module, [True, False])  # two edges, each with a round of its own and one
        assert busy <= quiet + 4  # when it counts
