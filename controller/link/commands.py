"""The commands of the SCPI line as one table, and the few handlers that are more than a call.

TREE holds a (root, title, rows) for every subsystem.  A row is

    (pattern from the root on, call, parameters, answer, what it does)

`call` is either a path from the server, `"fw.open_request"`, to a method that gets the arguments or
to an attribute that is read, or a function that gets the server and the arguments.  Parameters are
those of `scpi_parameters`.  `answer` names the fields a query answers; it is documentation, which
a test holds against what really comes.  The help queries, COMMANDS.md and the tests read this table
too, so a command exists in one place.

What a call returns is answered field by field: integers as they are, str as quoted strings, bytes
as already formed.
"""

from controller.board.ports import DRIVE_HEALTHY
from controller.cycle.maintenance import JOG_PPM_MAX
from controller.cycle.orders import TICKET_MAX
from controller.cycle.unit import COMMANDS, MODES, STATES
from controller.link.desk import RESTARTS
from controller.link.handshake import PHASES
from controller.link.refusal import Refused
from controller.link.scpi_header import find
from controller.link.scpi_parameters import (
    CHOICE,
    EXTENDED,
    NUMBER,
    TEXT,
    allowed,
    may_be_left_out,
)
from controller.motion.pace import RATE_PPM_MAX, RATE_PPM_MIN
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
    for root, _title, rows in TREE:
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
    found = find(TREE, header.upper())
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


def _authority(server):
    number, name, local, left_ms = server.fw.owner()
    return number, name.encode(), local, left_ms


def _wires(server):
    phase, ticket = server.fw.wires()
    return phase, PHASES[phase].upper().encode(), ticket


def _unit_state(server):
    number = server.fw.unit.state
    return number, STATES[number].upper().encode()


def _unit_mode(server):
    number = server.fw.unit.mode
    return number, MODES[number].upper().encode()


def _setting(server, name):
    value = server.fw.setting(name)
    if isinstance(value, (list, tuple)):  # gear stages, ladder: rows of numbers
        value = [number for row in value for number in row]
    return value


def _next_event(server):
    return server.fw.next_event() or (0, 0, 0, 0, 0)


