"""The commands of the SCPI line as one table.  Nothing but data: it is borrowed, see `index`.

TREE holds a (root, title, rows) for every subsystem.  A row is

    (pattern from the root on, call, parameters, answer, what it does)

`call` is either a path from the server, `"fw.open_request"`, to a method that gets the arguments or
to an attribute that is read, or a function of `handlers`.  Parameters are those of
`scpi_parameters`.  `answer` names the fields a query answers; it is documentation, which
a test holds against what really comes.  The help queries, COMMANDS.md and the tests read this table
too, so a command exists in one place.

What a call returns is answered field by field: integers as they are, str as quoted strings, bytes
as already formed.
"""

from controller.cycle.maintenance import JOG_PPM_MAX
from controller.cycle.orders import TICKET_MAX
from controller.cycle.unit import COMMANDS, MODES
from controller.link import handlers
from controller.link.scpi_parameters import CHOICE, EXTENDED, NUMBER, TEXT
from controller.link.standard import STANDARD
from controller.motion.pace import RATE_PPM_MAX, RATE_PPM_MIN

TREE = STANDARD + (
    (
        "UNIT",
        "Unit state and mode (PackML)",
        (
            (":COMMand", "fw.command", ((CHOICE, "command", COMMANDS),), "", "command the unit"),
            (":STATe?", handlers.unit_state, (), "number,NAME", "present state"),
            (":MODE", "fw.change_mode", ((CHOICE, "mode", MODES),), "", "change the unit mode"),
            (":MODE?", handlers.unit_mode, (), "number,NAME", "present mode"),
            (":CAUSe?", "fw.cause", (), 'code,"text","remedy"', "why the unit stopped; 0 if not"),
            (
                ":AUTHority?",
                handlers.authority,
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
            (
                ":STATe?",
                handlers.wires,
                (),
                "number,NAME,ticket",
                "present phase; its last request",
            ),
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
            (
                ":LEVel",
                "fw.magazine_level",
                ((NUMBER, "parts", 0, "magazine_capacity"),),
                "",
                "say how many parts are in it, where some were taken out or counted by hand",
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
                "since the sprocket was changed; a miss: a pocket empty although parts were there",
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
            (
                ":PHASe?",
                "fw.release_phase",
                (),
                "learned,target,sigma,mean,scatter,later,earlier",
                "chart of the release phase in mdeg; sums in per cent of their limit",
            ),
            (
                ":WIDTh?",
                "fw.pulse_width",
                (),
                "learned,target,sigma,mean,scatter,wider,narrower",
                "chart of the pulse width in us; sums in per cent of their limit",
            ),
            (
                ":DRIFt?",
                "fw.drift",
                (),
                'code,"text","remedy",direction',
                "alarm of either chart, 0 if none; +1 later or wider, -1 earlier or narrower",
            ),
            (":DRIFt:CLEar", "fw.clear_drift", (), "", "its cause has been put right"),
            (":DRIFt:LEARn", "fw.learn_drift", (), "", "learn anew what is right"),
            (":INDex:COUNt?", "fw.index_edges_count", (), "count", "edges that wait"),
        ),
    ),
    (
        "SETTing",
        "Settings read-out",
        (
            (":CATalog?", "fw.setting_names", (), '"name",...', "names of all settings"),
            (":VALue?", handlers.setting, ((TEXT, "name"),), "value,...", "one setting"),
        ),
    ),
    (
        "EVENt",
        "Event read-out",
        (
            (
                "[:NEXT]?",
                handlers.next_event,
                (),
                "seq,time_ms,kind,a,b",
                "oldest event; removes it",
            ),
            (":COUNt?", "fw.events_count", (), "count", "events that wait"),
        ),
    ),
)
