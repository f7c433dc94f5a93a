"""The wires of the hard-wired hand-shake in front of a whole firmware, beside its line."""

from controller.board.lockstep import OUTPUTS, Lockstep
from controller.board.ports import (
    DRIVE_HEALTHY,
    GIVE,
    GUARD_CLOSED,
    MAGAZINE_OK,
    OUT_FAULT,
    OUT_READY,
    RECEIVER_READY,
)
from controller.firmware import Firmware
from tests.portable.module import settings

QUANTITY = 4
ALL_WELL = GUARD_CLOSED | MAGAZINE_OK | RECEIVER_READY | DRIVE_HEALTHY


class Board:
    """A whole firmware in front of a picture that the test paints. Its beam never changes."""

    def __init__(self):
        values = settings(wires_quantity=QUANTITY, wires_debounce_ms=20, command_hold_ms=1000)
        erased = b"\xff" * 16_384
        self.picture = Lockstep(0, (erased, erased), 1)
        self.firmware = Firmware(self.picture.ports, values)
        self.now_us = 0
        self.levels = ALL_WELL
        self.outputs = -1
        self.read()

    def read(self):
        for code, argument in self.picture.orders:
            if code == OUTPUTS:
                self.outputs = argument
        self.picture.clear()

    def run(self, time_us, said=b""):
        """Let time pass; return what the firmware says on its line."""
        end_us = self.now_us + time_us
        self.picture.line.heard += said
        answer = b""
        while self.now_us <= end_us:
            self.picture.show(self.now_us, self.levels, 0, 0, 0, 0)
            due_us = self.firmware.poll(self.now_us)
            answer += self.picture.line.said
            self.read()
            assert due_us > self.now_us
            self.now_us = due_us
        self.now_us = end_us
        return answer


def test_a_whole_firmware_shakes_hands():
    board = Board()
    assert board.outputs == 0
    board.run(500_000, b"UNIT:COMM RES;*WAI;COMM STAR\n")
    assert board.run(500_000, b"UNIT:STAT?\n") == b"6,EXECUTE\n"
    assert board.outputs == 0  # the line has spoken and is still in command
    assert board.run(2_000_000, b"SYST:LOCK:OWN?\n") == b"LINE\n"
    assert board.outputs == OUT_READY
    board.levels |= GIVE
    board.run(100_000)
    assert board.outputs == 0
    assert board.run(0, b"UNIT:AUTH?;:WIR:STAT?\n") == b"3,WIRES,0,1000;3,BUSY,1\n"
    assert board.run(0, b"REQ:CANC;:SYST:ERR?\n").startswith(b'-203,"Command protected;')
    assert board.run(0, b"*RST;SYST:ERR?\n").startswith(b'-203,"Command protected;')
    board.levels &= ~GUARD_CLOSED
    board.run(2_000_000)
    assert board.outputs == OUT_FAULT
    assert board.run(0, b"WIR:FAUL?\n").startswith(b"24,")  # this board's beam fails its test
    board.levels = ALL_WELL
    board.run(100_000)
    assert board.outputs == 0
