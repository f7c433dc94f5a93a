"""The handlers of those SCPI commands that are more than a call: each gets the server, and answers.

They stand apart from the table of commands, which is borrowed and forgotten again.  The help
queries borrow it once more.
"""

from controller.board.ports import DRIVE_HEALTHY
from controller.borrow import borrow
from controller.cycle.unit import MODES, STATES
from controller.link.handshake import PHASES
from controller.link.refusal import Refused
from controller.link.scpi_header import find
from controller.link.scpi_parameters import allowed, may_be_left_out
from controller.record.book import FAILED, MISSING

SELF_TEST_BEAM = 1  # *TST?: the last beam test failed
SELF_TEST_DRIVE = 2  # *TST?: the stepper driver reports a fault
SELF_TEST_STORE = 4  # *TST?: there is no store, or it does not keep what is written to it


def command_table():
    """Return the table of all commands, for one use."""
    return borrow("controller.link.commands", "controller.link.standard").TREE


def identity(server):
    fields = [_identity_field(field) for field in server.fw.identity]
    return ",".join(fields).encode()


def _identity_field(text):
    """Return a field of *IDN? with nothing in it that separates fields; 0 stands for unknown."""
    clean = "".join([c if " " <= c <= "~" and c not in ',;"' else "_" for c in text])
    return clean or "0"


def self_test(server):
    """Say what is known to be broken. Starts nothing: *TST? must leave the module as it was."""
    failed = 0
    if server.fw.beam()[1] == 0:
        failed |= SELF_TEST_BEAM
    if not server.fw.inputs() & DRIVE_HEALTHY:
        failed |= SELF_TEST_DRIVE
    if server.fw.store_condition() in (MISSING, FAILED):
        failed |= SELF_TEST_STORE
    return failed


def help_headers(server):
    """Return all headers as SCPI-1999 has it: a definite length block, a header a line.

    One that is a command and a query stands once; the others are marked /nquery/ or /qonly/.
    """
    lines = []
    for root, _title, rows in command_table():
        start = root if root == "*" else ":" + root
        patterns = [row[0] for row in rows]
        for pattern in patterns:
            if not pattern.endswith("?"):
                both = pattern + "?" in patterns
                lines.append(start + pattern + ("" if both else "/nquery/"))
            elif pattern[:-1] not in patterns:
                lines.append(start + pattern + "/qonly/")
    block = "\n".join(lines).encode()
    length = str(len(block))
    return f"#{len(length)}{length}".encode() + block


def help_syntax(server, header):
    found = find(command_table(), header.upper())
    if found is None:
        raise Refused(-224, "header " + header)
    root, row = found
    return synopsis(root, row) + limits(row) + ": " + row[4]


def synopsis(root, row):
    """Return a command as it is written: header, parameters, and what a query answers."""
    names = [f"[<{p[1]}>]" if may_be_left_out(p) else f"<{p[1]}>" for p in row[2]]
    line = root + row[0]
    if names:
        line += " " + ",".join(names)
    return line + " -> " + row[3] if row[3] else line


def limits(row):
    """Return what each parameter of a row may be."""
    return "".join([f"; {p[1]} {allowed(p)}" for p in row[2]])


def lock_owner(server):
    return server.fw.owner()[1].encode()


def lock_request(server):
    server.fw.lock()
    return 1


def authority(server):
    number, name, local, left_ms = server.fw.owner()
    return number, name.encode(), local, left_ms


def wires(server):
    phase, ticket = server.fw.wires()
    return phase, PHASES[phase].upper().encode(), ticket


def unit_state(server):
    number = server.fw.unit.state
    return number, STATES[number].upper().encode()


def unit_mode(server):
    number = server.fw.unit.mode
    return number, MODES[number].upper().encode()


def setting(server, name):
    value = server.fw.setting(name)
    if isinstance(value, (list, tuple)):  # gear stages, ladder: rows of numbers
        value = [number for row in value for number in row]
    return value


def next_event(server):
    return server.fw.next_event() or (0, 0, 0, 0, 0)
