"""Journal: what was written is found again; what was being written harms nothing else."""

import struct

from controller.record.journal import Journal, framed, framed_bytes, span
from tests.portable.memory import Cut, Memory

SNAPSHOT_BYTES = 120  # the most any snapshot below takes up
UNITS = (1, 16, 64)
ERASED = b"\xff"


def opened(memory):
    """A journal after power-up, and what it has found."""
    found = []
    journal = Journal(memory, SNAPSHOT_BYTES)
    journal.replay(lambda kind, payload: found.append((kind, payload)))
    return journal, found


def record(number):
    """A record that differs from its neighbours in kind, length and payload."""
    return 1 + number % 5, bytes([number % 256]) * (3 + number % 7)


def filled(memory, count):
    """A journal of one snapshot with record 0, and `count - 1` records behind it."""
    journal, _ = opened(memory)
    assert journal.compact([record(0)])
    for number in range(1, count):
        assert journal.append(*record(number))
    return journal


def records(count):
    return [record(number) for number in range(count)]


def crc_bit_by_bit(data):
    """CRC-32 of ISO-HDLC (as in zlib), the slow way; its check value is tested below."""
    crc = 0xFFFFFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xEDB88320 if crc & 1 else 0)
    return crc ^ 0xFFFFFFFF


def test_a_record_is_sequence_length_kind_payload_and_crc_32():
    # Check value of CRC-32/ISO-HDLC in the catalogue of parametrised CRC algorithms.
    assert crc_bit_by_bit(b"123456789") == 0xCBF43926
    body = struct.pack("<IBB", 7, 5, 3) + b"parts"
    assert framed(7, 3, b"parts") == body + struct.pack("<I", crc_bit_by_bit(body))


def test_a_blank_store_holds_nothing_and_is_sound():
    journal, found = opened(Memory(512))
    assert found == []
    assert not journal.damaged
    assert not journal.append(1, b"no room before the first snapshot")


def test_what_was_written_is_found_in_its_order():
    for unit in UNITS:
        memory = Memory(1024, unit)
        filled(memory, 9)
        journal, found = opened(memory)
        assert found == records(9), unit
        assert not journal.damaged


def test_power_up_writes_nothing():
    memory = Memory(1024)
    filled(memory, 9)
    before = (memory.writes, memory.erases)
    opened(memory)
    assert (memory.writes, memory.erases) == before


def test_a_record_that_is_torn_at_any_byte_harms_no_other():
    for unit in UNITS:
        for done in range(framed_bytes(len(record(5)[1])) + 1):
            memory = Memory(1024, unit)
            journal = filled(memory, 5)
            memory.cut_after = done
            try:
                journal.append(*record(5))
            except Cut:
                whole = 5
            else:
                whole = 6
            memory = memory.copy()
            journal, found = opened(memory)
            assert found == records(whole), (unit, done)
            for number in range(whole, whole + 3):
                assert journal.append(*record(number))
            journal, found = opened(memory)
            assert found == records(whole + 3), (unit, done)
            assert not journal.damaged


def test_a_torn_record_is_not_brought_back_to_life_by_the_next_one():
    """Whatever bytes it lacks: the next record may begin with just those."""
    alike = 0
    for number in range(600):
        payload = struct.pack("<H", number)
        length = framed_bytes(len(payload))
        for missing in (1, 2, 4):
            memory = Memory(1024)
            memory.litter = lambda count: ERASED * count
            journal = filled(memory, 2)
            memory.cut_after = length - missing
            try:
                journal.append(2, payload)
            except Cut:
                pass
            memory = memory.copy()
            journal, found = opened(memory)
            if found == records(2):  # else what it lacks is as if erased
                assert journal.append(3, b"behind")
                journal, found = opened(memory)
                assert found[:2] == records(2) and found[2:] == [(3, b"behind")], (number, missing)
                assert not journal.damaged
        torn = framed(4, 2, payload)  # behind a snapshot, its seal and a record
        alike += torn[-1] == torn[0]  # the next one has the same number, and begins with it
    assert alike


def test_a_compaction_that_is_cut_at_any_byte_leaves_the_old_or_the_new():
    for unit in (1, 16):
        memory = Memory(160, unit)
        filled(memory, 2)
        whole = 0
        for done in range(160 + 60):
            torn = memory.copy()
            journal, _ = opened(torn)
            torn.cut_after = done
            try:
                assert journal.compact([record(7), record(8)])
            except Cut:
                pass
            else:
                whole += 1
            torn = torn.copy()
            journal, found = opened(torn)
            expected = ([record(7), record(8)],) if whole else (records(2), [record(7), record(8)])
            assert found in expected, (unit, done)
            assert not journal.damaged
            assert journal.append(*record(9))
            assert opened(torn)[1] == found + [record(9)]
        assert whole


def tail_of(memory):
    """Where the next record goes, as bytes in use of segment 0 rounded up to a unit."""
    return span(len(bytes(memory.segments[0]).rstrip(ERASED)), memory.unit_bytes)


def test_a_tail_of_zeros_is_no_record():
    for unit in UNITS:
        memory = Memory(1024, unit)
        filled(memory, 5)
        start = tail_of(memory)
        memory.segments[0][start : start + 64] = bytes(64)
        journal, found = opened(memory)
        assert found == records(5)
        assert journal.append(*record(5))
        assert opened(memory)[1] == records(6)


