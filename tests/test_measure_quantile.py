"""Quantiles of samples, and the spells that a sample spends beyond one."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from tailrace.measure import quantile
from tailrace.measure.quantile import excursions, quantile_rank, quantiles_in_place, vicinities

LATENCIES = arrays(np.float64, st.integers(1, 200), elements=st.floats(0, 1e6))
PROBABILITIES = st.floats(0.001, 0.999)


@given(LATENCIES, st.lists(PROBABILITIES, max_size=5))
def test_quantiles_in_place_agree_with_the_reference_library(sample: np.ndarray, ps: list[float]) -> None:
    expected = [np.quantile(sample, p, method="inverted_cdf") for p in ps]
    assert list(quantiles_in_place(sample.copy(), ps)) == expected


def test_a_whole_rank_is_not_raised_by_rounding() -> None:
    assert 0.07 * 100 > 7
    assert quantile_rank(100, 0.07) == 7
    assert quantile_rank(1000, 0.999) == 999
    assert quantile_rank(1001, 0.999) == 1000
    assert quantile_rank(1, 0.001) == 1


@pytest.mark.parametrize(("n", "p"), [(10, 0.0), (10, 1.0), (10, float("nan")), (0, 0.5)])
def test_a_quantile_of_nothing_or_beyond_the_sample_is_refused(n: int, p: float) -> None:
    with pytest.raises(ValueError, match="quantile"):
        quantile_rank(n, p)


def spells_by_walking(sample: np.ndarray, quantile: float, median: float) -> int:
    """Count as one would on paper, for a quantile above the median."""
    count, beyond = 0, False
    for latency in sample:
        if latency >= quantile:
            beyond = True
        elif latency <= median and beyond:
            count, beyond = count + 1, False
    return count


def test_excursions_are_counted_once_from_beyond_the_quantile_to_below_the_median() -> None:
    #                  one            still the same    two        not ended
    sample = np.array([9, 5, 8, 9, 3, 5, 7, 5, 9, 1, 1, 5, 8, 8.0])
    assert excursions(sample, [8], median=4) == [2]
    assert excursions(sample[:-2], [8], median=4) == [2]
    assert excursions(np.array([5.0, 5, 5]), [8], median=4) == [0]


@given(arrays(np.float64, st.integers(0, 60), elements=st.integers(0, 9).map(float)))
def test_excursions_agree_with_a_walk_along_the_sample(sample: np.ndarray) -> None:
    assert excursions(sample, [7.0], 4.0) == [spells_by_walking(sample, 7.0, 4.0)]
    # the mirror image has its spells below the median
    assert excursions(-sample, [-7.0], -4.0) == [spells_by_walking(sample, 7.0, 4.0)]


def test_crossings_of_the_median_are_seen_even_where_most_latencies_lie_on_it() -> None:
    mostly_low = np.array([1.0, 1, 2, 1, 1, 3, 1, 1])
    mostly_high = np.array([5.0, 5, 4, 5, 5, 3, 5, 5])
    assert excursions(mostly_low, [1.0], 1.0) == [2]
    assert excursions(mostly_high, [5.0], 5.0) == [2]


@given(
    st.lists(
        arrays(np.float64, st.integers(1, 40), elements=st.integers(0, 12).map(float)), min_size=1, max_size=6
    ),
    st.lists(st.floats(0.01, 0.99), min_size=1, max_size=4),
)
def test_quantiles_of_several_samples_together_are_those_of_their_union(
    samples: list[np.ndarray], ps: list[float]
) -> None:
    own = np.array([quantiles_in_place(sample.copy(), ps) for sample in samples])
    union = np.concatenate(samples)
    expected = quantiles_in_place(union.copy(), ps)
    for p, value, around in zip(ps, expected, vicinities(samples, own), strict=True):
        assert around.quantile(p) == value
        assert around.low <= value <= around.high
        first, last = around.reach
        assert first == np.mean(union <= around.low)
        if around.low < around.high:
            assert last == np.mean(union < around.high)
            near = sorted({each for each in union if around.low <= each < around.high})
            for each in near:
                np.testing.assert_allclose(
                    around.share(each), [np.mean(sample <= each) for sample in samples]
                )
                assert around.quantile(float(np.mean(union <= each))) == each


def test_excursions_do_not_depend_on_the_pieces_in_which_they_are_counted(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    sample = np.random.default_rng(2).integers(0, 10, 1000).astype(float)
    counts = set()
    for piece in (1, 7, 64, 1000):
        monkeypatch.setattr(quantile, "PIECE", piece)
        counts.add(int(excursions(sample, [8.0], 4.0)[0]))
    assert counts == {spells_by_walking(sample, 8.0, 4.0)}
