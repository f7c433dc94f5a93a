"""Run a whole board from a bundle's files; for MicroPython, started by `test_bundled`.

    micropython bundled.py BUNDLE REPOSITORY FOLDER

In a bundle numbers have no names any more; FOLDER/numbers.json gives the fakes of the tests back
those that they import.  Prints what the board has answered.
"""

import json
import sys

BUNDLE, REPOSITORY, FOLDER = sys.argv[1:]
sys.path.insert(0, REPOSITORY)
sys.path.insert(0, BUNDLE)

from controller.shims.install import install  # noqa: E402  from the bundle

install()
with open(FOLDER + "/numbers.json") as file:
    NUMBERS = json.load(file)
for name in NUMBERS:
    __import__(name)
    for word in NUMBERS[name]:
        setattr(sys.modules[name], word, NUMBERS[name][word])

from tests.portable.board import WholeBoard  # noqa: E402

with open(FOLDER + "/settings.json") as file:
    board = WholeBoard(file.read())


def host(board):
    for line in (
        "*IDN?",
        "UNIT:COMM RES;*WAI;COMM STAR;*WAI;STAT?",
        "REQ:OPEN 1,12;*OPC?;:REQ:RES?",
        "SYST:REST?;:SYST:ERR?",
    ):
        answer = yield from board.ask(line)
        print(answer)


print(board.start(host), sys.modules["controller.board.rp2.loop"].__file__)
board.remove()
