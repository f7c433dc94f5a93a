"""The desk: everything a link may ask of the module, one method per wish.

Every link stands in front of a desk of its own, alike but for whom it serves, so that a wish means
the same on each.  A wish that can't be granted raises `Refused` with the SCPI error number that
fits and a detail that names what was asked, and what is allowed; nothing has changed then and
nothing moves.  One of the reasons is that another link is in command (`authority`): whatever
changes anything takes the command first.  What only reads does not ask for it, and stands in
`readings`.
"""

from controller.cycle import unit
from controller.cycle.maintenance import JOG_PPM_MAX, PURGE_TURNS_MAX
from controller.cycle.orders import TICKET_MAX
from controller.link.authority import LINKS
from controller.link.readings import Readings
from controller.link.refusal import (
    DATA_STALE,
    HARDWARE_MISSING,
    ILLEGAL_VALUE,
    OUT_OF_RANGE,
    SETTINGS_CONFLICT,
    STORAGE_FAULT,
    Refused,
)
from controller.motion.gear import PPM
from controller.motion.pace import RATE_PPM_MAX

# Into what a board may be started anew, by the number the desk takes.
RUN, PROMPT = 1, 2
RESTARTS = ("UNDEFINED", "RUN", "PROMPT")
ALWAYS_HEARD = (unit.STOP, unit.ABORT)  # from whichever link


