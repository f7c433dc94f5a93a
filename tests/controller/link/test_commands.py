"""The command table: every row works, and answers what it says."""

import re

import pytest

from controller.link.commands import TREE
from controller.link.scpi_parameters import CHOICE, TEXT, may_be_left_out
from tests.controller.link.fakefirmware import WORK_US
from tests.controller.link.line import Line, answer
from tests.portable.rig import Rig

ROWS = [(root, row) for root, _title, rows in TREE for row in rows]
COMMANDS = [(root, row) for root, row in ROWS if not row[0].endswith("?")]
QUERIES = [(root, row) for root, row in ROWS if row[0].endswith("?")]
FIELD = re.compile(r'"(?:[^"]|"")*"|[^,]+')  # of an answer: a quoted string, or what lies between
IDS = [root + row[0] for root, row in ROWS]

# IEEE 488.2 section 10, mandatory common commands, as listed by docs.rs/scpi 0.4.3.
MANDATORY = "*CLS *ESE *ESE? *ESR? *IDN? *OPC *OPC? *RST *SRE *SRE? *STB? *TST? *WAI"
# SCPI-1999 volume 1, 4.2.1, required commands (from memory).
REQUIRED = """
    SYSTem:ERRor[:NEXT]? SYSTem:VERSion? STATus:OPERation[:EVENt]? STATus:OPERation:CONDition?
    STATus:OPERation:ENABle STATus:OPERation:ENABle? STATus:QUEStionable[:EVENt]?
    STATus:QUEStionable:CONDition? STATus:QUEStionable:ENABle STATus:QUEStionable:ENABle?
    STATus:PRESet
"""


def example(parameter: tuple) -> str:
    """An argument that the small firmware takes."""
    if parameter[0] == CHOICE:
        return parameter[2][:4][-1]  # UNIT:COMMand STOP, UNIT:MODE MANual
    if parameter[0] == TEXT:
        return "'UNIT:MODE'" if parameter[1] == "header" else "'name'"
    if parameter[1] == "ppm":
        return "50000"  # a twentieth: enough for a jog, and the slowest rate
    return "7"


def header(root: str, row: tuple) -> str:
    return (root + row[0]).replace("[", "").replace("]", "")


def ready(row: tuple) -> Line:
    line = Line()
    line.ask("REQ:OPEN 7,25")
    line.pass_time(WORK_US)
    if row[0] == ":MODE":
        line.ask("UNIT:COMM STOP")
    if row[0] == ":CANCel":
        line.ask("REQ:OPEN 8,25")
    return line


def test_common_and_required_commands_are_all_there() -> None:
    assert sorted(MANDATORY.split()) == sorted(name for name in IDS if name[0] == "*")
    assert not set(REQUIRED.split()) - set(IDS)


@pytest.mark.parametrize(("root", "row"), COMMANDS, ids=[root + row[0] for root, row in COMMANDS])
def test_every_command_runs_and_answers_nothing(root: str, row: tuple) -> None:
    line = ready(row)
    said = line.ask(header(root, row) + " " + ",".join(example(p) for p in row[2]))
    line.pass_time(WORK_US)
    assert line.errors() == []
    assert not said
    assert not row[3]


@pytest.fixture(scope="module")
def module() -> Rig:
    """A module that has delivered a request, and has something to tell of everything."""
    rig = Rig().in_execute()
    rig.tell("REQ:OPEN 7,3")
    rig.closed()
    return rig


@pytest.mark.parametrize(("root", "row"), QUERIES, ids=[root + row[0] for root, row in QUERIES])
def test_every_query_is_answered_as_the_table_says(module: Rig, root: str, row: tuple) -> None:
    _pattern, _call, parameters, fields, what = row
    said = module.ask(header(root, row) + " " + ",".join(example(p) for p in parameters))
    assert module.ask("SYST:ERR?").startswith("0,")
    assert what
    if "..." in fields or "#" in fields:
        return
    names = fields.split(",")
    values = FIELD.findall(said)
    assert ",".join(values) == said
    assert len(values) == len(names), said
    for name, value in zip(names, values, strict=True):
        assert (name[0] == '"') == (value[0] == '"'), (name, value)


@pytest.mark.parametrize(("root", "row"), ROWS, ids=IDS)
def test_every_command_minds_the_number_of_its_parameters(root: str, row: tuple) -> None:
    examples = [example(parameter) for parameter in row[2]]
    line = ready(row)
    moves = len(line.fw.moves)
    line.ask(header(root, row) + " " + ",".join([*examples, "1"]))
    assert [number for number, _ in line.errors()] == [-108]
    if examples and not may_be_left_out(row[2][-1]):
        line.ask(header(root, row) + " " + ",".join(examples[:-1]))
        assert [number for number, _ in line.errors()] == [-109]
    assert len(line.fw.moves) == moves


def test_help_lists_every_header_in_a_block() -> None:
    # SCPI-1999 volume 2, SYSTem:HELP:HEADers?, as quoted in the Keysight 81160A manual, p. 505.
    said = answer("SYST:HELP:HEAD?")
    digits = int(said[1])
    length, block = int(said[2 : 2 + digits]), said[2 + digits :]
    assert said[0] == "#"
    assert len(block) == length
    lines = block.splitlines()
    assert "*IDN?/qonly/" in lines
    assert "*RST/nquery/" in lines
    assert ":UNIT:MODE" in lines
    listed = set()
    for line in lines:
        header, _, mark = line.removeprefix(":").partition("/")
        listed |= {header} if mark else {header, header + "?"}
    assert listed == set(IDS)


def test_help_tells_the_use_of_one_command() -> None:
    said = answer("SYST:HELP:SYNT? 'req:open'")
    assert said.startswith('"REQuest:OPEN <ticket>,<quantity>; ticket 1..')
    assert answer('SYST:HELP:SYNT? "REQuest:RESult?"').startswith('"REQuest:RESult? [<ticket>] ->')
    assert answer('SYST:HELP:SYNT? ":MAIN:PURGE"').startswith('"MAINtenance:PURGe [<pockets>];')
