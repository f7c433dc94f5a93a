"""The client against a scripted module on a real pseudo-terminal: what a serial line can do to it.

That it understands the real module is tested in `test_serve.py`.
"""

import threading
from pathlib import Path

import pytest

from controller.cycle import causes
from hostsim.answers import BoardStart, IndexEdge, MeasuredPart, Progress, Rounds
from hostsim.client import TRIES, DispenserClient
from hostsim.config import load
from hostsim.dispenser import PROGRESS_TIMEOUT_S
from hostsim.errors import AnswerTimeoutError, DeviceError, LinkError, NotReadyError
from hostsim.links import SimLink, TextLink
from hostsim.module import SimModule
from hostsim.words import Outcome, RequestState, StartReason, UnitState
from tests.hostsim.peer import FINE, IDENTITY, Peer
from tests.hostsim.scriptwire import Script

CONFIG = Path(__file__).parents[2] / "configs" / "m4_nut.toml"
ASK_ERROR = ";:SYSTem:ERRor?"


def script(*exchanges):
    """Answer the lines that begin so, in this order and no other."""
    left = list(exchanges)

    def answer(line):
        expected, reply = left.pop(0)
        assert line.startswith(expected), (line, expected)
        return reply

    return answer


def connect(peer, **options):
    return DispenserClient(peer.port, timeout_s=0.2, reconnect_s=5, poll_s=0, **options)


def test_it_says_who_it_talks_to(tmp_path):
    with Peer(tmp_path, script()) as peer, connect(peer) as module:
        assert ",".join(vars(module.identity()).values()) == IDENTITY


def test_an_answer_comes_back_typed(tmp_path):
    with Peer(tmp_path, lambda line: f"6,EXECUTE;{FINE}") as peer, connect(peer) as module:
        assert module.state() is UnitState.EXECUTE
        assert peer.lines == ["UNIT:STATe?" + ASK_ERROR]


def test_single_measurements_are_read_until_none_waits(tmp_path):
    answer = script(
        ("SENSe:PART:COUNt?", f"2;{FINE}"),
        ("SENSe:PART?", f"7,42,61800,9400,13856;{FINE}"),
        ("SENSe:PART?", f"8,43,-120,12650,13840;{FINE}"),
        ("SENSe:INDex:COUNt?", f"1;{FINE}"),
        ("SENSe:INDex?", f"3,-1600,0;{FINE}"),
    )
    with Peer(tmp_path, answer) as peer, connect(peer) as module:
        assert list(module.measured_parts()) == [
            MeasuredPart(7, 42, 61_800, 9_400, 13_856),
            MeasuredPart(8, 43, -120, 12_650, 13_840),
        ]
        assert list(module.index_edges()) == [IndexEdge(3, -1600, 0)]


def test_a_board_is_asked_how_it_fares(tmp_path):
    answer = script(
        ("SYSTem:RESTart?", f'2,"ValueError: odd";{FINE}'),
        ("SYSTem:ROUNds?", f"12400,3;{FINE}"),
        ("SYSTem:RESTart PROMpt;", FINE),
        ("SYSTem:RESTart RUN;", '-241,"Hardware missing"'),
        ("SYSTem:ERRor?", FINE),
    )
    with Peer(tmp_path, answer) as peer, connect(peer) as module:
        assert module.board_start() == BoardStart(StartReason.EXCEPTION, "ValueError: odd")
        assert module.rounds() == Rounds(12_400, 3)
        module.restart(into_prompt=True)
        with pytest.raises(DeviceError, match="Hardware missing"):
            module.restart()


def test_a_refusal_is_raised_once_and_the_queue_left_empty(tmp_path):
    answer = script(
        ("UNIT:COMMand start;", '-221,"Settings conflict;not idle"'),
        ("SYSTem:ERRor?", '-350,"Queue overflow"'),
        ("SYSTem:ERRor?", FINE),
        ("UNIT:STATe?", f"2,STOPPED;{FINE}"),
    )
    with Peer(tmp_path, answer) as peer, connect(peer) as module:
        with pytest.raises(DeviceError, match="not idle") as refusal:
            module.command("start")
        assert refusal.value.number == -221
        assert module.state() is UnitState.STOPPED


def test_a_late_answer_is_not_taken_for_the_next_one(tmp_path):
    def answer(line):
        if peer.lines == [line]:
            peer.late = f"99,250;{FINE}\n"
            return None
        return f"100,250;{FINE}"

    with Peer(tmp_path, answer) as peer, connect(peer) as module:
        assert module.magazine().level == 100  # asked again, since asking twice does no harm
        assert len(peer.lines) == 2


def test_whatever_was_not_answered_in_time_is_not_the_answer_to_the_next_line():
    who = (f"{FINE};{IDENTITY}\n".encode(), 0)
    link = TextLink(Script(who, (b"old\n", 0.7), who, (b"new\n", 0)))
    with pytest.raises(AnswerTimeoutError):
        link.ask("FIRST?", 0.5)
    assert link.ask("SECOND?", 0.5) == "new"


def test_silence_ends_in_a_timeout_that_names_the_port(tmp_path):
    with Peer(tmp_path, lambda line: None) as peer, connect(peer) as module:
        with pytest.raises(LinkError, match=r"no answer on .*port within") as lost:
            module.load_magazine(5)
        assert isinstance(lost.value.__cause__, AnswerTimeoutError)
        assert len(peer.lines) == 1  # loading twice would count twice: it is not repeated