def test_a_record_that_is_there_twice_counts_once():
    for unit in UNITS:
        memory = Memory(1024, unit)
        filled(memory, 5)
        twin = framed(6, *record(4))  # the snapshot's seal has taken number 2
        start = tail_of(memory)
        assert bytes(memory.segments[0]).count(twin) == 1
        memory.segments[0][start : start + len(twin)] = twin
        journal, found = opened(memory)
        assert found == records(5)
        assert not journal.damaged


def test_a_record_whose_bytes_have_landed_out_of_order_is_none():
    for unit in UNITS:
        memory = Memory(1024, unit)
        filled(memory, 5)
        data = framed(7, *record(5))
        start = tail_of(memory)
        half = len(data) // 2
        backwards = bytes(reversed(data[:half]))
        for jumbled in (ERASED * half + data[half:], backwards + data[half:], data[1:]):
            torn = memory.copy()
            torn.segments[0][start : start + len(jumbled)] = jumbled
            journal, found = opened(torn)
            assert found == records(5), unit
            assert journal.append(*record(5))
            assert opened(torn)[1] == records(6), unit


def test_records_of_an_older_generation_count_no_more():
    memory = Memory(1024)
    journal = filled(memory, 12)
    left = bytes(memory.segments[0])
    assert journal.compact([record(20)]) and journal.compact([record(21)])
    used = tail_of(memory)
    memory.segments[0][used:] = left[used:]  # the second erase has not reached that far
    assert opened(memory)[1] == [record(21)]


def test_a_missing_record_is_noticed():
    memory = Memory(1024, 64)
    filled(memory, 6)
    memory.segments[0][3 * 64 : 4 * 64] = ERASED * 64
    journal, found = opened(memory)
    assert found == [record(number) for number in (0, 1, 2, 4, 5)]
    assert journal.damaged


def test_a_decayed_snapshot_gives_way_to_the_segment_it_was_made_from():
    for unit in UNITS:
        memory = Memory(1024, unit)
        journal = filled(memory, 4)
        assert journal.compact([record(2), record(3)])
        assert journal.append(*record(4))
        memory.segments[1][8] ^= 1
        journal, found = opened(memory)
        assert journal.damaged
        # What is left of the snapshot says once more what the old segment has said.
        told = records(4) + [record(3), record(4)]
        assert found == told, unit
        assert journal.append(*record(5))
        assert opened(memory)[1] == told + [record(5)], unit


def test_a_seal_that_has_decayed_is_missed_once_a_record_stands_behind_it():
    for unit in UNITS:
        memory = Memory(1024, unit)
        journal = filled(memory, 4)
        assert journal.compact([record(3)])
        assert journal.append(*record(4))
        seal = framed_bytes(len(record(3)[1]))
        memory.segments[1][seal + 7] ^= 1
        journal, found = opened(memory)
        assert journal.damaged, unit
        assert found[:4] == records(4) and found[-1] == record(4), unit


def test_litter_in_both_segments_is_noticed_and_written_over():
    memory = Memory(512)
    for segment in memory.segments:
        segment[:] = memory.litter(512)
    journal, found = opened(memory)
    assert found == []
    assert journal.damaged
    assert journal.compact([record(1)])
    journal, found = opened(memory)
    assert found == [record(1)]
    assert not journal.damaged


def test_a_store_that_keeps_nothing_or_does_not_answer_is_noticed():
    for fault in ("broken", "gone"):
        memory = Memory(1024)
        journal = filled(memory, 3)
        setattr(memory, fault, True)
        assert not journal.append(*record(3))
        assert not journal.compact(records(3))
        setattr(memory, fault, False)
        assert opened(memory)[1] == records(3)


def test_a_write_that_failed_and_is_read_all_the_same_hides_no_later_one():
    for failing in ("append", "compact"):
        memory = Memory(1024)
        journal = filled(memory, 3)
        read = memory.read
        memory.read = lambda segment, offset, count: b"\0" * count  # written, but not read back
        if failing == "append":
            assert not journal.append(*record(3))
        else:
            assert not journal.compact(records(4))
        memory.read = read
        if not journal.append(*record(4)):
            assert journal.compact(records(5))
        assert opened(memory)[1] == records(5)
        assert not opened(memory)[0].damaged


def test_a_full_segment_takes_no_more_and_loses_nothing():
    for unit in UNITS:
        memory = Memory(256, unit)
        journal = filled(memory, 1)
        count = 1
        while journal.append(*record(count)):
            count += 1
        assert count >= 256 // 64
        assert opened(memory)[1] == records(count)
        assert not journal.compact([(1, bytes(250)), (1, bytes(250))])
        assert opened(memory)[1] == records(count)


def test_reading_takes_time_in_proportion_to_the_size():
    # Records without end, litter without end, and a segment that looks like a record everywhere.
    read = []
    for size in (2048, 4096, 8192):
        memory = Memory(size)
        filled(memory, 1)
        start = tail_of(memory)
        litter = framed(1, 1, b"old") * size
        memory.segments[0][start:] = litter[: size - start]
        memory.segments[1][:] = memory.litter(size)
        memory.bytes_read = 0
        opened(memory)
        read.append(memory.bytes_read)
    # Linear but for a constant: twice the size costs at most twice as much, three sizes in a row.
    assert read[1] <= 2 * read[0] and read[2] <= 2 * read[1], read
