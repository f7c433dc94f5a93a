"""Writes controller/link/COMMANDS.md, the table of all SCPI commands, from the command table.

    python -m hostsim.scpidoc

Run it after a change to `controller/link/commands.py`; a test fails while the two differ.
"""

from pathlib import Path

import controller.link
from controller.link.commands import TREE
from controller.link.scpi_parameters import allowed, may_be_left_out
from hostsim.scpianswers import sections

PATH = Path(controller.link.__file__).with_name("COMMANDS.md")

OPENING = """\
# SCPI commands

Made from the command table by `python -m hostsim.scpidoc`; do not edit.

The short form of a word is in capitals; only the exact short or long form is legal, in any case.
What is in brackets may be left out. Bounds with a name are settings of the module
(`SETTing:VALue? <name>`). Fields, numbers, events and settings are told [at the end](#answers);
how the line behaves, and what the bits of its status are, in [README.md](README.md).
"""

COLUMNS = """\
| command | parameters | answer | does |
|---|---|---|---|"""


def document() -> str:
    """Return the whole document as Markdown."""
    lines = [OPENING]
    for root, title, rows in TREE:
        lines += [f"## {title}", "", COLUMNS]
        for row in rows:
            pattern, _call, parameters, answer, what = row
            cells = [
                code(root + pattern),
                "<br>".join(describe(parameter) for parameter in parameters),
                code(answer) if answer else "",
                what,
            ]
            lines.append("| " + " | ".join(cells) + " |")
        lines.append("")
    return "\n".join([*lines, *sections()])


def describe(parameter: tuple) -> str:
    """Return one parameter: its name, what it may be, and its default if it has one."""
    text = f"{parameter[1]}: {code(allowed(parameter))}"
    if may_be_left_out(parameter):
        text = f"[{text}]" if parameter[4] == 0 else f"[{text}], else {code(str(parameter[4]))}"
    return text


def code(text: str) -> str:
    """Return text as code within a table cell, where a bar would end the cell."""
    return "`" + text.replace("|", "\\|") + "`"


def main() -> None:
    PATH.write_text(document(), encoding="utf-8")


if __name__ == "__main__":
    main()
