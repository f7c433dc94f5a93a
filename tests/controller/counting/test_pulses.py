"""Pulses for any edges at all, and for parts with holes, chatter and lost edges."""

from hypothesis import assume, given, settings
from hypothesis import strategies as st

from controller.counting.pulses import PulseReader
from controller.counting.windows import Windows
from tests.portable import module

WINDOWS = Windows(module.settings())
BOUNCE_US = module.NUT["beam_bounce_us"]
GOOD, SHORT, LONG = 0, 1, 2
SURE_US = WINDOWS.shortest_us + BOUNCE_US  # dark at least the shortest time, whatever chatter eats


def read(edges, reader=None):
    """Return the pulses of some edges, long after the last one."""
    reader = reader or PulseReader(WINDOWS)
    for time_us, blocked in edges:
        reader.feed(time_us, blocked)
    reader.poll((edges[-1][0] if edges else 0) + WINDOWS.merge_us + 1)
    return reader.take()


EDGES = st.lists(st.tuples(st.integers(0, 200_000), st.integers(0, 1)), max_size=80)


@given(EDGES, st.lists(st.integers(0, 400_000), max_size=5))
def test_any_edges_give_ordered_disjoint_pulses(edges, polls):
    """Edges out of order, repeated and missing: never an exception, never a crooked pulse."""
    reader = PulseReader(WINDOWS)
    pulses = []
    for at, (time_us, blocked) in enumerate(edges):
        reader.feed(time_us, blocked)
        if at < len(polls):
            reader.poll(polls[at])
            pulses += reader.take()
    pulses += read([], reader)
    last_end_us = -1
    for start_us, end_us, dark_us, verdict in pulses:
        assert last_end_us <= start_us <= end_us
        assert 0 <= dark_us <= end_us - start_us
        assert verdict == judged(end_us - start_us, dark_us)
        last_end_us = end_us


def judged(span_us, dark_us):
    if dark_us < WINDOWS.shortest_us:
        return SHORT
    return LONG if span_us > WINDOWS.longest_us else GOOD


@given(EDGES)
def test_when_pulses_are_polled_makes_no_difference(edges):
    """The same edges give the same pulses, polled never or at every deadline and edge."""
    edges = sorted(edges)
    often = PulseReader(WINDOWS)
    seen = []
    for time_us, blocked in edges:
        deadline_us = often.deadline_us()
        if deadline_us is not None and deadline_us < time_us:
            often.poll(deadline_us)
        often.poll(time_us - 1)
        often.feed(time_us, blocked)
        seen += often.take()
    last_us = edges[-1][0] if edges else 0
    often.poll(last_us + WINDOWS.merge_us + 1)
    assert seen + often.take() == read(edges)


def chatter(draw, edge_us, blocked):
    """An edge that takes up to BOUNCE_US to settle at its new level."""
    flips = 2 * draw(st.integers(0, 4))
    times = sorted(draw(st.lists(st.integers(1, BOUNCE_US), min_size=flips, max_size=flips)))
    level = blocked
    edges = [(edge_us, level)]
    for time_us in times:
        level = 1 - level
        edges.append((edge_us + time_us, level))
    return edges


@st.composite
def falling(draw, most=8):
    """Edges of some parts, each with a hole and with chatter; and how many parts there are."""
    edges = []
    parts = draw(st.integers(0, most))
    time_us = 0
    hole_us = WINDOWS.merge_us - BOUNCE_US
    for _ in range(parts):
        time_us += WINDOWS.merge_us + BOUNCE_US + 1 + draw(st.integers(0, 30_000))
        ends = [(time_us, 1)]
        rim_us = draw(st.integers(SURE_US, 4_000))
        if draw(st.booleans()):
            gap_us = draw(st.integers(1, hole_us))
            ends += [(time_us + rim_us, 0), (time_us + rim_us + gap_us, 1)]
            time_us += rim_us + gap_us
        time_us += draw(st.integers(SURE_US, 4_000))
        ends.append((time_us, 0))
        for at_us, blocked in ends:
            fresh = chatter(draw, at_us, blocked)
            edges += [edge for edge in fresh if not edges or edge[0] >= edges[-1][0]]
    return edges, parts


@settings(max_examples=150)
@given(falling())
def test_neither_holes_nor_chatter_nor_company_change_the_count(fallen):
    edges, parts = fallen
    pulses = read(edges)
    assert len(pulses) == parts
    assert all(verdict == GOOD for *_, verdict in pulses)


@given(st.integers(0, 30_000), st.integers(1, 30_000), st.integers(1, 30_000))
def test_the_merge_gap_alone_decides_between_one_part_and_two(gap_us, first_us, second_us):
    edges = [(0, 1), (first_us, 0), (first_us + gap_us, 1), (first_us + gap_us + second_us, 0)]
    pulses = read(edges)
    assert len(pulses) == (1 if gap_us <= WINDOWS.merge_us else 2)
    touching = gap_us <= BOUNCE_US
    longest_us = first_us + second_us if touching else max(first_us, second_us)
    assert max(dark_us for _, _, dark_us, _ in pulses) == longest_us


@given(falling(), st.data())
def test_a_lost_edge_is_never_an_extra_good_pulse(fallen, data):
    """The board says that it lost an edge; what is left must not look like more parts."""
    edges, parts = fallen
    assume(edges)
    lost = data.draw(st.integers(0, len(edges) - 1))
    pulses = read(edges[:lost] + edges[lost + 1 :])
    assert sum(verdict == GOOD for *_, verdict in pulses) <= parts


@given(
    st.lists(
        st.tuples(st.integers(BOUNCE_US + 1, 30_000), st.integers(1, WINDOWS.shortest_us - 1)),
        max_size=20,
    )
)
def test_spikes_are_never_a_part_however_many_fall_together(spikes):
    edges = []
    time_us = 0
    for gap_us, dark_us in spikes:
        edges += [(time_us + gap_us, 1), (time_us + gap_us + dark_us, 0)]
        time_us += gap_us + dark_us
    assert all(verdict == SHORT for *_, verdict in read(edges))
