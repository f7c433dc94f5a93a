"""A list of orders worked through at one module, with a journal that outlives the program.

    tallywheel serve configs/m4_nut.toml --port bench
    python -m hostsim.examples.order_list bench orders.csv journal.csv

`orders.csv` has the columns order and quantity.  The journal gets a row when an order is given and
another one when its result is known; of several rows of an order the last one counts.

Theory of operation
-------------------
A ticket is written down before it is used.  So the program may end at any moment, by a crash or by
the plug, and be started again: an order that stands in the journal without a result is asked for
under the ticket it had.  The module delivers a ticket once and keeps its result, so whatever has
been delivered meanwhile is read, whatever is under way is followed on, and only what has never
arrived is delivered now.

Who works at the module is asked for help where the module needs some, in the module's own words,
and presses Enter when it has been given.
"""

import argparse
import csv
import os
import sys
from collections.abc import Callable, Iterable
from pathlib import Path

from hostsim.answers import Progress, Result
from hostsim.client import DispenserClient
from hostsim.dispenser import Dispenser
from hostsim.errors import ModuleError, NotReadyError
from hostsim.words import Outcome, RequestState

COLUMNS = ("order", "ticket", "quantity", "outcome", "lower", "upper", "seconds", "cause")
MAGAZINE_EMPTY = 31  # controller/link/COMMANDS.md, Causes

Help = Callable[[str], None]  # tells a person what to do, and returns when that is done


class Journal:
    """What has become of each order: `.rows[order]`, with the columns of the file as keys."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self.rows: dict[str, dict[str, str]] = {}
        if path.exists():
            with path.open(newline="") as file:
                self.rows = {row["order"]: row for row in csv.DictReader(file)}
        else:
            self._append(COLUMNS)

    def given(self, order: str, ticket: int, quantity: int) -> None:
        """The order is about to be given under that ticket."""
        self._note(order, ticket, quantity, "", "", "", "", "")

    def closed(self, order: str, result: Result) -> None:
        """The result of the order is known."""
        found = (result.outcome, result.lower, result.upper, result.seconds, result.cause)
        self._note(order, result.ticket, result.quantity, *found)

    def _note(self, *cells: object) -> None:
        row = [str(cell) for cell in cells]
        self._append(row)
        self.rows[row[0]] = dict(zip(COLUMNS, row, strict=True))

    def _append(self, cells: Iterable[object]) -> None:
        with self._path.open("a", newline="") as file:
            csv.writer(file).writerow(cells)
            file.flush()
            os.fsync(file.fileno())  # a ticket must be safe on the disk before it is used


def make_ready(module: Dispenser, ask: Help) -> None:
    """Lead the unit to Execute, with help wherever it is needed."""
    while True:
        try:
            return module.make_ready()
        except NotReadyError as trouble:
            ask(str(trouble))


def helper(module: DispenserClient, ask: Help) -> Callable[[Progress], None]:
    """What to do at every look at an open request: have a person help where it waits."""

    def look(progress: Progress) -> None:
        if progress.state is not RequestState.WAITING:
            return
        cause = module.cause()
        if cause.code:
            ask(f"{cause.text}. {cause.remedy}")
        if cause.code == MAGAZINE_EMPTY:  # and filled to the top now
            magazine = module.magazine()
            if magazine.level < magazine.capacity:
                module.load_magazine(magazine.capacity - magazine.level)
        make_ready(module, ask)

    return look


def deliver(
    module: DispenserClient, journal: Journal, order: str, quantity: int, ask: Help
) -> None:
    """Have an order delivered, or find out what has become of it; the journal tells in the end."""
    row = journal.rows.get(order)
    if row and row["outcome"]:
        return
    ticket = int(row["ticket"]) if row else module.next_ticket()
    if not row:
        journal.given(order, ticket, quantity)
    if ticket in module.tickets():  # it had been delivered before this program was started
        result = module.result(ticket)
    else:
        make_ready(module, ask)
        result = module.request(quantity, ticket, helper(module, ask))
    journal.closed(order, result)


def work(
    module: DispenserClient, orders: list[tuple[str, int]], journal: Journal, ask: Help
) -> bool:
    """Work through all orders; True if every one is exact."""
    for order, quantity in orders:
        deliver(module, journal, order, quantity, ask)
        row = journal.rows[order]
        said = f"{order}: {row['outcome']}, {row['lower']} to {row['upper']} of {row['quantity']}"
        print(said, flush=True)
    return all(journal.rows[order]["outcome"] == str(Outcome.EXACT) for order, _ in orders)


def read_orders(path: Path) -> list[tuple[str, int]]:
    """(order, quantity) of each row. ValueError or KeyError if that is not what stands there."""
    with path.open(newline="") as file:
        return [(row["order"], int(row["quantity"])) for row in csv.DictReader(file)]


def press_enter(what: str) -> None:
    """Have the person at the terminal do it."""
    input(f"{what}\nPress Enter when that is done: ")


def main() -> int:
    """Work through the list; the exit status is 0 only if every order is exact."""
    parser = argparse.ArgumentParser(description="Work through a list of orders at one module.")
    parser.add_argument("port", metavar="PORT", help="serial port of the module")
    parser.add_argument("orders", metavar="ORDERS", type=Path, help="CSV: order,quantity")
    parser.add_argument("journal", metavar="JOURNAL", type=Path, help="CSV, made if not there")
    args = parser.parse_args()
    try:
        orders = read_orders(args.orders)
        with DispenserClient(args.port) as module:
            return 0 if work(module, orders, Journal(args.journal), press_enter) else 1
    except KeyError as trouble:
        why = f"{args.orders} or {args.journal} has no column {trouble}"
    except (OSError, ValueError) as trouble:
        why = f"{args.orders} or {args.journal}: {trouble}"
    except ModuleError as trouble:
        why = str(trouble)
    except (EOFError, KeyboardInterrupt):
        why = "left; what is under way goes on at the module, start again to follow it"
    print(f"order_list: {why}", file=sys.stderr)
    return 1


if __name__ == "__main__":
    sys.exit(main())
