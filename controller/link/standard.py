"""The commands of the SCPI line that every device has: IEEE 488.2, SYSTem, STATus.

Rows are those of `commands`, whose table begins with these.  Nothing but data, as that is.
"""

from controller.link import handlers
from controller.link.desk import RESTARTS
from controller.link.scpi_parameters import CHOICE, NUMBER, TEXT

_BYTE = (NUMBER, "mask", 0, 255)
_WORD = (NUMBER, "mask", 0, 65535)


STANDARD = (
    (
        "*",
        "Common commands (IEEE 488.2)",
        (
            ("CLS", "clear_status", (), "", "clear events, errors and a pending *OPC"),
            ("ESE", "status.standard.set_enable", (_BYTE,), "", "enable standard events"),
            ("ESE?", "status.standard.enable", (), "mask", "enabled standard events"),
            ("ESR?", "status.standard.read", (), "events", "standard events; clears them"),
            ("IDN?", handlers.identity, (), "maker,model,serial,version", "who this is"),
            ("OPC", "flag_completion", (), "", "set event bit 0 once nothing is under way"),
            ("OPC?", "answer_completion", (), "1", "answer once nothing is under way"),
            ("RST", "reset", (), "", "cancel request, bench move, pending *OPC; full rate again"),
            ("SRE", "status.set_service", (_BYTE,), "", "choose what bit 6 sums up"),
            ("SRE?", "status.service", (), "mask", "what bit 6 sums up"),
            ("STB?", "status_byte", (), "byte", "status byte; clears nothing"),
            (
                "TST?",
                handlers.self_test,
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
            (":HELP:HEADers?", handlers.help_headers, (), "#block", "every header, one a line"),
            (
                ":HELP:SYNTax?",
                handlers.help_syntax,
                ((TEXT, "header"),),
                '"text"',
                "one command's use",
            ),
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
            (
                ":LOCK:REQuest?",
                handlers.lock_request,
                (),
                "1",
                "lock the command to this line: local",
            ),
            (":LOCK:RELease", "fw.release", (), "", "give the command back, held or locked"),
            (
                ":LOCK:OWNer?",
                handlers.lock_owner,
                (),
                "NAME",
                "link in command: NONE, LINE, BUS, WIRES",
            ),
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
