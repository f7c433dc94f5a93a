"""Journal against a list: whatever is appended and wherever the power goes, the list is found.

The model is a Python list.  After a cut the store must hold the list as it was before the write
that was cut, or after it, and nothing in between; after any other write it must hold the list.
"""

from hypothesis import given, settings
from hypothesis import strategies as st

from controller.record.journal import CRC_BYTES, HEAD_BYTES, SEAL_BYTES, Journal, span
from hostsim.store import PowerCut, SimStore

SIZE_BYTES = 1024
KEPT = 3  # records of a snapshot at most: the newest
PAYLOAD_MAX = 80
SNAPSHOT_BYTES = KEPT * (HEAD_BYTES + PAYLOAD_MAX + CRC_BYTES) + SEAL_BYTES

LITTERS = {
    "garbage": None,
    "zeros": lambda segment, offset, count: bytes(count),
    "erased": lambda segment, offset, count: b"\xff" * count,
    "half": lambda segment, offset, count: b"\xff" * (count // 2) + b"\x55" * (count - count // 2),
}
RECORDS = st.tuples(st.integers(1, 127), st.binary(max_size=PAYLOAD_MAX))
CUTS = st.tuples(st.integers(0, 2), st.integers(0, SIZE_BYTES), st.sampled_from(list(LITTERS)))
STEPS = st.lists(st.tuples(RECORDS, st.one_of(st.none(), st.none(), CUTS)), max_size=60)
Record = tuple[int, bytes]


def power_up(store: SimStore) -> tuple[Journal, list[Record]]:
    found: list[Record] = []
    journal = Journal(store, SNAPSHOT_BYTES)
    journal.replay(lambda kind, payload: found.append((kind, payload)))
    return journal, found


@settings(max_examples=100, deadline=None, derandomize=True)
@given(unit_bytes=st.sampled_from((1, 16, 128)), steps=STEPS)
def test_the_list_is_found_whenever_the_power_goes(unit_bytes, steps):
    store = SimStore(SIZE_BYTES, unit_bytes)
    garbage = store.litter
    journal, model = power_up(store)
    for record, cut in steps:
        if cut is not None:
            operations, done, litter = cut
            store.cut_at = (store.operations + operations, done)
            store.litter = LITTERS[litter] or garbage
        may_be = [model, [*model, record]]
        try:
            if not journal.append(*record):
                may_be[1] = [*model, record][-KEPT:]
                assert journal.compact(may_be[1])
            model = may_be[1]
        except PowerCut:
            journal, model = power_up(store)
            # A first snapshot that is torn in an empty store can't be told from one that decayed.
            assert not journal.damaged or model == []
            assert model in may_be
    assert power_up(store)[1] == model


@settings(max_examples=100, deadline=None, derandomize=True)
@given(
    count=st.integers(1, 40),
    flips=st.lists(
        st.tuples(st.integers(0, 1), st.integers(0, SIZE_BYTES - 1), st.integers(0, 7)),
        min_size=1,
        max_size=4,
    ),
)
def test_decay_never_invents_a_record(count, flips):
    store = SimStore(SIZE_BYTES)
    journal, _ = power_up(store)
    model = [(1 + number % 100, bytes([number]) * 40) for number in range(count)]
    for number in range(count):
        if not journal.append(*model[number]):
            assert journal.compact(model[: number + 1][-KEPT:])
    _, before = power_up(store)
    for segment, offset, bit in flips:
        store.segments[segment][offset] ^= 1 << bit
    journal, found = power_up(store)
    assert all(record in model for record in found)
    if not journal.damaged:
        # The last record decayed looks like one that was torn; so does a snapshot with nothing
        # behind it, and then the old segment still holds all but the record that had no room.
        newest = model.index(found[-1]) if found else -1
        assert newest >= model.index(before[-1]) - len(flips)
        assert found == model[newest + 1 - len(found) : newest + 1]


@given(count=st.integers(0, 100_000), unit_bytes=st.integers(1, 8192))
def test_a_span_is_the_least_whole_number_of_units(count, unit_bytes):
    found = span(count, unit_bytes)
    assert found % unit_bytes == 0
    assert found - unit_bytes < count <= found
