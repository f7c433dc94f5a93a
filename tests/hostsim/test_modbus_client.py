"""The Modbus master and client against real firmware on a simulated line, and on frames from books.

Frames and their check sums: those of the usual tutorial for slave 17 (address 11 hex), also in the
tests of pymodbus and libmodbus; from memory where these do not have them.
"""

import contextlib

import pytest

from controller.cycle import causes
from hostsim.cli import main
from hostsim.client import DispenserClient
from hostsim.errors import DeviceError, LinkError, NotReadyError
from hostsim.links import SimLink
from hostsim.modbus_client import BLOCK, ModbusClient
from hostsim.modbus_master import ModbusMaster, find_answer
from hostsim.verbs import request
from hostsim.words import Inputs, LinkName, Outcome, Questionable, RequestState, UnitMode, UnitState
from tests.hostsim.linerig import Rig
from tests.hostsim.scriptwire import Script

# question's PDU, answer's frame
EXCHANGES = [
    ("03 006B 0003", "11 03 06 AE41 5652 4340 49AD"),  # pymodbus test/framer/test_framer.py
    ("05 00AC FF00", "11 05 00AC FF00 4E8B"),
    ("08 0000 A537", "11 08 0000 A537 D81D"),
    ("10 0001 0002 04 000A 0102", "11 10 0001 0002 1298"),
    ("17 0003 0006 000E 0003 06 00FF 00FF 00FF", "11 17 0C 00FE 0ACD 0001 0003 000D 00FF 0D75"),
    ("03 007C 0002", "11 83 02 C134"),  # an exception; pymodbus test_framer.py
]


@pytest.mark.parametrize(("question", "answer"), EXCHANGES)
def test_an_answer_is_found_wherever_it_stands(question, answer):
    question, answer = bytes.fromhex(question), bytes.fromhex(answer)
    for before in (b"", b"\x11", b"\x11\x03\x06", bytes.fromhex("1103007C00020743"), b"\0" * 300):
        for after in (b"", b"\x11", b"\xff\xff"):
            assert find_answer(before + answer + after, 0x11, question) == answer[1:-2]
    for end in range(len(answer)):
        assert find_answer(answer[:end], 0x11, question) is None


@pytest.mark.parametrize(("question", "answer"), EXCHANGES)
def test_no_damaged_or_foreign_answer_is_taken(question, answer):
    question, answer = bytes.fromhex(question), bytes.fromhex(answer)
    assert find_answer(answer, 0x12, question) is None
    for place in range(len(answer)):
        for bit in range(8):
            spoilt = bytearray(answer)
            spoilt[place] ^= 1 << bit
            assert find_answer(bytes(spoilt), 0x11, question) is None


def test_an_answer_to_another_question_of_the_kind_is_not_taken():
    answer = bytes.fromhex("11 10 0001 0002 1298")
    assert find_answer(answer, 0x11, bytes.fromhex("10 0003 0002 04 0000 0000")) is None
    answer = bytes.fromhex("11 03 06 AE41 5652 4340 49AD")
    assert find_answer(answer, 0x11, bytes.fromhex("03 006B 0002")) is None


QUESTION, FRAME = (bytes.fromhex(text) for text in EXCHANGES[0])
OLD = bytes.fromhex("11 03 06 022B 0000 0064 C8BA")  # the data of V1.1b3, section 6.3


def test_a_late_answer_is_not_taken_for_the_next_one():
    wire = Script(("echo", 0), (OLD, 0.7), ("echo", 0.3), (FRAME, 0))
    assert find_answer(OLD, 0x11, QUESTION) is not None  # so it could be
    assert ModbusMaster(wire, timeout_s=0.5).exchange(0x11, QUESTION) == FRAME[1:-2]
    assert len(wire.asked) == 4  # a proof of being in step, the question; both again


def test_what_may_not_be_repeated_is_not():
    wire = Script(("echo", 0), (None, 0), ("echo", 0))
    master = ModbusMaster(wire, timeout_s=0.5)
    with pytest.raises(LinkError, match="address 17"):
        master.exchange(0x11, QUESTION, repeatable=False)
    assert len(wire.asked) == 2


