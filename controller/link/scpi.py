"""The SCPI line: bytes in, bytes out, the firmware in between. No I/O.

Theory of operation
-------------------
`feed` cuts the input into messages at LF; a CR before it is white space, as in IEEE 488.2.  A
message is first read as a whole: its headers are found in the command table, its data elements
are checked for number and kind.  If that fails anywhere, the command error goes to the queue and
nothing of the message is carried out: a line that was damaged on the way moves nothing.  Otherwise
its units run one after the other.  A unit that the firmware refuses, or whose argument is out of
range, leaves an execution error and does nothing; those after it still run.

A header without a leading colon continues the path of the unit before it: `SYST:ERR?;VERS?` asks
SYSTem:VERSion?.  Common commands neither use nor change the path.  Every message starts at the
root.

Requests, changes of unit state and maintenance moves are overlapped: their commands return at once,
`fw.busy()` says when they are over.  *OPC sets an event bit then.  *OPC? and *WAI hold up the line:
what follows, in this message and later ones, waits in a bounded buffer.  The byte ETX (03h) is the
device clear of a serial line and is heard even then: it drops all input and output and the hold,
and touches nothing else.  So ETX, LF, `UNIT:COMM ABOR` always gets through.

Two query errors of IEEE 488.2 can't be seen on a serial line, which has no talk address: a response
that the host did not read (-410) and a read without a query (-420).  -440 is not raised because
our *IDN? fields can't hold a `;`.  -430 is what is left of them: see `scpi_output`.
"""

from controller.link.handlers import command_table
from controller.link.index import CommandIndex
from controller.link.refusal import Refused
from controller.link.scpi_errors import ErrorQueue
from controller.link.scpi_lexer import scan
from controller.link.scpi_output import OutputQueue, response_data
from controller.link.scpi_parameters import arguments, check
from controller.link.status import OPERATION_COMPLETE, Status

TERMINATOR = b"\n"
DEVICE_CLEAR = b"\x03"

# Four times the longest command written out in full, and the least that common hosts assume.
MESSAGE_MAX = 256
# Messages that wait behind *OPC? or *WAI: two full ones, or a dozen of the usual length.
WAITING_MAX = 2 * (MESSAGE_MAX + 1)

# What holds up the line until nothing is under way.
_NOTHING = 0
_WAIT = 1  # *WAI
_ANSWER = 2  # *OPC?, which then answers 1


