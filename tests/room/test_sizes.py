"""From a survey to target rooms."""

import numpy as np
import pytest

from roomsim.errors import InvalidValue
from roomsim.room.sizes import Survey, parse_percentiles, target_rooms


def survey(count=400, seed=3):
    rng = np.random.default_rng(seed)
    width, length = rng.lognormal(1.3, 0.15, count), rng.lognormal(1.5, 0.15, count)
    height = rng.normal(2.5, 0.1, count)
    return Survey(source="test", width_m=width, length_m=length, height_m=height,
                  decay_s=np.where(rng.random(count) < 0.5, 0.4, np.nan), furnishing=np.full(count, ""))


@pytest.mark.parametrize("by", ["volume", "floor"])
def test_the_size_is_the_percentile_of_the_measure(by):
    rooms = survey()
    for target in target_rooms(rooms, [("10", 10.0), ("50", 50.0), ("90", 90.0)], by):
        # numpy's percentile, linear between order statistics, as reference; sides are rounded to 1 cm (0.3 %).
        expected = np.percentile(rooms.measure(by), target.percentile)
        assert target.size == pytest.approx(expected)
        made = target.width_m * target.length_m * (target.height_m if by == "volume" else 1)
        assert made == pytest.approx(expected, rel=0.01)
        assert target.low < expected < target.high


def test_the_shape_is_that_of_real_neighbours_not_of_separate_percentiles():
    # Here width and length trade off against each other: the product of separate 90th percentiles is far off.
    t = np.linspace(0, 1, 301)
    width, length = 3 + 3 * t, 6 - 3 * t + 0.5 * np.sin(40 * t)
    rooms = Survey(source="t", width_m=width, length_m=length, height_m=np.full(301, 2.5), decay_s=np.full(301, np.nan),
                   furnishing=np.full(301, ""))
    (target,) = target_rooms(rooms, [("90", 90.0)])
    separate = np.percentile(width, 90) * np.percentile(length, 90) * 2.5
    assert separate > 1.3 * target.size
    assert np.min(np.hypot(width - target.width_m, length - target.length_m)) < 0.35
    assert target.decay_s is None


def test_bootstrap_interval_covers_the_true_percentile():
    # Coverage of a nominal 90 % interval over 300 surveys of a known lognormal; binomial error of 300 is 1.7 %,
    # and the percentile bootstrap of a median of 60 values is known to be a little liberal, hence 84–96 %.
    rng = np.random.default_rng(5)
    hits = 0
    for _ in range(300):
        width = rng.lognormal(1.4, 0.2, 60)
        rooms = Survey(source="t", width_m=width, length_m=np.full(60, 4.0), height_m=np.full(60, 2.5),
                       decay_s=np.full(60, np.nan), furnishing=np.full(60, ""))
        (target,) = target_rooms(rooms, [("50", 50.0)])
        hits += target.low <= np.exp(1.4) * 10 <= target.high
    assert 0.84 <= hits / 300 <= 0.96


def test_large_surveys_get_the_same_interval_without_resampling():
    # Order-statistic theory: sd of the sample median is 1 / (2 f √n); the 90 % interval is ±1.645 of that.
    rng = np.random.default_rng(6)
    width = rng.uniform(3, 5, 100_000)
    rooms = Survey(source="t", width_m=width, length_m=np.full(width.size, 4.0), height_m=np.full(width.size, 2.5),
                   decay_s=np.full(width.size, np.nan), furnishing=np.full(width.size, ""))
    (target,) = target_rooms(rooms, [("50", 50.0)], "floor")
    half = 1.645 * (8 / 2) / np.sqrt(width.size)
    assert (target.high - target.low) / 2 == pytest.approx(half, rel=0.1)


def test_named_sets():
    rooms = survey()
    assert [label for label, _ in parse_percentiles("quartiles", rooms, "volume")] == ["25", "50", "75"]
    (mean, rank), (_, between), (upper, _) = parse_percentiles("mean-to-75", rooms, "volume")
    values = rooms.measure("volume")
    assert (mean, upper) == ("mean", "75")
    assert np.percentile(values, rank) == pytest.approx(values.mean(), rel=0.01)
    assert between == pytest.approx((rank + 75) / 2)


@pytest.mark.parametrize("text", ["0", "100", "a", "25,,75", "25,25", "-5", "nan"])
def test_bad_percentiles_are_refused(text):
    with pytest.raises(InvalidValue, match="percentile"):
        parse_percentiles(text, survey(), "volume")


def test_implausible_rows_are_listed_and_can_be_left_out():
    rooms = survey(20)
    rooms.width_m[3], rooms.height_m[7] = 42.0, 25.0
    listed = rooms.implausible()
    assert [row for row, _ in listed] == [3, 7]
    assert "width_m = 42" in listed[0][1]
    assert len(rooms.without([row for row, _ in listed])) == 18
    with pytest.raises(InvalidValue, match="at least five"):
        target_rooms(rooms.without(range(16)), [("50", 50.0)])
