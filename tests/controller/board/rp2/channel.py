"""The DMA channels of the bench's chip: `rp2.DMA`, as far as the step engine uses it.

A transfer reads, and writes some cycles later.  A channel that is disabled issues no more of them
and takes no trigger; one under way is finished.  See `chip` for what is held against the firmware.
"""

from typing import Any

TRANSFER_CYCLES = 8  # of a transfer, from its read to its write
REGISTERS = 0x5000_0000
CHANNEL_BYTES = 0x40
QUEUE_DEPTH = 8  # of a joined transmit queue
PERMANENT = 0x3F  # the request that is always there

# Fields of a channel's control register: (lowest bit, bits).
FIELDS = {
    "enable": (0, 1),
    "size": (2, 2),
    "inc_read": (4, 1),
    "inc_write": (5, 1),
    "ring_size": (6, 4),
    "ring_sel": (10, 1),
    "chain_to": (11, 4),
    "treq_sel": (15, 6),
    "irq_quiet": (21, 1),
    "write_err": (29, 1),
    "read_err": (30, 1),
}
ERRORS = 3 << 29
# Register names by place in alias 1, the last of which starts the channel.
ALIAS_1 = ("ctrl", "read", "write", "count")


def packed(defaults: dict[str, int], **fields: int) -> int:
    value = 0
    for name, number in {**defaults, **fields}.items():
        low, bits = FIELDS[name]
        assert 0 <= int(number) < 1 << bits, f"{name}={number}"
        value |= int(number) << low
    return value


class _Slices:
    """`DMA.registers`: a slice of it lies where its first register does."""

    def __init__(self, base: int) -> None:
        self._base = base

    def __getitem__(self, index: slice) -> int:
        return self._base + 4 * index.start


def _register(name: str, settled: bool) -> Any:
    """A register as an attribute; one that is `settled` may not be written while it is in use."""

    def get(self: "Channel") -> int:
        self.chip.call()
        return getattr(self, "_" + name)

    def put(self: "Channel", value: Any) -> None:
        self.chip.call()
        if settled and self.busy:
            self.chip.broken.append(f"{name} of busy channel {self.channel} written")
        self.set(name, self.chip.address(value))

    return property(get, put)


class Channel:
    """`rp2.DMA`."""

    def __init__(self, chip: Any) -> None:
        self.chip = chip
        self.channel = len(chip.channels)
        chip.channels.append(self)
        self._read = self._write = self._count = self._reload = 0
        self._ctrl = packed({"enable": 0}, chain_to=self.channel)
        self.busy = False
        self._flight: tuple[int, int, int] | None = None  # (done at, address, value)

    # What the firmware sees.

    def pack_ctrl(self, **fields: Any) -> int:
        defaults = {"enable": 1, "size": 2, "inc_read": 1, "inc_write": 1, "irq_quiet": 1}
        defaults |= {"treq_sel": PERMANENT, "chain_to": self.channel}
        return packed(defaults, **fields)

    def config(self, *, trigger: bool = False, **registers: Any) -> None:
        for name in ("read", "write", "count", "ctrl"):
            if name in registers:
                setattr(self, name, registers[name])
        if trigger:
            self.trigger()

    def active(self, value: int | None = None) -> bool:
        self.chip.call()
        if value:
            self.trigger()
        elif value is not None:
            self._abort()
        return self.busy

    @property
    def registers(self) -> dict[Any, int]:
        base = REGISTERS + CHANNEL_BYTES * self.channel
        return _Slices(base)

    read = _register("read", True)
    write = _register("write", True)
    count = _register("count", True)
    ctrl = _register("ctrl", False)

    # What goes on inside.

    def field(self, name: str) -> int:
        low, bits = FIELDS[name]
        return self._ctrl >> low & (1 << bits) - 1

    def set(self, name: str, value: int) -> None:
        """Write a register: a count is that of the next sequence, an error is cleared by a 1."""
        if name == "ctrl":
            self._ctrl = value & ~ERRORS | self._ctrl & ERRORS & ~value
        else:
            setattr(self, "_reload" if name == "count" else "_" + name, value)

    def write_alias(self, place: int, value: int) -> None:
        name = ALIAS_1[place]
        self.set(name, value)
        if name == "count" and value:
            self.trigger()

    def trigger(self) -> None:
        if self.busy or not self.field("enable"):
            return
        self.busy = True
        self._count = self._reload
        for other in self.chip.channels:
            same = other.field("treq_sel") == self.field("treq_sel") != PERMANENT
            if other is not self and other.busy and same:
                self.chip.broken.append("two channels on one request line")

    def _abort(self) -> None:
        if self.busy and (self.field("enable") or self.field("chain_to") != self.channel):
            self.chip.broken.append(f"abort of channel {self.channel}, which may start again")
        self.busy = False
        self._count = 0
        while self._flight is not None:
            self.chip.run(self._flight[0])

    def may_issue(self) -> bool:
        if not self.busy or not self.field("enable") or self._flight is not None:
            return False
        if self._count == 0 or self._ctrl & ERRORS:
            return False
        asked = self.field("treq_sel")
        return asked == PERMANENT or len(self.chip.machines[asked].queue) < QUEUE_DEPTH

    def issue(self) -> None:
        chip = self.chip
        if self.field("treq_sel") != PERMANENT and chip.fails_at == len(chip.sent):
            chip.fails_at = None
            self._ctrl |= ERRORS
            return
        value = chip.load(self._read)
        done_at = chip.now + TRANSFER_CYCLES + chip.contended_cycles
        self._flight = (done_at, self._write, value)
        self._read = self._stepped(self._read, "inc_read", 0)
        self._write = self._stepped(self._write, "inc_write", 1)

    def _stepped(self, at: int, increment: str, ring: int) -> int:
        if not self.field(increment):
            return at
        if self.field("ring_size") and self.field("ring_sel") == ring:
            mask = (1 << self.field("ring_size")) - 1
            return at & ~mask | at + 4 & mask
        return at + 4

    @property
    def next_at(self) -> int | None:
        return self._flight[0] if self._flight else None

    def act(self) -> None:
        assert self._flight is not None
        _, at, value = self._flight
        self._flight = None
        self.chip.store(at, value)
        if self.busy:
            self._count -= 1
            if self._count == 0:
                self.busy = False
                if self.field("chain_to") != self.channel:
                    self.chip.channels[self.field("chain_to")].trigger()
