"""Zipf popularity: exact probabilities, huge numbers of items, and the permutation that scatters ranks."""

import mpmath
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from tailrace.physics import zipf


def exact_probabilities(items: int, exponent: float) -> np.ndarray:
    weight = np.arange(1, items + 1, dtype=np.longdouble) ** -np.longdouble(exponent)
    return np.asarray(weight / weight.sum(), dtype=np.float64)


@pytest.mark.parametrize("exponent", [0.3, 0.8, 1.0, 1.2, 2.0, 5.0])
@pytest.mark.parametrize("items", [7, 1000, 300_000])
def test_ranks_are_drawn_with_their_exact_probabilities(items: int, exponent: float) -> None:
    draws = 400_000
    law = zipf.zipf_law(items, exponent)
    rank = zipf.zipf_rank(np.random.default_rng(59).random(draws), law)
    expected = draws * exact_probabilities(items, exponent)
    # Neighbouring ranks share a cell until 25 draws are expected in it.
    cell = np.floor(np.cumsum(expected) / 25).astype(np.int64)
    _, cell = np.unique(cell, return_inverse=True)
    wanted = np.bincount(cell, expected)
    if wanted[-1] < 5:
        cell[cell == cell[-1]] -= 1
        wanted = np.bincount(cell, expected)
    seen = np.bincount(cell[rank], minlength=len(wanted))
    if len(wanted) > 1:
        assert stats.chisquare(seen, wanted * (draws / wanted.sum())).pvalue > 1e-4
    else:
        assert seen.tolist() == [draws]


def test_the_chi_square_check_would_notice_two_per_cent_of_the_exponent() -> None:
    draws, items = 400_000, 1000
    rank = zipf.zipf_rank(np.random.default_rng(59).random(draws), zipf.zipf_law(items, 0.8))
    wanted = draws * exact_probabilities(items, 0.816)
    assert stats.chisquare(np.bincount(rank, minlength=items), wanted).pvalue < 1e-6


@pytest.mark.parametrize("exponent", [0.05, 0.8, 1.0, 1.0 + 1e-9, 1.5, 3.0])
def test_inversion_beyond_the_table_finds_the_rank_of_the_exact_sum(exponent: float) -> None:
    items = 200_000
    probability = exact_probabilities(items, exponent)
    above = np.cumsum(probability[::-1].astype(np.longdouble))[::-1]  # P(rank >= k), summed from the least
    known = probability > 1e-10  # rarer ones are hit by a few float64 only
    for part in (0.01, 0.5, 0.99):
        within = np.asarray(1 - (above - part * probability), dtype=np.float64)
        rank = zipf.zipf_rank(within, zipf.zipf_law(items, exponent))
        assert np.array_equal(rank[known], np.flatnonzero(known))
    assert np.sum(known) > (zipf.EXACT_RANKS if exponent <= 1.5 else 2000)


@pytest.mark.parametrize("exponent", [0.3, 0.8, 1.0, 1.2])
def test_a_hundred_thousand_million_items_follow_the_law_by_decades(exponent: float) -> None:
    items, draws = 10**11, 400_000

    def share_below(rank: int) -> float:  # generalised harmonic numbers, of a reference library
        def harmonic(n: int) -> mpmath.mpf:
            if exponent == 1:
                return mpmath.harmonic(n)
            return mpmath.zeta(exponent) - mpmath.zeta(exponent, n + 1)

        return float(harmonic(rank) / harmonic(items))

    law = zipf.zipf_law(items, exponent)
    assert law.cumulative[999] == pytest.approx(share_below(1000), rel=1e-10)
    rank = zipf.zipf_rank(np.random.default_rng(61).random(draws), law)
    assert rank.min() >= 0
    assert rank.max() < items
    edges = [0, *(10**d for d in range(1, 12))]
    wanted = draws * np.diff([0.0, *map(share_below, edges[1:])])
    seen = np.histogram(rank, edges)[0]
    keep = wanted > 5
    assert np.sum(keep) >= 5
    table = (
        np.append(seen[keep], draws - seen[keep].sum()),
        np.append(wanted[keep], draws - wanted[keep].sum()),
    )
    if table[1][-1] < 5:
        table = table[0][:-1], table[1][:-1] * (table[0][:-1].sum() / table[1][:-1].sum())
    assert stats.chisquare(*table).pvalue > 1e-4