class ScpiServer:
    """One SCPI line in front of one firmware."""

    scpi_version = b"1999.0"

    def __init__(self, fw):
        self.fw = fw
        self._index = CommandIndex(command_table())
        self.errors = ErrorQueue()
        self.status = Status()
        self._output = OutputQueue()
        self._flag_completion = False
        self._reset_input()

    def feed(self, data):
        """Take the bytes that have come, in pieces of any size, and obey every whole message."""
        parts = data.split(DEVICE_CLEAR)
        for at in range(len(parts)):
            if at:
                self._device_clear()
            lines = parts[at].split(TERMINATOR)
            for number in range(len(lines)):
                if number:
                    self._end_message()
                self._collect(lines[number])

    def poll(self, now_us):
        """Notice what has ended and go on with what waited for it.

        Nothing on this line runs by the clock; `now_us` is there because every room is polled so.
        """
        self._sample()
        self._advance()

    @property
    def held_up(self):
        """True while *OPC? or *WAI holds up what follows."""
        return self._hold != _NOTHING

    def take(self):
        """Return the bytes to send and forget them; b"" if there are none."""
        return self._output.take()

    # Commands about the line itself; the table names them.

    def clear_status(self):
        """*CLS (IEEE 488.2 10.3)."""
        self.errors.clear()
        self.status.clear()
        self._flag_completion = False

    def reset(self):
        """*RST (IEEE 488.2 10.32): no operation goes on; registers and queues stay.

        The one thing a line can set, the rate of runs, is the full one again; the unit keeps its
        state.
        """
        self._flag_completion = False
        self.fw.abandon()
        self.fw.full_rate()

    def status_byte(self):
        """*STB? (IEEE 488.2 10.36)."""
        return self.status.byte(self.errors.count(), self._output.available())

    def flag_completion(self):
        """*OPC (IEEE 488.2 10.18)."""
        self._flag_completion = True
        self._sample()

    def answer_completion(self):
        """*OPC? (IEEE 488.2 10.19). The answer is given when the hold ends."""
        self._hold = _ANSWER

    def wait(self):
        """*WAI (IEEE 488.2 10.39)."""
        self._hold = _WAIT

    # Input.

    def _reset_input(self):
        self._line = bytearray()  # the message that is coming in
        self._skipping = False  # it was too long: drop it up to its terminator
        self._waiting = b""  # whole messages not yet begun, each with its terminator
        self._units = []  # of the message under way: (root, row, data elements)
        self._hold = _NOTHING

    def _device_clear(self):
        self._reset_input()
        self._output.clear()
        self._flag_completion = False

    def _collect(self, piece):
        if self._skipping:
            return
        if len(self._line) + len(piece) > MESSAGE_MAX:
            self._error(-363, f"message longer than {MESSAGE_MAX} bytes")
            self._line = bytearray()
            self._skipping = True
        else:
            self._line += piece

    def _end_message(self):
        message = bytes(self._line)
        self._line = bytearray()
        if self._skipping:
            self._skipping = False
        elif len(self._waiting) + len(message) + 1 > WAITING_MAX:
            self._error(-363, f"more than {WAITING_MAX} bytes wait behind *OPC? or *WAI")
        else:
            self._waiting += message + TERMINATOR
            self._advance()

    # Carrying out.

    def _advance(self):
        """Carry out what there is, until it is done or an overlapped operation holds it up."""
        while True:
            if self._hold != _NOTHING:
                if self.fw.busy():
                    return
                if self._hold == _ANSWER:
                    self._answer(1)
                self._hold = _NOTHING
            if self._units:
                self._run(self._units.pop(0))
            else:
                self._output.finish()
                if not self._waiting:
                    return
                message, _, self._waiting = self._waiting.partition(TERMINATOR)
                self._begin(message)

    def _begin(self, message):
        """Read a message as a whole; it runs only if all of it is well formed."""
        path = ""
        units = []
        try:
            for header, data in scan(message):
                if header.startswith(":"):
                    header = header[1:]
                elif not header.startswith("*"):
                    header = path + header
                found = self._index.find(header)
                if found is None:
                    raise Refused(-113, header)
                check(found[2], data)
                units.append((found, data))
                if not header.startswith("*"):
                    path = header[: header.rfind(":") + 1]
        except Refused as refused:
            self._error(refused.number, refused.detail)
        else:
            self._units = units

    def _run(self, unit):
        """Carry out one unit; a refusal is an error and nothing else."""
        row, data = unit
        pattern, call, parameters = row
        self._sample()
        try:
            values = arguments(parameters, data, self.fw.settings)
            if isinstance(call, str):
                result = self._call(call, values)
            else:
                result = call(self, *values)
        except Refused as refused:
            self._error(refused.number, refused.detail)
        else:
            if result is not None and pattern.endswith("?"):
                self._answer(result)

    def _call(self, path, values):
        """Call the method, or read the attribute, that a path from here names."""
        target = self
        for name in path.split("."):
            target = getattr(target, name)
        return target(*values) if callable(target) else target

    def _answer(self, result):
        if not self._output.add(response_data(result)):
            self._error(-430, "response dropped")

    def _error(self, number, detail):
        self.status.error(number)
        if self.errors.push(number, detail) != number:
            self.status.error(-350)

    def _sample(self):
        """Let the registers see the present state of the firmware."""
        self.status.operation.sample(self.fw.operation())
        self.status.questionable.sample(self.fw.questionable())
        if self._flag_completion and not self.fw.busy():
            self._flag_completion = False
            self.status.standard.latch(OPERATION_COMPLETE)
