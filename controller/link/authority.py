"""Authority: which of the links is in command.

Theory of operation
-------------------
Three links may speak to the module at once: the local line (SCPI), the bus (Modbus), the wires of
the hard-wired hand-shake.  Any of them may read at any time.  One at a time may command:

| the command is | who may command | what changes that |
| --- | --- | --- |
| free, as after power-up | every link | a wish that is granted: it is then held by that link |
| held by a link | that link | its silence or its release: free; an operator's lock: local |
| local | the line | the line's release: free |

- Silence is `command_hold_ms` without a wish, counted from the link's last one or from when the
  last request closed, if that was later.  While a request is open nothing is silence.
- Stop and Abort are heard from every link at any time, because they only take energy away.  They
  neither need the command nor take it: who must keep a module stopped locks it.
- A wish that is refused, for whatever reason, takes nothing.  To read is no wish; nor is to repeat
  a ticket that is known already, but only who may command gets it acknowledged.
- The operator at the line may lock at any time, also while another link holds the command: its
  open request goes on, and is now the operator's to hold or cancel.  The lock knows no silence.

Whoever may not is told so with -203, "Command protected", and who is in command.
"""

from controller.link.refusal import Refused

NOBODY = 0
LINE = 1
BUS = 2
WIRES = 3
LINKS = ("NONE", "LINE", "BUS", "WIRES")  # by number; NONE as SCPI-1999 has it for no owner

PROTECTED = -203  # SCPI-1999 volume 2, 21.8.10: Command protected


class Authority:
    """Who is in command of one module."""

    def __init__(self, hold_ms, request):
        """`request` is asked whether it `is_open`, and when it closed (`closed_us`)."""
        self._hold_us = hold_ms * 1000
        self._request = request
        self._owner = NOBODY
        self._since_us = 0  # its last wish
        self.local = False

    def holder(self, now_us):
        """Return the number of the link that is in command; NOBODY if any link may be."""
        if self.local:
            return LINE
        return self._owner if self._request.is_open or self.left_us(now_us) else NOBODY

    def left_us(self, now_us):
        """Return the silence that is left until the command is free; 0: free, or local."""
        if self.local or self._owner == NOBODY:
            return 0
        if self._request.is_open:
            return self._hold_us
        since_us = max(self._since_us, self._request.closed_us)
        return max(0, since_us + self._hold_us - now_us)

    def free_us(self, now_us):
        """Return when silence will free the command, or None: it is free, or held in any case."""
        left_us = self.left_us(now_us)
        return now_us + left_us if left_us and not self._request.is_open else None

    def allows(self, who, now_us):
        """Return True if link `who` may command now."""
        return self.holder(now_us) in (NOBODY, who)

    def check(self, who, now_us):
        """Raise Refused unless link `who` may command now."""
        if self.allows(who, now_us):
            return
        holder = LINKS[self.holder(now_us)]
        if self.local:
            raise Refused(PROTECTED, f"command is local to {holder}")
        left_ms = self.left_us(now_us) // 1000
        raise Refused(PROTECTED, f"command is held by {holder}, free after {left_ms} ms of silence")

    def take(self, who, now_us):
        """A wish of link `who` is granted: it holds the command. Raises Refused if it may not."""
        self.check(who, now_us)
        self._owner = who
        self._since_us = now_us

    def lock(self, who):
        """Make the command local, whoever holds it. Raises Refused unless `who` is the line."""
        if who != LINE:
            raise Refused(PROTECTED, "only LINE can lock")
        self.local = True
        self._owner = LINE

    def release(self, who, now_us):
        """Give the command back, held or local. Raises Refused if another link has it."""
        self.check(who, now_us)
        self.local = False
        self._owner = NOBODY
