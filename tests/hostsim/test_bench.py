"""The person at the bench: what stops a simulated module is put right, and nothing else is."""

from pathlib import Path

import pytest

from controller.cycle import causes, remedies
from hostsim.bench import HANDS, Attendant, Bystander
from hostsim.client import DispenserClient
from hostsim.config import convert, load
from hostsim.dispensing import dispense
from hostsim.links import SimLink
from hostsim.module import SimModule
from hostsim.plant.faults import FaultMix
from hostsim.serve import TiedTime
from hostsim.words import Outcome, RequestState, UnitState

NUT = load(Path(__file__).parents[2] / "configs" / "m4_nut.toml")
SECOND_US = 1_000_000


def test_every_cause_that_wants_hands_has_them():
    """Warnings and faults of the table of causes: somebody has to do something."""
    handless = {
        causes.INTERNAL_FAULT,  # look at the record, switch off and on
        causes.OVER_RUN,  # these want the bag counted, which is not done at the module
        causes.RETRIES_USED,
        causes.EDGES_LOST,
        causes.POWER_CUT,
        causes.RECORD_LOST,
        causes.RECORD_FAILED,
    }
    stops = {row[0] for row in remedies.CAUSES if row[1] > causes.NOTICE and row[2]}
    assert stops - handless == set(HANDS)


@pytest.mark.parametrize(
    "faults", ["guard", "drive_fault", "jam_hard", "beam_clear", "lodge", "receiver", "train"]
)
def test_requests_go_on_after_whatever_stopped_the_unit(faults):
    with SimModule(NUT, 3, faults) as module:
        deliveries = list(dispense(module, 10, 8))
    assert [delivery.result.ticket for delivery in deliveries] == list(range(1, 9))
    assert any(delivery.exact for delivery in deliveries)
    assert all(delivery.truthful for delivery in deliveries)


def test_what_is_missing_after_the_last_run_comes_once_the_unit_is_unheld():
    """So whoever topped the bag up by hand as well would have too many in it."""
    few = convert({**NUT.values, "recovery": {**NUT.values["recovery"], "runs": 2}}, NUT.path)
    mix = FaultMix("empty", "", empty=0.3, wear_gain=0.0)
    with SimModule(few, 1, mix) as module:
        client = DispenserClient(SimLink(module), poll_s=0.2)
        client.make_ready()
        module.tell("REQ:OPEN 1,30")
        held = 0
        while client.progress().state is not RequestState.CLOSED:
            client.time.pause(0.2)
            if client.state() is UnitState.HELD:
                cause = client.cause()
                assert (cause.code, held < 20) == (causes.RETRIES_USED, True)
                assert cause.remedy.startswith("Add nothing to the bag: unhold")
                held += 1
                client.give("unhold")
        assert held
        assert client.result(1).outcome is Outcome.EXACT
        assert module.plant.truth.passed == 30


def test_the_magazine_is_refilled_also_within_a_request():
    with SimModule(NUT, 1) as module:
        # So many that what is left takes longer than the wait for any single answer.
        (delivery,) = dispense(module, 5 * NUT.settings.magazine_capacity, 1)
    assert delivery.result.outcome is Outcome.EXACT
    assert delivery.truth == delivery.result.quantity


def test_the_sprocket_is_changed_when_it_has_carried_its_rated_pieces():
    sprocket = {**NUT.values["sprocket"], "rated_pieces": 1_000}
    config = convert({**NUT.values, "sprocket": sprocket}, NUT.path)
    with SimModule(config, 1) as module:
        deliveries = list(dispense(module, 300, 5))
        changes = [text for _, text in module.log.entries if text.endswith("changes the sprocket")]
        counted = DispenserClient(SimLink(module)).counters().pieces
    assert len(changes) == 1  # before the fifth request: 1,200 pieces had gone by then
    assert all(delivery.exact and delivery.helped == 0 for delivery in deliveries)
    assert counted == 300


def test_nobody_helps_where_nothing_stops():
    with SimModule(NUT, 1) as module:
        client = DispenserClient(SimLink(module))
        attendant = Attendant(module, client)
        attendant.prepare(5)
        attendant.prepare(5)
        assert attendant.helped == 0
        assert client.state() is UnitState.EXECUTE


def test_a_bystander_does_with_the_hands_what_the_cause_wants_and_gives_no_command():
    with SimModule(NUT, 1) as module:
        client = DispenserClient(SimLink(module))
        bystander = Bystander(module)
        client.make_ready()
        module.plant.guard(False)
        client.command("abort") if client.state() is UnitState.EXECUTE else None
        for _ in range(10):
            module.run_until(module.now_us + SECOND_US)
            bystander.look()
        assert client.state() is UnitState.ABORTED
        client.make_ready()


def test_a_bystander_fills_in_what_the_host_reports():
    with SimModule(NUT, 1, "runs_dry") as module:
        client = DispenserClient(SimLink(module))
        bystander = Bystander(module)
        client.load_magazine(200)
        bystander.look()
        assert module.plant.truth.in_magazine == 200


def test_time_is_tied_to_the_wall_and_let_out_when_too_slow():
    wall_s = 0.0
    tied = TiedTime(4, 1_000, lambda: wall_s)
    assert tied.target_us(1_000) == 1_000
    wall_s = 0.1
    assert tied.target_us(1_000) == 401_000
    wall_s = 100.0  # the machine has slept: no leap of minutes, but a step, and on from there
    leapt_us = tied.target_us(401_000)
    assert leapt_us - 401_000 == 1_000_000
    wall_s = 100.1
    assert tied.target_us(leapt_us) == leapt_us + 400_000
