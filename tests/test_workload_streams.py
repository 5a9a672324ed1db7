"""Random draws by position: where they lie, what they depend on, and that they do not depend on each other."""

from collections.abc import Callable
from zlib import crc32

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from numpy.typing import NDArray
from scipy import stats

from tailrace.workload import streams
from tailrace.workload.streams import EvenStreams, Purpose, Streams

BOOKING = Streams(seed=7, replication=0, owner="booking")
MASK = (1 << 64) - 1
STRIDE = 0x9E3779B97F4A7C15


def finalised(state: int) -> int:
    """SplitMix64's finaliser (Steele, Lea and Flood, OOPSLA 2014; from memory), in Python's whole numbers."""
    state = (state ^ (state >> 30)) * 0xBF58476D1CE4E5B9 & MASK
    state = (state ^ (state >> 27)) * 0x94D049BB133111EB & MASK
    return state ^ (state >> 31)


def test_the_oracle_below_is_splitmix64() -> None:
    # First outputs from the state 1234567, as printed beside many public implementations (from memory).
    outputs = [finalised((1234567 + (k + 1) * STRIDE) & MASK) for k in range(5)]
    assert outputs == [
        6457827717110365317,
        3203168211198807973,
        9817491932198370423,
        4593380528125082431,
        16408922859458223821,
    ]


def test_the_draws_of_a_key_are_the_high_bits_of_splitmix64_outputs_in_the_middle_of_their_cells() -> None:
    key = np.random.SeedSequence(7, spawn_key=(0, crc32(b"booking"), Purpose.SIZE)).generate_state(
        1, np.uint64
    )
    start = finalised(int(key[0]))
    wanted = [((finalised((start + (k + 1) * STRIDE) & MASK) >> 12) + 0.5) / 2**52 for k in range(1000)]
    assert BOOKING.uniforms(Purpose.SIZE, np.arange(1000)).tolist() == wanted


