"""The packing slip of a robot cell: what has been ordered for the bag under way, in a file.

    slip = Slip(Path("robot_cell.slip"), quantity=8)
    slip.add("M4 nut", ticket, 8)    # before it is ordered
    slip.clear()                     # the bag is done

Theory of operation
-------------------
A module remembers its tickets when the power goes.  So must the cell: one that has forgotten under
which ticket it ordered can only order again under another, and the bag gets its parts twice.  A PLC
keeps this in retentive memory; here it is a small JSON file, replaced as a whole, so that it is
either as it was or as it is to be.
"""

import json
import os
from pathlib import Path


class Slip:
    """The slip in that file: of a bag that was `begun`, or of a new one with `quantity` of each."""

    def __init__(self, path: Path, quantity: int) -> None:
        """ValueError if the file is there and no slip."""
        self._path = path
        self.begun = path.exists()
        self.quantity = quantity  # of each part; a bag that was begun keeps its own
        self._orders: dict[str, list[tuple[int, int]]] = {}
        if self.begun:
            self._read()

    def _read(self) -> None:
        try:
            told = json.loads(self._path.read_text(encoding="utf-8"))
            self.quantity = int(told["quantity"])
            self._orders = {
                part: [(int(ticket), int(quantity)) for ticket, quantity in orders]
                for part, orders in told["orders"].items()
            }
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            raise ValueError(
                f"{self._path} is no packing slip: check the bag, then remove it"
            ) from error

    def orders(self, part: str) -> list[tuple[int, int]]:
        """(ticket, quantity) of all that was ordered of a part, in that order."""
        return list(self._orders.get(part, ()))

    def add(self, part: str, ticket: int, quantity: int) -> None:
        """Write down an order that is about to be given."""
        self._orders.setdefault(part, []).append((ticket, quantity))
        text = json.dumps({"quantity": self.quantity, "orders": self._orders})
        new = self._path.with_name(self._path.name + ".new")
        with new.open("w", encoding="utf-8") as file:
            file.write(text + "\n")
            file.flush()
            os.fsync(file.fileno())
        new.replace(self._path)
        folder = os.open(self._path.parent, os.O_RDONLY)
        os.fsync(folder)  # the new name, too
        os.close(folder)

    def clear(self) -> None:
        """The bag is done."""
        self._path.unlink(missing_ok=True)
