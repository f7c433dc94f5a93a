"""The committed command reference is the one the command table gives now."""

from controller import keys
from controller.link.commands import TREE
from controller.record import events
from hostsim import scpianswers, scpidoc


def test_commands_md_is_up_to_date() -> None:
    assert scpidoc.PATH.read_text(encoding="utf-8") == scpidoc.document(), (
        "run `python -m hostsim.scpidoc`"
    )


def test_every_command_has_a_row_of_four_cells() -> None:
    commands, _, _ = scpidoc.document().partition("## Answers")
    rows = [line for line in commands.splitlines() if line.startswith("| `")]
    assert len(rows) == sum(len(rows) for _root, _title, rows in TREE)
    assert all(row.replace("\\|", "").count("|") == 5 for row in rows)


def test_every_field_of_every_answer_is_told_once() -> None:
    named = {
        field.strip('"#')
        for _root, _title, rows in TREE
        for row in rows
        for field in row[3].split(",")
    }
    told = [name for name, _unit, _what in scpianswers.FIELDS]
    assert sorted(named - {"", "...", "1", "block"}) == sorted(told)
    for name, unit, what in scpianswers.FIELDS:
        assert what
        for suffix, said in (("_us", "us"), ("_ms", "ms"), ("_steps_s", "steps/s"), ("ppm", "ppm")):
            assert not name.endswith(suffix) or unit == said, name


def test_every_kind_of_event_that_can_be_read_is_told_with_its_operands() -> None:
    numbers = [int(number) for number, _name, _said in scpianswers.event_rows()]
    kept = set(range(1, len(events.NAMES))) - set(scpianswers.TRACED_ONLY)
    assert numbers == sorted(kept)


def test_every_setting_is_told() -> None:
    names = [cells[0].strip("`") for cells in scpianswers.setting_rows()]
    assert names == list(keys.NAMES)
