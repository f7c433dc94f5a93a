"""A serial line that spoils what it carries: what goes wrong on it, how often, who could know.

Theory of operation
-------------------
`Line` is one medium that every station talks into and every other one hears.  What a station hands
over at once is a telegram.  It may be lost, come late, hang back until the next one and arrive
glued to it, or fall into two pieces; its bytes may have a bit inverted, be lost or doubled; and the
plug may be out for a while, so that nothing passes.  Nothing overtakes anything.

A `LineMix` is a row of rates, `MIXES` names them.  `alters` says that bytes may arrive as others:
only a link with a check sum can live with that.  The rates are this project's assumptions; even
`everyday` is worse than a shielded pair with its terminators in place.

The same seed and the same telegrams in the same order meet the same faults.
"""

import math
from collections import Counter, deque
from collections.abc import Iterator
from dataclasses import dataclass
from random import Random

GLUED_US = 1_500_000  # a telegram hangs back for so long at most: longer than a master waits


@dataclass(frozen=True)
class LineMix:
    """One named row of fault rates of a line."""

    name: str
    doc: str

    # Probabilities per byte.
    flip: float = 0.0  # one of its bits is inverted
    lose: float = 0.0  # it does not arrive
    double: float = 0.0  # it arrives twice

    # Probabilities per telegram.
    swallow: float = 0.0  # none of it arrives
    late: float = 0.0  # it comes late
    glue: float = 0.0  # it hangs back until the next one comes
    split: float = 0.0  # it comes in two pieces with a pause between them
    unplug: float = 0.0  # the plug comes out just before it, and goes back in after a while

    # Means of exponential times.
    late_ms: float = 400.0
    split_ms: float = 5.0
    unplug_ms: float = 3000.0

    @property
    def alters(self) -> bool:
        """Whether bytes may arrive as others, or some of a telegram's bytes not at all."""
        return bool(self.flip or self.lose or self.double)

    @property
    def spares(self) -> bool:
        """Whether every telegram arrives as it was sent, at once."""
        return not (
            self.alters or self.swallow or self.late or self.glue or self.split or self.unplug
        )


_ROWS = (
    LineMix("none", "every byte arrives, at once"),
    LineMix(
        "everyday",
        "a long cable beside motor leads",
        flip=1e-4,
        lose=2e-5,
        swallow=1e-3,
        late=1e-3,
        split=1e-2,
        late_ms=200.0,
    ),
    LineMix(
        "rough",
        "everything at once, far too often",
        flip=2e-3,
        lose=1e-3,
        double=1e-3,
        swallow=2e-2,
        late=3e-2,
        glue=2e-2,
        split=5e-2,
        unplug=5e-3,
    ),
    LineMix("bit_errors", "1 byte in 200 has a bit inverted", flip=5e-3),
    LineMix("lost", "1 byte in 200 does not arrive", lose=5e-3),
    LineMix("doubled", "1 byte in 200 arrives twice", double=5e-3),
    LineMix("glued", "1 telegram in 5 hangs back and arrives with the next one", glue=0.2),
    LineMix("split", "half the telegrams come in two pieces", split=0.5),
    LineMix("swallowed", "1 telegram in 10 is lost", swallow=0.1),
    LineMix("late", "1 telegram in 5 is late, by 0.4 s on average", late=0.2),
    LineMix("unplugged", "1 telegram in 30 finds the plug out, for 3 s on average", unplug=0.03),
)

MIXES: dict[str, LineMix] = {row.name: row for row in _ROWS}


def find(mix: str | LineMix) -> LineMix:
    """Return the mix of that name (a mix passes through); ValueError says which names there are."""
    if isinstance(mix, LineMix):
        return mix
    if mix not in MIXES:
        raise ValueError(f"no line fault mix {mix!r}; there are: {', '.join(MIXES)}")
    return MIXES[mix]


def describe() -> list[str]:
    """One line per mix for a help text: name, what happens, and whether it takes a check sum."""
    return [
        f"{mix.name:<16} {mix.doc}{' (needs a check sum)' if mix.alters else ''}"
        for mix in MIXES.values()
    ]


