"""`tallywheel serve`: simulated modules on a pseudo-terminal."""

import argparse
import sys
from contextlib import ExitStack
from pathlib import Path
from typing import TextIO

from hostsim.bench import Bystander
from hostsim.board import BUS, LINE
from hostsim.config import ModuleConfig
from hostsim.hands import HandsPipe
from hostsim.module import SimModule
from hostsim.plant.eventlog import NoLog
from hostsim.serve import PseudoTerminal, serve, until_told
from hostsim.sharedline import SharedLine
from hostsim.store import SimStore
from hostsim.truthlog import TruthLog, open_log
from hostsim.verbs.common import (
    VerbError,
    Verbs,
    add_engine,
    add_faults,
    add_line_faults,
    add_seed,
    add_verb,
    line_fault_list,
    number,
    output_path,
    read_config,
)

WIRES = {"scpi": LINE, "modbus": BUS}

DETAILS = f"""\
The first line of standard output is the path of the pseudo-terminal, alone; give it to any serial
program (the speed setting does not matter). The server runs until it is interrupted (Ctrl-C).
Clients may come and go.

With --link scpi, lines end in a line feed, and there is one module on the line. With --link modbus
there may be several: each hears every byte and answers to the bus.address of its description.

A simulated person stands by: puts into the magazine what a client reports as loaded, and when a
unit has stopped for a cause, does with the hands what its remedy says. Clearing, resetting and
starting the unit is left to the client.

--machine gives the simulated module another description than its firmware has: what a module
really is once it has been printed, for trying out `tallywheel commission`.

With --hands, the simulated person does nothing unasked, but what comes through a named pipe, a deed
a line (`echo "guard open" > PATH`): guard open, guard shut, card in, card out (of the beam),
bag away, bag back, fill N, fill up, clear, empty, reset driver.

With --store, what the modules keep outlives the server, which may be killed at any time: that is
pulling the plug. The next server with the same store powers the same modules up again. Their
firmware finds what it had stored; the bench it finds as at every start, with the sprocket at a
dwell position and the magazine full. Parts that were falling when the plug was pulled are gone:
on a real bench they would still land in the bag, so the truth can lie below what a real one is, but
within the same bounds. --truth keeps what really fell, over any number of power cuts, as CSV:
time_us, module (its bus address), what (power, open, part, closed), ticket.

{line_fault_list()}

example: tallywheel serve configs/m4_nut.toml configs/m4_washer.toml --link modbus --store kits"""


def add(verbs: Verbs) -> None:
    """Declare the verb."""
    parser = add_verb(verbs, "serve", run, "put simulated modules on a pseudo-terminal", DETAILS)
    parser.add_argument(
        "configs", metavar="CONFIG", type=Path, nargs="+", help="module description (TOML)"
    )
    parser.add_argument(
        "--link", choices=list(WIRES), default="scpi", help="protocol of the line (default scpi)"
    )
    parser.add_argument(
        "--port",
        metavar="PATH",
        type=output_path,
        help="a further path for the pseudo-terminal, the same at every start",
    )
    parser.add_argument(
        "--speed",
        metavar="X",
        type=number("times real time", 0.01, 1000),
        default=1.0,
        help="simulated seconds per second, 0.01 to 1000 (default 1)",
    )
    parser.add_argument(
        "--store",
        metavar="PATH",
        type=Path,
        help="what outlives the power: a file, or for several modules a folder with one for each",
    )
    parser.add_argument(
        "--machine", metavar="OTHER", type=Path, help="what the module really is (TOML)"
    )
    parser.add_argument(
        "--hands", metavar="PATH", type=output_path, help="a named pipe for what hands shall do"
    )
    parser.add_argument(
        "--truth", metavar="FILE", type=output_path, help="write down what really falls"
    )
    add_seed(parser)
    add_faults(parser)
    add_engine(parser)
    add_line_faults(parser)


def run(args: argparse.Namespace) -> int:
    """Serve until interrupted."""
    configs = [read_config(path) for path in args.configs]
    if args.link == "scpi" and len(configs) > 1:
        raise VerbError("a line of SCPI has no addresses: serve one module, or use --link modbus")
    if (args.machine or args.hands) and len(configs) > 1:
        raise VerbError("--machine and --hands are for one module: serve the others by themselves")
    machine = read_config(args.machine) if args.machine else None
    refuse_same_address(args.configs, configs)
    with until_told(), ExitStack() as stack:
        stores = []
        for config in configs:
            stores.append(store(args.store, config, len(configs)))
            stack.callback(stores[-1].close)
        modules = [
            stack.enter_context(
                SimModule(
                    config,
                    args.seed + place,
                    args.faults,
                    args.engine,
                    NoLog(),
                    store=kept,
                    machine=machine,
                )
            )
            for place, (config, kept) in enumerate(zip(configs, stores, strict=True))
        ]
        if args.truth:
            file = stack.enter_context(truth_log(args.truth))
            for module in modules:
                TruthLog(module, file)
        terminal = stack.enter_context(named_terminal(args.port))
        looks = [Bystander(module).look for module in modules]
        if args.hands:
            pipe = stack.enter_context(hands(args.hands, modules[0]))
            looks = [pipe.look, modules[0].notes.clear]  # which nobody else reads
        print(terminal.path, flush=True)
        line = SharedLine(modules, WIRES[args.link], args.line_faults, args.seed)
        serve(line, terminal, args.speed, looks)
    return 0


def hands(path: Path, module: SimModule) -> HandsPipe:
    """The pipe through which hands are told what to do; VerbError if the name is taken."""
    try:
        return HandsPipe(path, module.plant, lambda why: print(why, file=sys.stderr, flush=True))
    except FileExistsError as error:
        raise VerbError(f"{path} exists and is no named pipe: give another") from error


def truth_log(path: Path) -> TextIO:
    """The file for the truth; VerbError if the name is taken by something else."""
    try:
        return open_log(path)
    except ValueError as error:
        raise VerbError(f"{error}: give another") from error


def refuse_same_address(paths: list[Path], configs: list[ModuleConfig]) -> None:
    """VerbError if two modules have the same address."""
    taken: dict[int, Path] = {}
    for path, config in zip(paths, configs, strict=True):
        address = config.settings.bus_address
        if address in taken:
            raise VerbError(
                f"{taken[address]} and {path} both have bus.address {address}: "
                "both would answer at once; change one"
            )
        taken[address] = path


def store(path: Path | None, config: ModuleConfig, modules: int) -> SimStore:
    """The memory of a module; kept in `path` if there is one, among those of so many modules."""
    if path is None:
        return SimStore()
    if modules > 1:
        path.mkdir(parents=True, exist_ok=True)
        path /= f"module_{config.settings.bus_address}.store"
    try:
        return SimStore(path=path)
    except BlockingIOError as error:
        raise VerbError(
            f"{path} is in use by another server: give another path, or end that one"
        ) from error
    except ValueError as error:
        raise VerbError(f"{error}: give another path, or remove it to start afresh") from error


def named_terminal(name: Path | None) -> PseudoTerminal:
    """The terminal, under that name as well; VerbError if the name is taken by something else."""
    try:
        return PseudoTerminal(name)
    except FileExistsError as error:
        taken = name is not None and name.is_symlink()
        why = "is in use by another server" if taken else "exists and is no link to a terminal"
        raise VerbError(f"{name} {why}: give another") from error
