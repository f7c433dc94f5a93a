"""Refusal: how any room of the firmware says no to a host."""

# SCPI-1999 volume 2, 21.8.10: the execution errors used here.
SETTINGS_CONFLICT = -221
OUT_OF_RANGE = -222
ILLEGAL_VALUE = -224
DATA_STALE = -230
HARDWARE_MISSING = -241
STORAGE_FAULT = -320


class Refused(Exception):  # noqa: N818  a refusal is an answer, not a fault
    """A command that was not obeyed. Whoever raises it has changed nothing."""

    def __init__(self, number, detail=""):
        """`number` is SCPI-1999's for the error; `detail` says what was wrong, what is allowed."""
        super().__init__(number, detail)
        self.number = number
        self.detail = detail
