"""Status registers of IEEE 488.2 and SCPI-1999.

Three registers latch events until they are read: the standard one (ESR) and SCPI's OPERation and
QUEStionable groups.  Each has an enable mask; the enabled events of each make one bit of the status
byte.  A group also has a condition, the present state, sampled by the server on every turn; a bit
that rises in it is an event.  Transition filters are left out: the end of an operation, the only
falling edge a host waits for, is what *OPC reports.

A serial line has no serial poll, so bit 6 of the status byte is always MSS, and SRE only selects
what it sums up.

Bits are numbered as in IEEE 488.2 section 11 and SCPI-1999 volume 1; 8 to 12 of the
two groups are the designer's; `controller.link.desk` gives them a meaning.
"""

# Standard event status register.
OPERATION_COMPLETE = 1
QUERY_ERROR = 4
DEVICE_ERROR = 8
EXECUTION_ERROR = 16
COMMAND_ERROR = 32
POWER_ON = 128

# Status byte.
ERRORS_WAIT = 4
QUESTIONABLE_SUMMARY = 8
MESSAGE_AVAILABLE = 16
STANDARD_SUMMARY = 32
MASTER_SUMMARY = 64
OPERATION_SUMMARY = 128

_BYTE = 0xFF
_GROUP = 0x7FFF  # bit 15 of a group is always 0


class EventRegister:
    """Events that stay until read, and the mask that lets them into the status byte."""

    def __init__(self, mask, event=0):
        self.event = event
        self.enable = 0
        self._mask = mask

    def latch(self, bits):
        """Set event bits."""
        self.event |= bits & self._mask

    def read(self):
        """Return the events and clear them."""
        event = self.event
        self.event = 0
        return event

    def set_enable(self, mask):
        """Choose the events that count in the status byte."""
        self.enable = mask & self._mask

    def summary(self):
        """Tell whether any enabled event is set."""
        return self.event & self.enable != 0


class ConditionGroup(EventRegister):
    """An event register fed by the rising bits of a condition."""

    condition = 0

    def sample(self, condition):
        """Take the present condition; bits that have risen since the last one become events."""
        self.latch(condition & ~self.condition)
        self.condition = condition & self._mask


class Status:
    """The whole model. Starts with the power-on bit set and nothing enabled."""

    def __init__(self):
        self.standard = EventRegister(_BYTE, POWER_ON)
        self.operation = ConditionGroup(_GROUP)
        self.questionable = ConditionGroup(_GROUP)
        self.service = 0

    def set_service(self, mask):
        """Set the service request enable register; bit 6 can't be set (IEEE 488.2 11.3.2.3)."""
        self.service = mask & _BYTE & ~MASTER_SUMMARY

    def preset(self):
        """STATus:PRESet: nothing of the two groups enabled."""
        self.operation.set_enable(0)
        self.questionable.set_enable(0)

    def clear(self):
        """Clear every event register (*CLS); masks stay."""
        self.standard.event = self.operation.event = self.questionable.event = 0

    def error(self, number):
        """Latch the standard event bit of an error's class (SCPI-1999 21.8.9 to 21.8.12)."""
        if -199 <= number <= -100:
            self.standard.latch(COMMAND_ERROR)
        elif -299 <= number <= -200:
            self.standard.latch(EXECUTION_ERROR)
        elif -499 <= number <= -400:
            self.standard.latch(QUERY_ERROR)
        else:
            self.standard.latch(DEVICE_ERROR)

    def byte(self, errors, message_available):
        """Return the status byte; reading it clears nothing."""
        byte = 0
        if errors:
            byte |= ERRORS_WAIT
        if self.questionable.summary():
            byte |= QUESTIONABLE_SUMMARY
        if message_available:
            byte |= MESSAGE_AVAILABLE
        if self.standard.summary():
            byte |= STANDARD_SUMMARY
        if self.operation.summary():
            byte |= OPERATION_SUMMARY
        if byte & self.service:
            byte |= MASTER_SUMMARY
        return byte
