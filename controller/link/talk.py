"""All links side by side: what came in is passed on, what is to be told goes out.

Theory of operation
-------------------
A line (SCPI), a bus (Modbus RTU) and four wires lead to the module.  Each has its own desk, so
that the rule of who is in command (`authority`) can tell who is asking.  `poll` goes round all
three once and says whether somebody wished for something; a wish is acted upon in the round after.

While all is still, the line is left alone unless bytes have come, and the bus may answer what it
has just answered once more: nothing can be new.
"""

from controller.link.authority import BUS, LINE, WIRES
from controller.link.desk import Desk
from controller.link.handshake import Handshake
from controller.link.modbus import ModbusServer
from controller.link.scpi import ScpiServer


class Talk:
    """The links of one firmware, which has everything that the desks pass on."""

    def __init__(self, firmware):
        ports = firmware.ports
        settings = firmware.settings
        self._line = ports.line
        self._bus = ports.bus
        self._scpi = ScpiServer(Desk(firmware, LINE))
        self._modbus = ModbusServer(Desk(firmware, BUS), settings)
        self.handshake = Handshake(settings, Desk(firmware, WIRES), ports.outputs, firmware.events)

    @property
    def held_up(self):
        """True while a command of the line waits for another one to end."""
        return self._scpi.held_up

    def poll(self, now_us, levels, still):
        """Serve all links; True if anybody said something or has asked for something to be done."""
        ordered = self.handshake.poll(now_us, levels)
        told = self._serve_line(now_us, still)
        asked = self._serve_bus(now_us, still and not told and not ordered)
        return ordered or told or asked

    def rest(self):
        """A round that has looked at everything has found that nothing goes on."""
        self._modbus.rest()

    def deadline_us(self):
        """Return when a link wants to go on, or None."""
        bus_us = self._modbus.deadline_us()
        wires_us = self.handshake.deadline_us()
        if bus_us is None or wires_us is None:
            return wires_us if bus_us is None else bus_us
        return min(bus_us, wires_us)

    def _serve_line(self, now_us, still):
        server = self._scpi
        data = self._line.read()
        if data:
            server.feed(data)
        elif still:
            return False
        server.poll(now_us)
        answer = server.take()
        if answer:
            self._line.write(answer)
        return bool(data)

    def _serve_bus(self, now_us, still):
        server = self._modbus
        asked = server.feed(self._bus.read(), now_us, still)
        answer = server.take()
        if answer:
            self._bus.write(answer)
        return asked