@pytest.mark.parametrize("bits", [0, MASK])
def test_even_the_extreme_bits_give_a_draw_inside_the_open_interval(
    bits: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(streams, "mixed", lambda mixed: np.full_like(mixed, bits))
    (draw,) = BOOKING.uniforms(Purpose.GAP, np.zeros(1, dtype=np.int64))
    assert 0.0 < draw < 1.0
    assert draw in (2.0**-53, 1.0 - 2.0**-53)


def cells(draws: NDArray[np.float64], count: int) -> NDArray[np.int64]:
    return (draws * count).astype(np.int64)


@pytest.mark.parametrize("purpose", list(Purpose))
def test_draws_are_uniform_at_the_scale_of_a_thousandth(purpose: Purpose) -> None:
    draws = BOOKING.uniforms(purpose, np.arange(200_000))
    assert stats.chisquare(np.bincount(cells(draws, 1000), minlength=1000)).pvalue > 1e-4
    assert stats.kstest(draws, "uniform").pvalue > 1e-4


def test_the_checks_of_uniformity_would_notice_two_per_cent() -> None:
    draws = BOOKING.uniforms(Purpose.GAP, np.arange(200_000)) ** 1.02
    assert stats.kstest(draws, "uniform").pvalue < 1e-4


def plain(source: Streams = BOOKING, purpose: Purpose = Purpose.GAP, ordinal: int = 0) -> NDArray[np.float64]:
    return source.uniforms(purpose, np.arange(100_000), ordinal)


PAIRS: dict[str, Callable[[], tuple[NDArray[np.float64], NDArray[np.float64]]]] = {
    "purposes": lambda: (plain(), plain(purpose=Purpose.CLIENT)),
    "owners": lambda: (plain(), plain(Streams(7, 0, "manifests"))),
    "replications": lambda: (plain(), plain(Streams(7, 1, "booking"))),
    "seeds": lambda: (plain(), plain(Streams(8, 0, "booking"))),
    "seed 0 and 1": lambda: (plain(Streams(0, 0, "booking")), plain(Streams(1, 0, "booking"))),
    "a class and its client 0": lambda: (plain(), plain(Streams(7, 0, "booking", 0))),
    "neighbouring clients": lambda: (
        plain(Streams(7, 0, "booking", 3)),
        plain(Streams(7, 0, "booking", 4)),
    ),
    "ordinals": lambda: (plain(), plain(ordinal=1)),
    "ordinals far apart": lambda: (plain(ordinal=5), plain(ordinal=5 << 16)),
    "one request and the next": lambda: (plain()[::2], plain()[1::2]),
    "ordinal + 1 and index + 1": lambda: (plain(ordinal=1)[:-1], plain()[1:]),
}


@pytest.mark.parametrize("pair", PAIRS.values(), ids=PAIRS.keys())
def test_streams_that_differ_in_one_thing_are_independent(pair: Callable[[], tuple]) -> None:
    one, other = pair()
    table = np.bincount(cells(one, 16) * 16 + cells(other, 16), minlength=256)
    assert stats.chisquare(table).pvalue > 1e-4
    assert abs(np.corrcoef(one, other)[0, 1]) < 4 / np.sqrt(one.size)
    assert not np.isin(one, other).any()  # and are not the same stream at another place


def test_the_checks_of_independence_would_notice_that_four_draws_in_a_hundred_are_shared() -> None:
    one, other = plain(), plain(purpose=Purpose.CLIENT)
    other = np.where(plain(purpose=Purpose.PHASE) < 0.04, one, other)
    table = np.bincount(cells(one, 16) * 16 + cells(other, 16), minlength=256)
    assert stats.chisquare(table).pvalue < 1e-4
    assert abs(np.corrcoef(one, other)[0, 1]) > 4 / np.sqrt(one.size)


@given(
    index=hnp.arrays(np.int64, st.integers(0, 40), elements=st.integers(0, 2**40)),
    ordinal=st.integers(0, 2**40),
    purpose=st.sampled_from(Purpose),
    client=st.none() | st.integers(0, 2**31),
)
def test_a_draw_depends_on_key_index_and_ordinal_only(
    index: NDArray[np.int64], ordinal: int, purpose: Purpose, client: int | None
) -> None:
    source = Streams(11, 3, "cameras", client)
    together = source.uniforms(purpose, index, ordinal)
    assert together.shape == index.shape
    alone = [
        Streams(11, 3, "cameras", client).uniforms(purpose, index[k : k + 1], ordinal)[0]
        for k in range(index.size)
    ]
    assert together.tolist() == alone
    assert source.uniforms(purpose, index[::-1].copy(), ordinal)[::-1].tolist() == alone
    assert source.uniforms(purpose, index, np.full(index.size, ordinal)).tolist() == alone


@given(ordinals=st.lists(st.integers(0, 2**40), min_size=1, max_size=20))
def test_ordinals_in_a_column_give_what_each_gives_alone(ordinals: list[int]) -> None:
    index = np.arange(len(ordinals)) * 17
    column = BOOKING.uniforms(Purpose.ERASE, index, np.array(ordinals))
    alone = [BOOKING.uniforms(Purpose.ERASE, index[k : k + 1], each)[0] for k, each in enumerate(ordinals)]
    assert column.tolist() == alone


def test_zero_is_a_seed_a_replication_and_a_client() -> None:
    zero = plain(Streams(0, 0, "booking", 0))
    assert zero.tolist() == plain(Streams(0, 0, "booking", 0)).tolist()
    assert stats.kstest(zero, "uniform").pvalue > 1e-4


def test_no_two_purposes_share_a_number() -> None:
    assert len({int(purpose) for purpose in Purpose.__members__.values()}) == len(Purpose.__members__)


def test_the_draws_of_a_sample_are_spread_evenly_and_purposes_stay_independent() -> None:
    even, count = EvenStreams(seed=7, replication=0, owner="booking"), 4096
    one, two = (even.uniforms(purpose, np.arange(count)) for purpose in (Purpose.SIZE, Purpose.KIND))
    assert np.sort(one) == pytest.approx((np.arange(count) + 0.5) / count, rel=1e-12)
    assert even.uniforms(Purpose.SIZE, np.arange(count)).tolist() == one.tolist()
    # Of independent orders the correlation of ranks has a standard deviation of 1/64.
    assert abs(stats.spearmanr(one, two).statistic) < 4 / 64
    # An exponential mean: plain draws err by 1/64 in standard deviation, even ones by ln(2)/2 over their number.
    assert -np.log(one).mean() == pytest.approx(1.0, abs=1 / count)
    assert even.uniforms(Purpose.SIZE, np.arange(0)).size == 0
