"""The committed register map is the one the table gives now; the verb tells the same one."""

import json
import re
from pathlib import Path

from controller.link.registers import BLOCKS, COILS, INPUTS, words_of
from hostsim import registerdoc
from hostsim.cli import main

CONFIG = Path(__file__).parents[2] / "configs" / "m4_nut.toml"


def told(capsys, *arguments: str) -> str:
    assert main(["registers", *arguments]) == 0
    output, errors = capsys.readouterr()
    assert errors == ""
    return output


def test_registers_md_is_up_to_date() -> None:
    assert registerdoc.PATH.read_text(encoding="utf-8") == registerdoc.document(), (
        "run `python -m hostsim.registerdoc`"
    )


def test_the_copy_for_programs_is_whole_and_without_overlap(capsys) -> None:
    map_ = json.loads(told(capsys, "--json"))
    taken: list[int] = []
    for register in map_["registers"]:
        assert register["words"] == {"u16": 1, "i16": 1, "u32": 2, "i32": 2}[register["kind"]]
        taken += range(register["address"], register["address"] + register["words"])
    assert taken == sorted(set(taken))
    blocks = [
        at
        for block in map_["blocks"]
        for at in range(block["address"], block["address"] + block["words"])
    ]
    assert taken == blocks
    names = [register["name"] for register in map_["registers"]]
    assert len(set(names)) == len(names)
    assert [coil["address"] for coil in map_["coils"]] == list(range(len(COILS)))
    assert [bit["address"] for bit in map_["discrete_inputs"]] == list(range(len(INPUTS)))


def test_a_module_fills_in_its_bounds_and_its_place_on_the_line(capsys) -> None:
    bare = json.loads(told(capsys, "--json"))
    full = json.loads(told(capsys, str(CONFIG), "--json"))
    high = {register["name"]: register["high"] for register in full["registers"]}
    names = {register["name"]: register["high"] for register in bare["registers"]}
    assert (names["request.quantity"], high["request.quantity"]) == ("request_quantity_max", 5000)
    assert (names["purge.pockets"], high["purge.pockets"]) == ("sprocket_pockets", 7)
    assert "module" not in bare
    assert full["module"] == {"name": "nut module", "address": 1, "baud": 19200}


def test_text_and_markdown_show_every_address(capsys) -> None:
    registers = sum(len(block[5]) for block in BLOCKS)
    text = told(capsys, str(CONFIG))
    rows = [line for line in text.splitlines() if re.match(r" +\d+  \w", line)]
    assert len(rows) == registers + len(COILS) + len(INPUTS)
    document = registerdoc.document()
    for block in BLOCKS:
        first, last = block[0], block[0] + words_of(block) - 1
        span = f"{first}" if first == last else f"{first} to {last}"
        assert f"## {block[1]} ({span}): " in document
    cells = {line.count("|") for line in document.splitlines() if line.startswith("| 1")}
    assert cells == {3, 4, 9}