def test_a_line_the_module_does_not_understand_is_a_refusal_and_not_a_lost_answer(tmp_path):
    def answer(line):
        peer.complaint = '-113,"Undefined header;NONSENSE?"'
        # No answer: none of an ill-formed message is carried out, not even its SYSTem:ERRor?

    with Peer(tmp_path, answer) as peer, connect(peer) as module:
        with pytest.raises(DeviceError, match=r"-113, Undefined header;NONSENSE\?"):
            module.ask("NONSENSE?")
        assert len(peer.lines) == TRIES  # it may have been damaged on its way
        with pytest.raises(DeviceError) as refusal:
            module.tell("NONSENSE")
        assert refusal.value.number == -113
        assert len(peer.lines) == TRIES + 1


def test_no_port_is_said_in_one_line(tmp_path):
    with pytest.raises(LinkError, match=r"cannot open .*nowhere") as trouble:
        DispenserClient(str(tmp_path / "nowhere"), timeout_s=0.1)
    assert "\n" not in str(trouble.value)


def test_a_request_survives_the_cable_being_pulled(tmp_path):
    opened: list[str] = []
    heard = threading.Event()

    def answer(line):
        if line.startswith("REQuest:OPEN"):
            opened.append(line)
            heard.set()
            return FINE if len(opened) > 1 else None  # the plug is out before the first answer
        if line.startswith("REQuest:PROG"):
            return f"9,25,8,25,25,25,0;{FINE}"
        return f"9,25,0,25,25,25,0,3210,0;{FINE}"

    with Peer(tmp_path, answer) as peer, connect(peer) as module:

        def pull_and_plug():
            heard.wait()
            peer.hang_up()
            peer.plug_in()

        plug = threading.Thread(target=pull_and_plug)
        plug.start()
        result = module.request(25, ticket=9)
        plug.join()
        assert result.outcome is Outcome.EXACT
        assert {line.split(";")[0] for line in opened} == {"REQuest:OPEN 9,25"}


def test_a_request_takes_an_unused_ticket_and_reports_progress(tmp_path):
    answer = script(
        ("REQuest:PROGress?", f"0,0,0,0,0,0,0;{FINE}"),  # none since power-up
        ("REQuest:TICKets?", f"4,3;{FINE}"),
        ("REQuest:OPEN 5,2", FINE),
        ("REQuest:PROGress?", f"5,2,1,0,0,0,0;{FINE}"),
        ("REQuest:PROGress?", f"5,2,3,1,2,2,0;{FINE}"),
        ("REQuest:PROGress?", f"5,2,8,2,2,2,0;{FINE}"),
        ("REQuest:RESult? 5", f"5,2,0,2,2,2,0,900,0;{FINE}"),
    )
    seen: list[Progress] = []
    with Peer(tmp_path, answer) as peer, connect(peer) as module:
        result = module.request(2, on_progress=seen.append)
    assert [look.state for look in seen] == [RequestState.TESTING, RequestState.COUNTING]
    assert (result.ticket, result.lower, result.seconds) == (5, 2, 0.9)


def test_make_ready_goes_the_way_of_the_state_model(tmp_path):
    """ANSI/ISA-TR88.00.02: Aborted, clear, Stopped, reset, Idle, start, Execute."""
    states = iter((9, 1, 2, 15, 4, 3, 3, 6))
    commands: list[str] = []

    def answer(line):
        if line.startswith("UNIT:STATe?"):
            return f"{next(states)},X;{FINE}"
        commands.append(line.split()[1].split(";")[0])
        return FINE

    with Peer(tmp_path, answer) as peer, connect(peer) as module:
        module.make_ready()
    assert commands == ["clear", "reset", "start"]


def test_make_ready_gives_up_when_the_unit_falls_back(tmp_path):
    def answer(line):
        if line.startswith("UNIT:STATe?"):
            return f"11,HELD;{FINE}"
        if line.startswith("UNIT:CAUSe?"):
            return f'21,"jammed","Take out the stuck part";{FINE}'
        return FINE

    with Peer(tmp_path, answer) as peer, connect(peer) as module:
        with pytest.raises(NotReadyError, match="held: jammed; Take out") as stopped:
            module.make_ready()
        assert stopped.value.cause.code == 21
        assert [line for line in peer.lines if "unhold" in line] != []


def test_a_request_may_wait_for_help_as_long_as_its_module_has_patience(tmp_path):
    patient = tmp_path / "patient.toml"
    patience_s = 3 * PROGRESS_TIMEOUT_S
    patient.write_text(
        CONFIG.read_text().replace("patience_s = 60.0", f"patience_s = {patience_s}")
    )
    link = SimLink(SimModule(load(patient), faults="runs_dry"))
    with DispenserClient(link, poll_s=PROGRESS_TIMEOUT_S / 10) as module:
        module.make_ready()
        began_s = link.clock_s()
        result = module.request(40)
        assert link.clock_s() - began_s > patience_s
    assert (result.outcome, result.cause) == (Outcome.SHORT, causes.MAGAZINE_EMPTY)


def test_what_is_no_line_is_not_sent(tmp_path):
    with Peer(tmp_path, script()) as peer, connect(peer) as module:
        for message in ("UNIT:STATe?\nUNIT:MODE?", "UNIT:COMMand stop\r", "SETT:VAL? 'größe'"):
            with pytest.raises(ValueError, match="not one line of printable ASCII"):
                module.ask(message)
            with pytest.raises(ValueError, match="not one line of printable ASCII"):
                module.tell(message)
        assert peer.lines == []


def test_a_simulated_module_refuses_what_it_does_not_understand_likewise():
    with DispenserClient(SimLink(SimModule(load(CONFIG))), timeout_s=0.2) as module:
        with pytest.raises(DeviceError, match="-109, Missing parameter;quantity"):
            module.tell("REQuest:OPEN 1")
        with pytest.raises(DeviceError, match='-224, Illegal parameter value;no setting of "it"'):
            module.setting('of "it"')
        assert module.state() is UnitState.STOPPED