@dataclass
class _Telegram:
    """Some bytes under way. Bytes take no time by themselves: what delays them is a fault."""

    due_us: int
    sender: int
    data: bytes
    hangs_us: int = 0  # how much longer it hangs back, unless another one comes

    @property
    def arrives_us(self) -> int:
        return self.due_us + self.hangs_us


class Line:
    """The medium, in virtual time. Stations are known by numbers of the caller's choice."""

    def __init__(self, mix: str | LineMix = "none", seed: int = 1) -> None:
        """ValueError for an unknown mix."""
        self.mix = find(mix)
        self.mishaps: Counter[str] = Counter()  # how often each fault has really happened
        self._chance = Random(seed)
        self._way: deque[_Telegram] = deque()
        self._dead_until_us = -1

    @property
    def mix(self) -> LineMix:
        """What happens on it; may be changed at any time: what is under way is not touched."""
        return self._mix

    @mix.setter
    def mix(self, mix: LineMix) -> None:
        self._mix = mix
        self._spares = mix.spares

    def passes(self, now_us: int) -> bool:
        """Whether what is sent now arrives at once and as it is, so that it need not be sent."""
        return self._spares and not self._way and now_us >= self._dead_until_us

    def send(self, now_us: int, sender: int, data: bytes) -> None:
        """A station says something."""
        due_us = now_us
        if self._way:  # whatever hangs back, hangs back no longer; and nothing overtakes it
            last = self._way[-1]
            last.hangs_us = 0
            last.due_us = due_us = max(last.due_us, now_us)
        if self._cut_off(now_us):
            return
        if self._happens("late", self.mix.late):
            due_us = max(due_us, now_us + self._lasts_us(self.mix.late_ms))
        for piece, pause_us in self._pieces(self._spoil(data)):
            due_us += pause_us
            self._way.append(_Telegram(due_us, sender, piece))
        if self._way and self._happens("glue", self.mix.glue):
            self._way[-1].hangs_us = GLUED_US

    def unplug(self, until_us: int) -> None:
        """The plug is out until then: what is under way is lost, and what is sent meanwhile."""
        self._way.clear()
        self._dead_until_us = until_us

    def due_us(self) -> int | None:
        """When the next telegram arrives; None if none is under way."""
        return self._way[0].arrives_us if self._way else None

    def arrived(self, now_us: int) -> Iterator[tuple[int, bytes]]:
        """Take what has arrived by now: (sender, bytes), in the order sent."""
        while self._way and self._way[0].arrives_us <= now_us:
            telegram = self._way.popleft()
            yield telegram.sender, telegram.data

    def _cut_off(self, now_us: int) -> bool:
        """Whether what is sent now is lost whole."""
        if now_us < self._dead_until_us:
            return True
        if self._happens("unplug", self.mix.unplug):
            self.unplug(now_us + self._lasts_us(self.mix.unplug_ms))
            return True
        return self._happens("swallow", self.mix.swallow)

    def _spoil(self, data: bytes) -> bytes:
        if not self.mix.alters:
            return data
        spoilt = bytearray()
        for byte in data:
            if self._happens("lose", self.mix.lose):
                continue
            if self._happens("flip", self.mix.flip):
                byte ^= 1 << self._chance.randrange(8)
            spoilt.append(byte)
            if self._happens("double", self.mix.double):
                spoilt.append(byte)
        return bytes(spoilt)

    def _pieces(self, data: bytes) -> list[tuple[bytes, int]]:
        """The pieces it comes in, and the pause before each in us."""
        if len(data) > 1 and self._happens("split", self.mix.split):
            place = self._chance.randrange(1, len(data))
            return [(data[:place], 0), (data[place:], self._lasts_us(self.mix.split_ms))]
        return [(data, 0)] if data else []

    def _happens(self, what: str, rate: float) -> bool:
        happens = self._chance.random() < rate
        if happens:
            self.mishaps[what] += 1
        return happens

    def _lasts_us(self, mean_ms: float) -> int:
        return math.ceil(1e3 * self._chance.expovariate(1 / mean_ms))