TREE = (
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
            ("RST", "reset", (), "", "cancel the open request or bench move, and a pending *OPC"),
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
    (
        "UNIT",
        "Unit state and mode (PackML)",
        (
            (":COMMand", "fw.command", ((CHOICE, "command", COMMANDS),), "", "command the unit"),
            (":STATe?", _unit_state, (), "number,NAME", "present state"),
            (":MODE", "fw.change_mode", ((CHOICE, "mode", MODES),), "", "change the unit mode"),
            (":MODE?", _unit_mode, (), "number,NAME", "present mode"),
            (":CAUSe?", "fw.cause", (), 'code,"text","remedy"', "why the unit stopped; 0 if not"),
            (
                ":AUTHority?",
                _authority,
                (),
                "number,NAME,local,left_ms",
                "link in command; silence until it is free",
            ),
        ),
    ),
    (
        "REQuest",
        "Requests",
        (
            (
                ":OPEN",
                "fw.open_request",
                (
                    (NUMBER, "ticket", 1, TICKET_MAX),
                    (NUMBER, "quantity", 1, "request_quantity_max"),
                ),
                "",
                "dispense a quantity under a new ticket",
            ),
            (
                ":PROGress?",
                "fw.progress",
                (),
                "ticket,quantity,state,lower,upper,pockets,retries",
                "the open or last request",
            ),
            (":CANCel", "fw.cancel_request", (), "", "stop and close the open request"),
            (
                ":RESult?",
                "fw.result",
                ((NUMBER, "ticket", 1, TICKET_MAX, 0),),
                "ticket,quantity,outcome,lower,upper,pockets,retries,duration_ms,cause",
                "result of a closed request, or of the last",
            ),
            (
                ":REMainder?",
                "fw.remainder",
                ((NUMBER, "ticket", 1, TICKET_MAX, 0),),
                "parts",
                "parts surely missing of a closed request, or of the last; order them anew",
            ),
            (":TICKets?", "fw.results", (), "ticket,...", "closed requests, newest first; 0: none"),
        ),
    ),
    (
        "WIRes",
        "Hard-wired hand-shake",
        (
            (":STATe?", _wires, (), "number,NAME,ticket", "present phase; its last request"),
            (":FAULt?", "fw.wires_fault", (), 'code,"text"', "what was wrong with the last give"),
        ),
    ),
    (
        "MAGazine",
        "Magazine",
        (
            (
                ":LOAD",
                "fw.magazine_load",
                ((NUMBER, "parts", 1, "magazine_capacity"),),
                "",
                "say that parts have been added",
            ),
            (":LEVel?", "fw.magazine", (), "level,capacity", "parts reckoned to be left"),
        ),
    ),
    (
        "SPRocket",
        "Sprocket",
        (
            (
                ":COUNters?",
                "fw.sprocket",
                (),
                "pieces,rated,pockets,misses,jams,retries",
                "counted since the sprocket was changed",
            ),
            (":CHANged", "fw.sprocket_changed", (), "", "say that a new sprocket is in"),
            (":POSition?", "fw.position", (), "known,pocket,steps", "where it stands"),
            (
                ":RATE",
                "fw.set_rate",
                ((NUMBER, "ppm", RATE_PPM_MIN, RATE_PPM_MAX),),
                "",
                "run at millionths of the velocity limit, from the next run until power-down",
            ),
            (":RATE?", "fw.pace.asked_ppm", (), "ppm", "the share asked for"),
        ),
    ),
    (
        "MAINtenance",
        "Moves of the modes Maintenance and Manual",
        (
            (
                ":JOG",
                "fw.jog",
                ((NUMBER, "ppm", -JOG_PPM_MAX, JOG_PPM_MAX),),
                "",
                "turn by millionths of a pocket, at creep",
            ),
            (
                ":PURGe",
                "fw.purge",
                ((EXTENDED, "pockets", 1, "sprocket_pockets", "sprocket_pockets"),),
                "",
                "turn pockets through at creep without a break, one turn if not said; *RST ends it",
            ),
            (":REGister", "fw.register", (), "", "find the position again; two parts may fall"),
            (":BEAM", "fw.beam_test", (), "", "test the beam"),
            (":BEAM?", "fw.beam", (), "blocked,passed", "beam now; last test: 1, 0, or -1 none"),
            (":INDex", "fw.index_one", (), "", "turn by one pocket (Manual)"),
        ),
    ),
    (
        "SENSe",
        "Inputs, and single measurements",
        (
            (
                ":INPuts?",
                "fw.inputs",
                (),
                "bits",
                "good: 1 guard, 2 magazine, 4 receiver, 8 drive; 16 give",
            ),
            (
                ":PART[:NEXT]?",
                "fw.next_part",
                (),
                "seq,pocket,delay_us,width_us,rate_steps_s",
                "oldest unread part, from its pocket's release edge to the beam; 0s: none",
            ),
            (":PART:COUNt?", "fw.parts_count", (), "count", "parts that wait"),
            (
                ":INDex[:NEXT]?",
                "fw.next_index_edge",
                (),
                "seq,steps,level",
                "oldest unread edge of the pocket index, in commanded motor steps; 0s: none",
            ),
            (":INDex:COUNt?", "fw.index_edges_count", (), "count", "edges that wait"),
        ),
    ),
    (
        "SETTing",
        "Settings read-out",
        (
            (":CATalog?", "fw.setting_names", (), '"name",...', "names of all settings"),
            (":VALue?", _setting, ((TEXT, "name"),), "value,...", "one setting"),
        ),
    ),
    (
        "EVENt",
        "Event read-out",
        (
            ("[:NEXT]?", _next_event, (), "seq,time_ms,kind,a,b", "oldest event; removes it"),
            (":COUNt?", "fw.events_count", (), "count", "events that wait"),
        ),
    ),
)