def test_silence_is_told_with_the_address():
    master = ModbusMaster(Script(), timeout_s=0.5)
    with pytest.raises(LinkError, match=r"no answer from address 9 on the script within 0\.5 s"):
        master.exchange(9, QUESTION)


@pytest.fixture
def rig():
    return Rig("modbus", 3)


def test_three_modules_say_who_they_are(rig):
    assert [client.part_name() for client in rig.clients] == [
        "M4 nut",
        "M4 washer",
        "M4x12 socket screw",
    ]
    assert rig.clients[2].identity().model == "screw module"
    with pytest.raises(LinkError, match="address 4"):
        ModbusClient(ModbusMaster(rig.clients[0].time, timeout_s=0.1), 4).state()


def test_a_request_is_delivered_once_and_read_in_the_same_types_as_over_scpi(rig):
    nuts = rig.clients[0]
    assert (nuts.state(), nuts.mode()) == (UnitState.STOPPED, UnitMode.PRODUCTION)
    nuts.load_magazine(100)
    good = Inputs.GUARD_SHUT | Inputs.DRIVE_HEALTHY | Inputs.RECEIVER_THERE | Inputs.MAGAZINE_FILLED
    line = DispenserClient(SimLink(rig.modules[0]))
    assert nuts.inputs() == line.inputs() == good
    assert nuts.questionable() == line.questionable() == Questionable.POSITION
    nuts.make_ready()
    looks = []
    result = nuts.request(12, on_progress=looks.append)
    assert (result.outcome, result.lower, result.upper) == (Outcome.EXACT, 12, 12)
    assert result.seconds == pytest.approx(1.3, abs=0.3)
    assert looks[0].quantity == 12 and RequestState.COUNTING in {look.state for look in looks}
    assert nuts.request(12, result.ticket) == result
    assert nuts.magazine().level == 88
    assert nuts.questionable() == line.questionable() == Questionable(0)
    assert nuts.counters().pieces == 12
    assert nuts.tickets() == [1] and nuts.next_ticket() == 2
    assert rig.fell() == {(0, 1): 12}


@pytest.mark.parametrize("link", ["modbus", "scpi"])
def test_the_next_ticket_is_nobody_s(link):
    """Also while a request is open, which has no result yet; also after the power has gone."""
    rig = Rig(link, 1)
    nuts = rig.clients[0]
    assert nuts.next_ticket() == 1
    nuts.make_ready()
    nuts.request(3, 65_534)
    assert nuts.next_ticket() == 65_535
    nuts.order(65_535, 50)
    assert nuts.tickets() == [65_534] and nuts.next_ticket() == 1
    with pytest.raises(DeviceError, match="-221"):  # not taken for the other's, which is alike
        nuts.request(50)
    rig.modules[0].pull_plug()
    assert nuts.next_ticket() == 1
    assert nuts.tickets() == [65_535, 65_534]


def test_a_refusal_carries_the_number_that_scpi_has_for_it(rig):
    nuts = rig.clients[0]
    with pytest.raises(DeviceError, match="-221, Settings conflict"):  # not in Execute
        nuts.order(1, 5)
    with pytest.raises(DeviceError, match="-222"):
        nuts.order(1, 10**6)
    with pytest.raises(DeviceError, match="-230"):
        nuts.result(7)
    nuts.make_ready()
    nuts.request(5, 1)
    with pytest.raises(DeviceError, match="-224"):
        nuts.order(1, 6)
    nuts.order(2, 50)
    with pytest.raises(DeviceError, match="-221"):
        nuts.order(3, 50)
    nuts.cancel_request()
    rig.wait(2)
    assert nuts.result(2).outcome is Outcome.SHORT
    nuts.command("stop")
    assert nuts.cause().text == "stop command"