def test_probabilities_are_those_of_the_law_and_sum_to_one() -> None:
    for items, exponent in ((10, 0.8), (100_000, 1.0), (100_000, 3.0)):
        law = zipf.zipf_law(items, exponent)
        probability = zipf.zipf_probability(np.arange(items), law)
        np.testing.assert_allclose(probability, exact_probabilities(items, exponent), rtol=1e-11)
        assert float(probability.sum()) == pytest.approx(1, rel=1e-11)


@given(
    items=st.one_of(st.integers(1, 200_000), st.sampled_from([10**11, 2**52])),
    exponent=st.floats(0, 5, exclude_min=True),
    uniforms=st.lists(st.floats(0, 1, exclude_max=True), min_size=1, max_size=50),
)
def test_ranks_exist_and_never_fall_as_the_uniform_rises(
    items: int, exponent: float, uniforms: list[float]
) -> None:
    law = zipf.zipf_law(items, exponent)
    rank = zipf.zipf_rank(np.sort([*uniforms, 0.0, float(np.nextafter(1, 0))]), law)
    assert rank[0] == 0
    assert np.all(np.diff(rank) >= 0)
    assert rank[-1] < items


def test_a_uniform_on_the_border_of_two_ranks_belongs_to_the_second() -> None:
    law = zipf.zipf_law(10, 0.8)
    assert zipf.zipf_rank(law.cumulative[:-1], law).tolist() == list(range(1, 10))


def test_one_item_is_always_the_one() -> None:
    law = zipf.zipf_law(1, 0.8)
    assert np.array_equal(zipf.zipf_rank(np.array([[0.0, 0.5, 0.999]]), law), [[0, 0, 0]])
    assert zipf.zipf_probability(0, law) == 1.0
    assert zipf.scatter([0, 0], 1, 99).tolist() == [0, 0]


@pytest.mark.parametrize(
    ("items", "exponent"), [(0, 1.0), (2**52 + 1, 1.0), (10, 0.0), (10, 5.1), (10, np.nan)]
)
def test_laws_outside_the_range_are_refused(items: int, exponent: float) -> None:
    with pytest.raises(ValueError, match="Zipf"):
        zipf.zipf_law(items, exponent)


# The permutation


@given(items=st.integers(1, 700), key=st.integers(-(2**63), 2**64 - 1))
def test_scatter_is_a_bijection_by_enumeration(items: int, key: int) -> None:
    assert sorted(zipf.scatter(np.arange(items), items, key).tolist()) == list(range(items))


@pytest.mark.parametrize("items", [2**16, 2**16 + 1, 3 * 10**5])
def test_scatter_of_many_is_a_bijection_by_enumeration(items: int) -> None:
    place = zipf.scatter(np.arange(items), items, 5)
    assert np.array_equal(np.sort(place), np.arange(items))


def test_scatter_of_a_huge_span_is_injective_and_stays_within_it() -> None:
    items = 10**11
    place = zipf.scatter(np.arange(200_000), items, 5)
    assert place.min() >= 0
    assert place.max() < items
    assert len(np.unique(place)) == len(place)


def test_scatter_spreads_the_most_popular_evenly_and_breaks_neighbourhood() -> None:
    items, ranks = 10**9 + 7, 100_000
    place = zipf.scatter(np.arange(ranks), items, 11) / items
    assert stats.kstest(place, "uniform").pvalue > 1e-3
    assert stats.kstest(np.diff(place) % 1, "uniform").pvalue > 1e-3


@pytest.mark.parametrize("items", [2, 3, 10, 1000])
def test_scatter_puts_the_most_popular_anywhere_over_the_keys(items: int) -> None:
    places = [int(zipf.scatter(0, items, key)) for key in range(2000)]
    cells = min(items, 20)
    seen = np.bincount(np.array(places) * cells // items, minlength=cells)
    width = np.bincount(np.arange(items) * cells // items, minlength=cells)
    assert stats.chisquare(seen, 2000 * width / items).pvalue > 1e-4


def test_scatter_keeps_shape_and_refuses_ranks_outside() -> None:
    ranks = np.array([[0, 1, 2], [3, 4, 5]])
    assert zipf.scatter(ranks, 6, 1).shape == (2, 3)
    for bad in ([6], [-1]):
        with pytest.raises(ValueError, match=r"0 \.\. 5"):
            zipf.scatter(bad, 6, 1)
    with pytest.raises(ValueError, match="permutation"):
        zipf.scatter([0], 0, 1)
