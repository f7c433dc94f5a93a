"""The ring of events: what is kept, what is lost, and that a loss can be seen."""

from controller.record import events as ev
from controller.record.events import RING_EVENTS, Events


class Trace:
    def __init__(self):
        self.notes = []

    def note(self, time_us, kind, a, b):
        self.notes.append((time_us, kind, a, b))


def filled(count):
    """A ring in which events 0, 1, ... have been noted, one each millisecond."""
    trace = Trace()
    events = Events(trace)
    for number in range(count):
        events.note(number * 1_000, ev.PULSE, number, -number)
    return events, trace


def test_events_come_out_in_the_order_they_went_in():
    events, _ = filled(3)
    assert events.count() == 3
    taken = [events.take() for _ in range(3)]
    assert taken == [
        (0, 0, ev.PULSE, 0, 0),
        (1, 1_000, ev.PULSE, 1, -1),
        (2, 2_000, ev.PULSE, 2, -2),
    ]
    assert events.take() is None
    assert events.count() == 0


def test_a_full_ring_keeps_the_newest_and_the_gap_shows():
    events, _ = filled(RING_EVENTS + 10)
    assert events.count() == RING_EVENTS
    assert events.take()[0] == 10
    events.note(0, ev.BOOT)
    numbers = []
    while events.count():
        numbers.append(events.take()[0])
    assert numbers == list(range(11, RING_EVENTS + 11))


def test_reading_out_makes_room():
    events, _ = filled(RING_EVENTS)
    for number in range(3 * RING_EVENTS):
        assert events.take()[0] == number
        events.note(0, ev.BOOT)
    assert events.count() == RING_EVENTS


def test_the_trace_sees_every_event_as_it_happens():
    _, trace = filled(2 * RING_EVENTS)
    assert trace.notes == [(n * 1_000, ev.PULSE, n, -n) for n in range(2 * RING_EVENTS)]


def test_operands_may_be_left_out():
    events, trace = filled(0)
    events.note(7, ev.BOOT)
    assert events.take() == (0, 7, ev.BOOT, 0, 0)
    assert trace.notes == [(7, ev.BOOT, 0, 0)]


def test_every_kind_has_a_number_and_a_name_of_its_own():
    others = ("RING_EVENTS", "NAMES")
    kinds = [name for name in dir(ev) if name == name.upper() and name[0] != "_"]
    numbers = sorted([getattr(ev, name) for name in kinds if name not in others])
    assert numbers == list(range(1, len(ev.NAMES)))
    for name in kinds:
        if name not in others:
            assert ev.NAMES[getattr(ev, name)] == name.lower().replace("_", "-")
