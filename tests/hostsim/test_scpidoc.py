"""The committed command reference is the one the command table gives now."""

from controller.link.commands import TREE
from hostsim import scpidoc


def test_commands_md_is_up_to_date() -> None:
    assert scpidoc.PATH.read_text(encoding="utf-8") == scpidoc.document(), (
        "run `python -m hostsim.scpidoc`"
    )


def test_every_command_has_a_row_of_four_cells() -> None:
    rows = [line for line in scpidoc.document().splitlines() if line.startswith("| `")]
    assert len(rows) == sum(len(rows) for _root, _title, rows in TREE)
    assert all(row.replace("\\|", "").count("|") == 5 for row in rows)