@pytest.mark.parametrize("link", ["modbus", "scpi"])
def test_a_unit_that_may_not_start_says_why_and_what_to_do(link):
    rig = Rig(link, 1)
    (nuts,), plant = rig.clients, rig.modules[0].plant
    plant.guard(False)
    rig.wait(0.1)
    with pytest.raises(NotReadyError, match=r"aborted: guard open.*Isolate") as stopped:
        nuts.make_ready()
    assert stopped.value.state is UnitState.ABORTED
    assert stopped.value.cause.code == causes.GUARD_OPEN
    plant.guard(True)
    rig.wait(0.1)
    nuts.make_ready()
    assert nuts.state() is UnitState.EXECUTE


def test_a_unit_that_another_link_commands_is_refused_as_such():
    rig = Rig("modbus", 1)
    DispenserClient(SimLink(rig.modules[0])).lock()
    with pytest.raises(DeviceError, match="-203"):  # SCPI-1999: Command protected
        rig.clients[0].make_ready()


def test_who_commands_is_in_command_until_it_has_been_silent(rig):
    nuts, washers, _ = rig.clients
    nuts.make_ready()
    assert (nuts.authority().link, nuts.authority().local) == (LinkName.BUS, False)
    assert 9_000 < nuts.authority().left_ms <= 10_000  # command_hold_ms of the description
    assert washers.authority().link is LinkName.NONE
    rig.wait(11)
    assert nuts.authority().link is LinkName.NONE


def test_drift_is_told_alike_over_bus_and_line(rig):
    nuts = rig.clients[0]
    line = DispenserClient(SimLink(rig.modules[0]))
    nuts.make_ready()
    for _ in range(11):  # more parts than are learned from
        rig.modules[0].plant.refill(50)
        nuts.load_magazine(50)
        nuts.request(50)
    assert (nuts.drift().code, nuts.drift().text) == (0, "none")
    assert nuts.drift() == line.drift()
    for bus, scpi in (
        (nuts.release_phase(), line.release_phase()),
        (nuts.pulse_width(), line.pulse_width()),
    ):
        assert bus == scpi
        assert bus.learned
    # By the plant's own figures: 4 % of 51.4 degrees either way, triangular.
    assert nuts.release_phase().sigma == pytest.approx(0.04 * 51_429 / 6**0.5, rel=0.2)


def test_an_alarm_of_drift_is_read_and_put_right_over_the_bus():
    rig = Rig("modbus", 1, faults="dirt")
    (nuts,), line = rig.clients, DispenserClient(SimLink(rig.modules[0]))
    nuts.make_ready()
    for _ in range(30):  # 24 are usual (tests/bench/README.md: 1,150 parts at most)
        rig.modules[0].plant.refill(50)
        nuts.load_magazine(50)
        assert nuts.request(50).outcome is Outcome.EXACT
        if nuts.drift().code:
            break
    assert (nuts.drift().code, nuts.drift().direction) == (causes.BEAM_DRIFT, 1)
    assert nuts.drift() == line.drift()
    widths = nuts.pulse_width()
    assert widths == line.pulse_width()
    assert widths.mean > widths.target and widths.up > widths.down
    nuts.start("drift_clear")
    assert nuts.drift().code == line.drift().code == 0


def test_every_block_can_be_read_and_no_number_stands_in_the_client_twice(rig):
    for name, block in BLOCK.items():
        assert len(rig.clients[1].read(name)) == len(block[5])


def test_the_request_verb_says_how_to_come_back_when_the_line_is_lost(rig, monkeypatch, capsys):
    nuts = rig.clients[0]

    def lost(ticket):
        raise LinkError("the line is lost: check the cable")

    monkeypatch.setattr(nuts, "result", lost)
    monkeypatch.setattr(request, "connected", lambda args: contextlib.nullcontext(nuts))
    assert main(["request", "port", "--quantity", "5"]) == 1
    assert capsys.readouterr().err.splitlines()[-1] == (
        "tallywheel request: the line is lost: check the cable; what was ordered goes on; "
        "the same command with --ticket 1 comes back to it"
    )
