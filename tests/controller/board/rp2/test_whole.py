"""The real main loop on a chip whose pins end in a simulated module."""

from pathlib import Path

from hostsim.config import load
from tests.controller.board.rp2.plantchip import Host, WholeBoard

READY = "MAG:LOAD 200;:UNIT:COMM RES;*WAI;COMM STAR;*WAI;STAT?"


def test_25_parts_are_dispensed_exactly(tmp_path: Path) -> None:
    board = WholeBoard(load("configs/m4_nut.toml"), tmp_path)
    said = []

    def host(board: WholeBoard) -> Host:
        said.append((yield from board.ask("*IDN?")))
        said.append((yield from board.ask(READY)))
        said.append((yield from board.ask("REQ:OPEN 1,25;*OPC?;:REQ:RES?")))

    assert board.start(host) == "done"
    assert said[0] == "Tallywheel,nut module,E6614104032B712A,0.1.0"
    assert said[1] == "6,EXECUTE"
    assert said[2].startswith("1;1,25,0,25,25,")
    assert board.plant.truth.passed == 25
