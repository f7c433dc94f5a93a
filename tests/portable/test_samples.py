"""The rings of single measurements: what is kept, what is lost, and that a loss can be seen."""

from controller.record.samples import Samples

KEPT = 8


def test_samples_come_out_once_in_the_order_they_went_in_numbered_from_1():
    samples = Samples(KEPT, 3, "i")
    assert samples.count() == 0
    assert samples.take() == (0, 0, 0, 0)
    samples.add(5, -6, 7)
    samples.add(8, 9, -10)
    assert samples.count() == 2
    assert samples.take() == (1, 5, -6, 7)
    assert samples.take() == (2, 8, 9, -10)
    assert samples.take() == (0, 0, 0, 0)
    samples.add(1, 2, 3)
    assert samples.take() == (3, 1, 2, 3)


def test_a_full_ring_keeps_the_newest_and_the_gap_shows():
    samples = Samples(KEPT, 1, "i")
    for number in range(1, 4 * KEPT + 4):
        samples.add(number)
    assert samples.count() == KEPT
    for number in range(3 * KEPT + 4, 4 * KEPT + 4):
        assert samples.take() == (number, number)
    assert samples.count() == 0


def test_a_narrow_column_stops_at_its_ends_and_a_wide_one_goes_on():
    narrow, wide = Samples(KEPT, 2, "i"), Samples(KEPT, 2, "q")
    for samples in (narrow, wide):
        samples.add(1 << 40, -(1 << 40))
    most = (1 << 31) - 1
    assert narrow.take() == (1, most, -most)
    assert wide.take() == (1, 1 << 40, -(1 << 40))