class Desk(Readings):
    """What link `who` (a number of `authority`) may ask of the firmware."""

    def __init__(self, firmware, who):
        super().__init__(firmware)
        self._who = who
        self._authority = firmware.authority

    # ---- who is in command ----------------------------------------------------------------------

    def owner(self):
        """(number, name of the link in command, local 0 or 1, ms of silence until it is free)."""
        now_us = self._fw.now_us
        holder = self._authority.holder(now_us)
        left_ms = self._authority.left_us(now_us) // 1000
        return (holder, LINKS[holder], 1 if self._authority.local else 0, left_ms)

    def free_us(self):
        """When silence will free the command, as `Authority.free_us` tells it."""
        return self._authority.free_us(self._fw.now_us)

    def lock(self):
        """Take the command and keep it until `release`, however long nothing is said."""
        self._authority.lock(self._who)

    def release(self):
        """Give the command back."""
        self._authority.release(self._who, self._fw.now_us)

    def _check(self):
        self._authority.check(self._who, self._fw.now_us)

    def _take(self):
        """The last question before a wish is granted."""
        self._authority.take(self._who, self._fw.now_us)

    # ---- unit -----------------------------------------------------------------------------------

    def command(self, number):
        """Carry out a PackML command by its number; Stop and Abort from any link."""
        heard = number in ALWAYS_HEARD
        if not heard:
            self._check()
        service = self._fw.service
        if not service.command(number, self._fw.now_us):
            raise Refused(SETTINGS_CONFLICT, self._why_not(unit.COMMANDS[number]))
        if not heard:
            self._take()

    def _why_not(self, command):
        legal = self.unit.legal()
        if command in legal:
            return f"command {command.upper()} refused, guard open or drive faulty"
        allowed = "|".join(legal).upper() or "none until it has ended"
        return f"command {command.upper()} not legal in {self._state()}, allowed {allowed}"

    def change_mode(self, number):
        """Change the unit mode; legal in Stopped, Idle and Aborted."""
        self._check()
        before = self.unit.mode
        if not self.unit.change_mode(number):
            raise Refused(
                SETTINGS_CONFLICT,
                f"mode may change in STOPPED, IDLE, ABORTED only; state is {self._state()}",
            )
        self._take()
        self._fw.note_mode(number, before)

    # ---- requests -------------------------------------------------------------------------------

    def open_request(self, ticket, quantity):
        """Order `quantity` parts under `ticket`; a repeated order is acknowledged, not repeated."""
        fw = self._fw
        if not 1 <= ticket <= TICKET_MAX:
            raise Refused(OUT_OF_RANGE, f"ticket {ticket}, allowed 1..{TICKET_MAX}")
        most = self.settings.request_quantity_max
        if not 1 <= quantity <= most:
            raise Refused(OUT_OF_RANGE, f"quantity {quantity}, allowed 1..{most}")
        self._check()
        request = fw.request
        if request.is_open:
            if ticket != request.ticket:
                raise Refused(SETTINGS_CONFLICT, f"ticket {request.ticket} is open")
            self._same_quantity(ticket, quantity, request.quantity)
            return
        known = fw.orders.find(ticket)
        if known is not None:
            self._same_quantity(ticket, quantity, known.quantity)
            return
        if not fw.orders.is_new(ticket):
            newest = fw.orders.find(0).ticket
            raise Refused(DATA_STALE, f"ticket {ticket} is older than {newest}, its result is gone")
        self._in_execute(unit.PRODUCTION)
        if not fw.book.open(ticket, quantity):
            raise Refused(STORAGE_FAULT, "the store does not keep what is written to it")
        self._take()
        request.open(ticket, quantity, fw.now_us)

    def _same_quantity(self, ticket, quantity, known):
        if quantity != known:
            raise Refused(ILLEGAL_VALUE, f"ticket {ticket} is for {known}, asked for {quantity}")

    def able(self):
        """True while a new request would be granted to this link."""
        return (
            self.unit.state == unit.EXECUTE
            and self.unit.mode == unit.PRODUCTION
            and not self._fw.request.is_open
            and self._authority.allows(self._who, self._fw.now_us)
        )

    def cancel_request(self):
        """Close the open request after what has fallen is counted."""
        if not self._fw.request.is_open:
            raise Refused(SETTINGS_CONFLICT, "no request is open")
        self._take()
        self._fw.cancel()

    def abandon(self):
        """Cancel the open request, or end the bench move that is under way, if there is one."""
        fw = self._fw
        if fw.request.is_open:
            self.cancel_request()
        elif fw.maintenance.busy:
            self._take()
            fw.maintenance.stop()

    # ---- magazine and sprocket ------------------------------------------------------------------

    def magazine_load(self, parts):
        """Say that `parts` parts were put into the magazine."""
        level, capacity = self.magazine()
        room = capacity - level
        if not 1 <= parts <= room:
            allowed = f"allowed 1..{room}" if room else "none allowed"
            raise Refused(OUT_OF_RANGE, f"parts {parts}, {allowed}: level {level} of {capacity}")
        self._take()
        self._fw.magazine_holds(level + parts)

    def magazine_level(self, parts):
        """Say that `parts` parts are in the magazine, whatever was reckoned."""
        capacity = self.magazine()[1]
        if not 0 <= parts <= capacity:
            raise Refused(OUT_OF_RANGE, f"parts {parts}, allowed 0..{capacity}")
        self._take()
        self._fw.magazine_holds(parts)

    def sprocket_changed(self):
        """Say that a new sprocket is in: its counters start anew, its position is unknown."""
        self._in_mode(unit.MAINTENANCE)
        self._still()
        self._take()
        self._fw.sprocket_changed()

    def set_rate(self, ppm):
        """Have runs go at that share of the velocity limit (`motion.pace`), from the next one."""
        self._take()
        self.pace.ask(ppm)

    def full_rate(self):
        """Have runs go at the full rate again, if they do not."""
        if self.pace.asked_ppm != RATE_PPM_MAX:
            self.set_rate(RATE_PPM_MAX)

    def clear_drift(self):
        """Say that the cause of a drift alarm has been put right; what was learned stays."""
        self._take()
        self._fw.phase.clear()

    def learn_drift(self):
        """Have the charts of drift learn from the next parts what is right."""
        self._take()
        self._fw.phase.learn()

    # ---- bench moves ----------------------------------------------------------------------------

    def jog(self, ppm):
        """Creep by a part of a pocket, back no further than `room_back`; Maintenance mode."""
        if ppm == 0 or not -JOG_PPM_MAX <= ppm <= JOG_PPM_MAX:
            raise Refused(OUT_OF_RANGE, f"jog {ppm} ppm, allowed 1..{JOG_PPM_MAX} either way")
        sprocket = self._fw.sprocket
        steps = sprocket.ratio.of_ppm(ppm)
        if steps == 0:
            least = PPM // sprocket.pitch
            raise Refused(OUT_OF_RANGE, f"jog {ppm} ppm is no step, allowed {least} and more")
        if steps < -sprocket.room_back:
            room = sprocket.room_back * PPM // (sprocket.pitch + 1)  # it is rounded
            why = f"allowed {-room} here, or an empty pocket could fill again"
            raise Refused(SETTINGS_CONFLICT, f"jog {ppm} ppm, {why}")
        self._bench(unit.MAINTENANCE)
        self._fw.maintenance.jog(ppm, self._fw.now_us)

    def purge(self, pockets):
        """Creep over a number of pockets; Maintenance mode."""
        most = self.settings.sprocket_pockets * PURGE_TURNS_MAX
        if not 1 <= pockets <= most:
            raise Refused(OUT_OF_RANGE, f"pockets {pockets}, allowed 1..{most}")
        self._bench(unit.MAINTENANCE)
        self._fw.maintenance.purge(pockets, self._fw.now_us)

    def register(self):
        """Search for the pocket position; up to two parts may fall; Maintenance mode."""
        self._bench(unit.MAINTENANCE)
        self._fw.maintenance.register(self._fw.now_us)

    def index_one(self):
        """Advance by one pocket; Manual mode."""
        self._bench(unit.MANUAL)
        self._fw.maintenance.index(self._fw.now_us)

    def beam_test(self):
        """Begin a test of the beam; Maintenance mode."""
        self._bench(unit.MAINTENANCE)
        self._fw.maintenance.begin_test(self._fw.now_us)

    def restart(self, into):
        """Start the board anew, into a number of `RESTARTS`; only while the motor is released."""
        self._check()
        if self.unit.state not in (unit.STOPPED, unit.ABORTED):
            why = f"state is {self._state()}, must be STOPPED or ABORTED"
            raise Refused(SETTINGS_CONFLICT, why)
        if not self._fw.ports.board.restart(into == PROMPT):
            raise Refused(HARDWARE_MISSING, "no board here that could be started anew")

    def _bench(self, mode):
        self._in_execute(mode)
        self._still()
        self._take()

    def _still(self):
        if self._fw.maintenance.moving or self._fw.sprocket.moving:
            raise Refused(SETTINGS_CONFLICT, "a move is under way")

    def _in_execute(self, mode):
        self._in_mode(mode)
        if self.unit.state != unit.EXECUTE:
            raise Refused(SETTINGS_CONFLICT, f"state is {self._state()}, must be EXECUTE")

    def _in_mode(self, mode):
        if self.unit.mode != mode:
            raise Refused(
                SETTINGS_CONFLICT,
                f"mode is {unit.MODES[self.unit.mode].upper()}, must be {unit.MODES[mode].upper()}",
            )

    def _state(self):
        return unit.STATES[self.unit.state].upper()
