"""Counting a recorded trace again, offline, and telling why each pulse was counted as it was.

Theory of operation
-------------------
The counting is the firmware's own: its windows, its pulse reader, its tally, fed in the order of
time.  What the motor did and what the charts decided is not repeated; the trace says which
pockets were passed and when the beam was proven.  So another module description, with other
windows, can be tried on the same parts.

While the beam's self-test holds the emitter dark, and until the sensor has answered to the light
again, its edges are the test's doing: they are left out, and the level then is what is counted on.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from controller.counting import tally as counting
from controller.counting.pulses import PulseReader
from controller.counting.selftest import RESPONSE_MARGIN_US
from controller.counting.tally import Tally
from controller.counting.windows import Windows
from controller.settings import Settings
from hostsim import trace
from hostsim.trace import Row, TraceError

NAMES = {
    counting.GOOD: "good",
    counting.SHORT: "short",
    counting.LONG: "long",
    counting.EARLY: "early",
    counting.STRAY: "stray",
    counting.LATE: "late",
}


@dataclass(frozen=True)
class Finding:
    """Something that was counted, or was not, and why."""

    time_us: int
    what: str  # a verdict on a pulse, or on a pocket
    lower: int  # the bounds after it
    upper: int
    why: str


@dataclass
class Recount:
    """One request of a trace, counted again."""

    ticket: int
    quantity: int
    findings: list[Finding] = field(default_factory=list)
    bounds: list[tuple[int, int, int]] = field(default_factory=list)  # (time_us, lower, upper)
    lower: int = 0
    upper: int = 0
    said_lower: int = 0  # what the module had reported
    said_upper: int = 0

    @property
    def agrees(self) -> bool:
        """True if the module had come to the same bounds."""
        return (self.lower, self.upper) == (self.said_lower, self.said_upper)


def replay(rows: Iterable[Row], settings: Settings) -> Iterator[Recount]:
    """Yield every request of the trace. Raises TraceError where its rows make no sense."""
    counter = Counter(settings)
    for row in rows:
        done = counter.take(row)
        if done is not None:
            yield done
    if counter.recount is not None:
        raise TraceError(f"ends before the request of ticket {counter.recount.ticket} is closed")


class Counter:
    """The firmware's counting, row by row."""

    def __init__(self, settings: Settings) -> None:
        self._windows = Windows(settings)
        self._reader = PulseReader(self._windows)
        self._tally = Tally(self._windows)
        self._proves = settings.beam_test != 0  # what a test that has passed is worth
        self._response_us = settings.beam_response_us + settings.beam_bounce_us + RESPONSE_MARGIN_US
        self._released_us: dict[int, int] = {}
        self._blocked = 0  # level of the beam
        self._dark = False  # the emitter is off
        self._true_us: int | None = None  # when the level means something again after a self-test
        self.recount: Recount | None = None  # the request under way

    def take(self, row: Row) -> Recount | None:
        """Go on to this row; return the request that it closes, if it does."""
        if self._true_us is not None and self._true_us <= row.time_us:
            self._catch_up_by_pulse(self._true_us)
            self._feed(self._true_us)
            self._true_us = None
        self._catch_up_by_pulse(row.time_us)
        if row.what == trace.EDGE:
            self._blocked = row.a
            if not self._dark and self._true_us is None:
                self._feed(row.time_us)
        elif row.what == trace.DARK:
            self._dark = bool(row.a)
            self._true_us = None if self._dark else row.time_us + self._response_us
        elif row.what == trace.OPEN:
            if self.recount is not None:
                raise TraceError(f"at {row.time_us} us a request is opened while one is open")
            self._tally.open(row.b)
            self._released_us.clear()
            self.recount = Recount(row.a, row.b)
        elif self.recount is not None:
            self._take_in_request(row, self.recount)
        self._note_bounds(row.time_us)
        if row.what != trace.CLOSE:
            return None
        done, self.recount = self.recount, None
        return done

    def _take_in_request(self, row: Row, recount: Recount) -> None:
        tally = self._tally
        if row.what in (trace.RELEASE, trace.CREEP):
            self._released_us[row.a] = row.time_us
            tally.passed(row.a, row.time_us, row.time_us + row.b, row.what == trace.CREEP)
        elif row.what == trace.TEST and not row.a:
            tally.blinded()
            self._find(row.time_us, "blind", "the beam failed its test: silent pockets stay open")
        elif row.what == trace.TEST and self._proves and tally.settled(row.time_us):
            proven = tally.prove_empty()
            if proven:
                pockets = "1 silent pocket" if proven == 1 else f"{proven} silent pockets"
                self._find(row.time_us, "empty", f"{pockets}, since the beam passed its test")
        elif row.what == trace.CLOSE:
            recount.lower, recount.upper = tally.lower, tally.upper
            recount.said_lower, recount.said_upper = row.a, row.b

    def _note_bounds(self, time_us: int) -> None:
        if self.recount is None:
            return
        noted, bounds = self.recount.bounds, (self._tally.lower, self._tally.upper)
        if not noted or noted[-1][1:] != bounds:
            noted.append((time_us, *bounds))

    def _feed(self, time_us: int) -> None:
        self._reader.feed(time_us, self._blocked)
        self._count_pulses()

    def _catch_up_by_pulse(self, now_us: int) -> None:
        """Judge by the pulse under way first, if it ends before `now_us`; then all else."""
        deadline_us = self._reader.deadline_us()
        if deadline_us is not None and deadline_us < now_us:
            self._catch_up(deadline_us)
        self._catch_up(now_us)

    def _catch_up(self, now_us: int) -> None:
        """Judge what has come to its end by `now_us`, as the firmware's poll does."""
        self._reader.poll(now_us)
        self._count_pulses()
        if self.recount is None:
            return
        blocked_us = self._reader.blocked_since_us
        if blocked_us is not None and now_us > blocked_us + self._windows.stuck_us:
            self._tally.blinded()
        since_us = self._reader.open_since_us
        self._tally.expire(now_us if since_us is None else min(since_us, now_us))
        for pocket, verdict in self._tally.take_verdicts():
            if verdict == counting.SILENT:
                self._find(now_us, "silent", f"nothing fell in the window of pocket {pocket}")
            elif verdict == counting.DOUBTFUL:
                self._find(now_us, "doubtful", f"pocket {pocket} may have let one go unseen")
        self._note_bounds(now_us)

    def _count_pulses(self) -> None:
        for start_us, end_us, dark_us, by_width in self._reader.take():
            if self.recount is None:
                continue
            span_us = end_us - start_us
            if span_us > self._windows.stuck_us:
                self._tally.blinded()
                why = (
                    f"{span_us / 1e3:.2f} ms: something stood in the beam, and what fell is unseen"
                )
                self._find(start_us, "stuck", why)
                continue
            verdict = self._tally.pulse(start_us, by_width)
            filled = [pocket for pocket, _ in self._tally.take_verdicts()]
            self._find(
                start_us,
                NAMES[verdict],
                self._reason(verdict, start_us, span_us, dark_us, filled),
            )

    def _reason(
        self, verdict: int, start_us: int, span_us: int, dark_us: int, filled: list[int]
    ) -> str:
        windows = self._windows
        place = ""
        if filled:
            after_ms = (start_us - self._released_us[filled[0]]) / 1e3
            place = f"{after_ms:.1f} ms after pocket {filled[0]} let go"
        dark = f"dark {dark_us / 1e3:.2f} ms"
        if verdict == counting.SHORT:
            return f"{dark}, less than any part's {windows.shortest_us / 1e3:.2f} ms: noise"
        if verdict == counting.LONG:
            most = f"{windows.longest_us / 1e3:.2f} ms"
            return f"{span_us / 1e3:.2f} ms, more than one part's {most}: one or two; {place}"
        if verdict == counting.GOOD:
            return f"{dark}, {place}"
        if verdict == counting.LATE:
            return f"{dark}, after its window: the part of a silent pocket, which clung"
        if verdict == counting.EARLY:
            return f"{dark}, before the window of any pocket that waits"
        return f"{dark}, and every pocket has its part: one more, or none"

    def _find(self, time_us: int, what: str, why: str) -> None:
        assert self.recount is not None
        finding = Finding(time_us, what, self._tally.lower, self._tally.upper, why)
        self.recount.findings.append(finding)
