"""The charts, by the worked examples of the NIST/SEMATECH e-Handbook of Statistical Methods."""

from controller.counting.charts import LEARN_PARTS, LIMIT_SIGMAS, RECENTRE_PARTS, Chart, Cusum, Ewma

SCALE = 10_000  # the examples in integers


def scaled(text):
    """Decimal numbers as integers in ten thousandths, digit by digit."""
    numbers = []
    for word in text.split():
        whole, _, rest = word.partition(".")
        numbers.append(int(whole + (rest + "0000")[:4]))
    return numbers


# e-Handbook 6.3.2.4, "EWMA Control Charts": lambda 0.3, target 50.
EWMA_DATA = """52.0 47.0 53.0 49.3 50.1 47.0 51.0 50.1 51.2 50.5
    49.6 47.6 49.9 51.3 47.8 51.2 52.6 52.4 53.6 52.1"""
EWMA_VALUES = """50.60 49.52 50.56 50.18 50.16 49.21 49.75 49.85 50.26 50.33
    50.11 49.36 49.52 50.05 49.38 49.92 50.73 51.23 51.94 51.99"""

# e-Handbook 6.3.2.3, "CUSUM Control Charts": target 325, k 0.3175, h 4.1959.
MEANS = """324.925 324.675 324.725 324.350 325.350 325.225 324.125 324.525 325.225 324.600
    324.625 325.150 328.325 327.250 327.825 328.500 326.675 327.775 326.875 328.350"""
# The page prints two decimals, in part rounded to even: groups count from 1, the others are 0.
UPPER = {5: "0.03", 13: "3.01", 14: "4.94", 15: "7.45", 16: "10.63", 17: "11.99", 18: "14.44",
         19: "16.00", 20: "19.04"}  # fmt: skip
LOWER = {2: "0.01", 4: "0.33", 7: "0.56", 8: "0.72", 9: "0.17", 10: "0.25", 11: "0.31"}
PRINTED = 60  # 0.006: half of the last digit and a bit


def test_the_worked_example_of_an_ewma():
    average = Ewma(3, 10)
    average.start(50 * SCALE)
    values, printed = scaled(EWMA_DATA), scaled(EWMA_VALUES)
    assert len(values) == len(printed) == 20
    for place in range(20):
        assert abs(average.add(values[place]) - printed[place]) <= PRINTED, place


def test_the_worked_example_of_a_cusum():
    sums = Cusum()
    limit = scaled("4.1959")[0]
    signals = []
    for group, mean in enumerate(scaled(MEANS), 1):
        sums.add(mean - 325 * SCALE, scaled("0.3175")[0])
        assert abs(sums.up - scaled(UPPER.get(group, "0"))[0]) <= PRINTED, group
        assert abs(sums.down - scaled(LOWER.get(group, "0"))[0]) <= PRINTED, group
        if max(sums.up, sums.down) > limit:
            signals.append(group)
    assert signals == [14, 15, 16, 17, 18, 19, 20]  # the first signal is at group 14


# ---- a chart that learns --------------------------------------------------------------------

# Sum 0, sum of squares 20 in 8 values: variance about 2.5, in squares of SPREAD.
PATTERN = (-2, 1, 0, 2, -1, 0, 2, -2)
SPREAD = 1_000


def learned(target=5_000, chart=None, parts=LEARN_PARTS):
    """A chart that has learned a quantity of known mean and scatter."""
    chart = chart or Chart(1)
    for number in range(parts):
        assert not chart.watching
        assert chart.take(target + SPREAD * PATTERN[number % 8]) == (number == parts - 1)
    return chart


def test_target_and_scatter_are_learned_as_mean_and_standard_deviation():
    chart = learned()
    assert chart.watching
    assert abs(chart.target - 5_000) <= 1
    exact = SPREAD * SPREAD * 18 * (LEARN_PARTS // 8) // (LEARN_PARTS - 1)
    assert (chart.sigma - 1) ** 2 <= exact <= (chart.sigma + 1) ** 2
    assert chart.mean == chart.target
    assert chart.scatter == chart.sigma


def test_what_does_not_change_never_alarms_and_is_told_as_it_is():
    chart = learned()
    for number in range(20_000):
        chart.take(5_000 + SPREAD * PATTERN[number % 8])
    assert max(chart.sums.up, chart.sums.down) < chart.limit // 4
    assert abs(chart.mean - 5_000) < SPREAD // 8
    assert abs(chart.scatter - chart.sigma) < chart.sigma // 8


def parts_until_alarm(shift_sigmas_tenths):
    chart = learned()
    for number in range(1_000):
        shift = chart.sigma * shift_sigmas_tenths // 10
        chart.take(5_000 + shift + SPREAD * PATTERN[number % 8])
        if max(chart.sums.up, chart.sums.down) >= chart.limit:
            return number + 1, chart.sums
    return None, chart.sums


def test_a_shift_is_told_after_the_parts_that_it_must_take():
    # Limit over what a part adds: its shift, less the allowance of half a sigma.
    for tenths, expected in ((10, 40), (20, 14), (-10, 40), (30, 8)):
        parts, sums = parts_until_alarm(tenths)
        assert abs(parts - expected) <= expected // 4 + 1, (tenths, parts)
        assert (sums.up > sums.down) == (tenths > 0)
        run = sums.up_for if tenths > 0 else sums.down_for
        assert abs(run - parts) <= 3
    assert parts_until_alarm(3)[0] is None  # less than the allowance: not worth a word


def test_one_freak_is_no_drift():
    chart = learned()
    for freak in (1_000_000, -1_000_000):
        chart.take(freak)
        assert max(chart.sums.up, chart.sums.down) < chart.limit // 4
    assert abs(chart.mean - 5_000) < chart.sigma // 4


def test_a_new_centre_keeps_the_scatter():
    chart = learned()
    sigma = chart.sigma
    chart.recentre()
    learned(9_000, chart, RECENTRE_PARTS)
    assert abs(chart.target - 9_000) <= 1
    assert chart.sigma == sigma
    fresh = Chart(1)
    fresh.recentre()  # nothing is known yet: all is to be learned
    learned(9_000, fresh)


def test_scatter_has_a_least_value_so_that_a_perfect_machine_is_no_hair_trigger():
    chart = Chart(70)
    for _ in range(LEARN_PARTS):
        chart.take(123)
    assert (chart.target, chart.sigma) == (123, 70)
    assert chart.limit == 70 * LIMIT_SIGMAS
