"""The commands of the SCPI line that every device has: IEEE 488.2, SYSTem, STATus.

Rows are those of `commands`, whose table begins with these.  The help queries answer from the whole
of it, which the server holds.
"""

from controller.board.ports import DRIVE_HEALTHY
from controller.link.desk import RESTARTS
from controller.link.refusal import Refused
from controller.link.scpi_header import find
from controller.link.scpi_parameters import CHOICE, NUMBER, TEXT, allowed, may_be_left_out
from controller.record.book import FAILED, MISSING

SELF_TEST_BEAM = 1  # *TST?: the last beam test failed
SELF_TEST_DRIVE = 2  # *TST?: the stepper driver reports a fault
SELF_TEST_STORE = 4  # *TST?: there is no store, or it does not keep what is written to it

_BYTE = (NUMBER, "mask", 0, 255)
_WORD = (NUMBER, "mask", 0, 65535)


def _identity(server):
    fields = [_identity_field(field) for field in server.fw.identity]
    return ",".join(fields).encode()


def _identity_field(text):
    """Return a field of *IDN? with nothing in it that separates fields; 0 stands for unknown."""
    clean = "".join([c if " " <= c <= "~" and c not in ',;"' else "_" for c in text])
    return clean or "0"


def _self_test(server):
    """Say what is known to be broken. Starts nothing: *TST? must leave the module as it was."""
    failed = 0
    if server.fw.beam()[1] == 0:
        failed |= SELF_TEST_BEAM
    if not server.fw.inputs() & DRIVE_HEALTHY:
        failed |= SELF_TEST_DRIVE
    if server.fw.store_condition() in (MISSING, FAILED):
        failed |= SELF_TEST_STORE
    return failed


def _help_headers(server):
    """Return all headers as SCPI-1999 has it: a definite length block, a header a line.

    One that is a command and a query stands once; the others are marked /nquery/ or /qonly/.
    """
    lines = []
    for root, _title, rows in server.tree:
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


def _help_syntax(server, header):
    found = find(server.tree, header.upper())
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


def _lock_owner(server):
    return server.fw.owner()[1].encode()


def _lock_request(server):
    server.fw.lock()
    return 1


STANDARD = (
    (
        "*",
        "Common commands (IEEE 488.2)",
        (
            ("CLS", "clear_status", (), "", "clear events, errors and a pending *OPC"),
            ("ESE", "status.standard.set_enable", (_BYTE,), "", "enable standard events"),
            ("ESE?", "status.standard.enable", (), "mask", "enabled standard events"),
            ("ESR?", "status.standard.read", (), "events", "standard events; clears them"),
            ("IDN?", _identity, (), "maker,model,serial,version", "who this is"),
            ("OPC", "flag_completion", (), "", "set event bit 0 once nothing is under way"),
            ("OPC?", "answer_completion", (), "1", "answer once nothing is under way"),
            ("RST", "reset", (), "", "cancel request, bench move, pending *OPC; full rate again"),
            ("SRE", "status.set_service", (_BYTE,), "", "choose what bit 6 sums up"),
            ("SRE?", "status.service", (), "mask", "what bit 6 sums up"),
            ("STB?", "status_byte", (), "byte", "status byte; clears nothing"),
            (
                "TST?",
                _self_test,
                (),
                "failed",
                "0, or the sum of: 1 beam test failed, 2 drive fault, 4 no store that keeps",
            ),
            ("WAI", "wait", (), "", "let later commands wait until nothing is under way"),
        ),
    ),
    (
        "SYSTem",
        "Errors, help, and who is in command",
        (
            (":ERRor[:NEXT]?", "errors.pop", (), 'number,"text"', "oldest error; removes it"),
            (":ERRor:COUNt?", "errors.count", (), "count", "errors that wait"),
            (":VERSion?", "scpi_version", (), "version", "version of SCPI"),
            (":HELP:HEADers?", _help_headers, (), "#block", "every header, one a line"),
            (":HELP:SYNTax?", _help_syntax, ((TEXT, "header"),), '"text"', "one command's use"),
            (
                ":RESTart",
                "fw.restart",
                ((CHOICE, "into", RESTARTS),),
                "",
                "start the board anew, or leave it in its prompt for new files",
            ),
            (
                ":RESTart?",
                "fw.started",
                (),
                'code,"text"',
                "why it started: 0 power, 1 told to, 2 exception, 3 hung; last fault",
            ),
            (
                ":ROUNds?",
                "fw.rounds",
                (),
                "worst_us,overruns",
                "longest round of the board's main loop; rounds that took too long",
            ),
            (":LOCK:REQuest?", _lock_request, (), "1", "lock the command to this line: local"),
            (":LOCK:RELease", "fw.release", (), "", "give the command back, held or locked"),
            (":LOCK:OWNer?", _lock_owner, (), "NAME", "link in command: NONE, LINE, BUS, WIRES"),
        ),
    ),
    (
        "STATus",
        "Status groups",
        (
            (":OPERation[:EVENt]?", "status.operation.read", (), "events", "events; clears them"),
            (":OPERation:CONDition?", "status.operation.condition", (), "bits", "as it is now"),
            (":OPERation:ENABle", "status.operation.set_enable", (_WORD,), "", "enable events"),
            (":OPERation:ENABle?", "status.operation.enable", (), "mask", "enabled events"),
            (
                ":QUEStionable[:EVENt]?",
                "status.questionable.read",
                (),
                "events",
                "events; clears them",
            ),
            (
                ":QUEStionable:CONDition?",
                "status.questionable.condition",
                (),
                "bits",
                "as it is now",
            ),
            (
                ":QUEStionable:ENABle",
                "status.questionable.set_enable",
                (_WORD,),
                "",
                "enable events",
            ),
            (":QUEStionable:ENABle?", "status.questionable.enable", (), "mask", "enabled events"),
            (":PRESet", "status.preset", (), "", "enable nothing in both groups"),
        ),
    ),
)
