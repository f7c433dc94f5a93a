"""The wire format of lock-step rounds: what one end packs the other end unpacks."""

import struct

from controller.board import lockstep, wire
from controller.board.lockstep import Lockstep
from controller.motion.profile import Planner

SIZE = 64
ERASED = b"\xff" * SIZE


def picture():
    return Lockstep(0, (ERASED, ERASED), 1)


def after_round(act):
    """What the host unpacks when a firmware has done `act(ports)` in a round."""
    shown = picture()
    act(shown.ports)
    return wire.unpack_reply(wire.pack_reply(123, shown)), shown


def test_a_boot_carries_time_store_and_settings():
    first = b"\x00journal" + b"\xff" * 3 + b"\x01" + b"\xff" * (SIZE - 12)
    body = wire.pack_boot(1 << 40, (first, ERASED), 4, '{"name": "nut"}')
    assert body[0] == wire.BOOT
    booted, text = wire.unpack_boot(body)
    assert booted.ports.clock.now_us() == 1 << 40
    assert text == '{"name": "nut"}'
    store = booted.ports.store
    assert (store.size_bytes, store.unit_bytes) == (SIZE, 4)
    assert store.read(0, 0, SIZE) == first
    assert store.read(1, 0, SIZE) == ERASED


def test_a_round_shows_the_firmware_the_picture_of_an_instant():
    edges = [(1 << 40, 1), ((1 << 40) + 5, 0)]
    changes = [((1 << 40) + 7, 1), ((1 << 40) + 9, 2)]
    body = wire.pack_round(
        (1 << 40) + 10, 15, (1, 4_000_000_000), (1, 3), edges, changes, (b"*IDN?\n", b"\x01\x00")
    )
    assert body[0] == wire.ROUND
    shown = picture()
    wire.show_round(body, shown)
    ports = shown.ports
    assert ports.clock.now_us() == (1 << 40) + 10
    assert ports.inputs.levels() == 15
    assert ports.drive.status() == (1, 4_000_000_000)
    assert ports.beam.read() == (1, 3)
    assert ports.beam.drain() == edges
    assert ports.beam.drain() == []
    assert ports.inputs.drain() == changes
    assert ports.line.read() == b"*IDN?\n"
    assert ports.bus.read() == b"\x01\x00"
    assert ports.line.read() == ports.bus.read() == b""


def test_edges_that_were_not_drained_wait_for_the_next_round():
    shown = picture()
    for at_us in (1, 2):
        wire.show_round(
            wire.pack_round(at_us, 0, (0, 0), (0, 0), [(at_us, 1)], [], (b"", b"")), shown
        )
    assert shown.ports.beam.drain() == [(1, 1), (2, 1)]


def test_a_move_arrives_as_it_was_planned():
    planner = Planner(4_000, 60_000, 2_000_000)
    for move in (planner.move(900, 1), planner.move(3, -1)):
        (_, orders, _, _), _ = after_round(lambda ports, move=move: ports.drive.start(move))
        ((code, arrived),) = orders
        assert code == lockstep.START
        assert arrived.direction == move.direction
        assert list(arrived.pairs()) == list(move.pairs())


def test_orders_notes_and_words_arrive_in_their_order():
    def act(ports):
        ports.drive.enable(True)
        ports.beam.test(True)
        ports.store.write(1, 5, b"\x00\xff\x01")
        ports.drive.amend(70_000)
        ports.drive.halt()
        ports.outputs.set(5)
        ports.beam.test(False)
        ports.store.erase(0)
        ports.trace.note(1 << 40, 12, -3, 1 << 33)
        ports.line.write(b"1")
        ports.bus.write(b"\x00\x01")
        ports.line.write(b",2\n")

    (deadline_us, orders, notes, said), shown = after_round(act)
    assert deadline_us == 123
    assert orders == [
        (lockstep.ENABLE, 1),
        (lockstep.TEST, 1),
        (lockstep.WRITE, (1, 5, b"\x00\xff\x01")),
        (lockstep.AMEND, 70_000),
        (lockstep.HALT, 0),
        (lockstep.OUTPUTS, 5),
        (lockstep.TEST, 0),
        (lockstep.ERASE, 0),
    ]
    assert notes == [(1 << 40, 12, -3, 1 << 33)]
    assert said == (b"1,2\n", b"\x00\x01")
    # Packed once, it is gone.
    assert wire.unpack_reply(wire.pack_reply(5, shown)) == (5, [], [], (b"", b""))


def test_a_reply_with_nothing_in_it():
    assert after_round(lambda ports: None)[0] == (123, [], [], (b"", b""))


def test_a_frame_says_how_long_it_is():
    framed = wire.framed(b"abc")
    assert struct.unpack(wire.LENGTH, framed[:4])[0] == 3
    assert framed[4:] == b"abc"


def test_an_order_shows_at_once_in_what_the_firmware_reads_back():
    shown = picture()
    ports = shown.ports
    shown.show(0, 0, 6, 99, 0, 0)
    ports.drive.start(Planner(4_000, 60_000, 0).move(10, 1))
    assert ports.drive.status() == (1, 0)
    ports.drive.halt()
    assert ports.drive.status()[0] & 1 == 0
    ports.store.write(0, 3, b"\x00")
    assert ports.store.read(0, 2, 3) == b"\xff\x00\xff"
    ports.store.erase(0)
    assert ports.store.read(0, 0, SIZE) == ERASED


def test_a_line_may_carry_more_in_a_round_than_a_short_number_counts():
    much = b"0123456789" * 7_000
    body = wire.pack_round(9, 0, (0, 0), (0, 0), [], [], (much, much[1:]))
    shown = picture()
    wire.show_round(body, shown)
    assert shown.ports.line.read() == much
    assert shown.ports.bus.read() == much[1:]

    def act(ports):
        ports.line.write(much)
        ports.bus.write(b"x")

    assert after_round(act)[0] == (123, [], [], (much, b"x"))
