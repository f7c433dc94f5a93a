"""What a board does that must not run: it stays at rest and says why to whoever asks.

Every line that ends in a question mark is answered: `*IDN?` with who this is, all others with the
next reason, in the form of SCPI's SYSTem:ERRor?, one after the other and round again.  The command
`SYSTem:RESTart PROMpt` leads to the interpreter's prompt, for new files, and byte 3 is the device
clear, as on a board that runs: a client greets with it, and shall be told the reasons.  Nothing
else is understood; the drive has no current, and nothing here could give it any.  The status light
shows that the settings are refused.
"""

from controller.board.rp2.build import LINE_BYTES, serial
from controller.board.rp2.light import REFUSED, Light
from controller.board.rp2.usb import UsbLine

LINE_MAX = 256  # longer ones are no question of ours
NUMBER = -220  # SCPI-1999 volume 2, 21.8.10: parameter error
REASON_MAX = 200
CLEAR = b"\x03"
LEAVE_MS = 300  # for the last answer to get out


class Refusal:
    """Answers on a line."""

    def __init__(self, reasons, serial):
        """`reasons`: why, at least one text."""
        self._reasons = [_clean(reason)[:REASON_MAX] for reason in reasons]
        self._serial = serial
        self._next = 0
        self._heard = b""
        self.leaving = False  # told to go to the prompt

    def answer(self, data):
        """Take bytes that have come; return what there is to say, maybe nothing."""
        self._heard = (self._heard + data).split(CLEAR)[-1][-LINE_MAX:]
        said = b""
        while b"\n" in self._heard:
            end = self._heard.index(b"\n")
            asked = self._heard[:end].strip().upper()
            self._heard = self._heard[end + 1 :]
            if _leads_to_prompt(asked):
                self.leaving = True
                said += b'0,"No error"\n' if asked.endswith(b"?") else b""
            elif asked.endswith(b"*IDN?"):
                said += f"Tallywheel,refused,{self._serial},0\n".encode()
            elif asked.endswith(b"?"):
                said += f'{NUMBER},"Parameter error;{self._reasons[self._next]}"\n'.encode()
                self._next = (self._next + 1) % len(self._reasons)
        return said


def stay(board, reasons):
    """Answer on the USB line of `board` (`main.Board`) until told to go to the prompt."""
    machine, tools = board.machine, board.tools
    line = UsbLine(tools.select, tools.sys, LINE_BYTES)
    refusal = Refusal(reasons, serial(machine))
    light = None if board.pins is None else Light(board.pins.switch(machine, "light"), tools.time)
    time = tools.time
    told_ms = time.ticks_ms()
    while not refusal.leaving or time.ticks_diff(time.ticks_ms(), told_ms) < LEAVE_MS:
        if not refusal.leaving:
            told_ms = time.ticks_ms()
        heard = line.look()
        said = refusal.answer(line.read())
        if said:
            line.write(said)
        line.poll()
        if light is not None:
            light.show(REFUSED)
        if not heard:
            machine.idle()


def _leads_to_prompt(line):
    """Tell whether a line's first command is SYSTem:RESTart PROMpt."""
    header, _, parameter = line.split(b";")[0].partition(b" ")
    systems = (b"SYST:REST", b"SYSTEM:REST", b"SYST:RESTART", b"SYSTEM:RESTART")
    return header.lstrip(b":") in systems and parameter.strip() in (b"PROM", b"PROMPT")


def _clean(text):
    """Return text that fits into a quoted string on one line."""
    return "".join([c if " " <= c <= "~" and c != '"' else " " for c in text])
