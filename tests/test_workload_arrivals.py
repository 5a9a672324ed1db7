"""When the requests of open classes arrive: rates, variability, beats and surges."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import stats

from tailrace.scenario import Surge, Workload
from tailrace.workload.arrivals import ArrivalStream
from tailrace.workload.streams import Streams

REPLICATIONS = 24
SURGE = Surge(factor=5.0, share=0.1, length=0.05)
CALM_SPEED = 1 / (1 + 0.1 * 4)  # so that both kinds of time together keep the mean rate

BURSTY: dict[str, Any] = {"arrivals": "bursty", "burstiness": 4.0}
REGULAR: dict[str, Any] = {"arrivals": "regular"}
KINDS: dict[str, dict[str, Any]] = {
    "poisson": {},
    "bursty": BURSTY,
    "regular": REGULAR,
    "poisson in surges": {"surge": SURGE},
    "regular in surges": {**REGULAR, "surge": SURGE},
}


def booking(clients: int = 40, rate_per_s: float = 50.0, **keys: Any) -> Workload:
    return Workload(name="booking", clients=clients, rate=rate_per_s, request_size=8192, **keys)


def stream(workload: Workload, replication: int = 0, load: float = 1.0, seed: int = 7) -> ArrivalStream:
    return ArrivalStream(workload, load, Streams(seed, replication, workload.name))


def gaps(workload: Workload, replication: int, seconds: float) -> NDArray[np.float64]:
    return np.diff(stream(workload, replication).until(seconds)[0])


def assert_equals_within_four_standard_errors(
    estimates: NDArray[np.float64], exact: float, most_relative_error: float = 0.01
) -> None:
    """Of replications; with the power that the standard error is below that share of the value."""
    error = estimates.std(ddof=1) / np.sqrt(estimates.size)
    assert error < most_relative_error * exact
    assert abs(estimates.mean() - exact) < 4 * error


@pytest.mark.parametrize(("keys", "scv"), [({}, 1.0), (BURSTY, 4.0)], ids=["poisson", "bursty"])
def test_gaps_have_the_mean_of_the_rate_and_the_variability_asked_for(
    keys: dict[str, Any], scv: float
) -> None:
    samples = [gaps(booking(**keys), replication, 40.0) for replication in range(REPLICATIONS)]
    means = np.array([sample.mean() for sample in samples])
    scvs = np.array([sample.var() / sample.mean() ** 2 for sample in samples])
    assert_equals_within_four_standard_errors(means, 1 / 2000)
    assert_equals_within_four_standard_errors(scvs, scv)


def test_poisson_gaps_are_exponential_and_the_check_would_notice_three_per_cent() -> None:
    sample = gaps(booking(), 0, 25.0)
    assert stats.kstest(sample * 2000, "expon").pvalue > 1e-3
    assert stats.kstest(sample * 2060, "expon").pvalue < 1e-3


def test_the_gaps_of_bursty_arrivals_are_independent_of_each_other() -> None:
    sample = gaps(booking(**BURSTY), 0, 50.0)
    assert abs(np.corrcoef(sample[:-1], sample[1:])[0, 1]) < 4 / np.sqrt(sample.size)


@pytest.mark.parametrize("keys", [{}, BURSTY], ids=["poisson", "bursty"])
def test_each_arrival_goes_to_any_client_alike(keys: dict[str, Any]) -> None:
    _, clients = stream(booking(**keys)).until(50.0)
    assert stats.chisquare(np.bincount(clients, minlength=40)).pvalue > 1e-4
    both = np.bincount(clients[:-1] * 40 + clients[1:], minlength=1600)
    assert stats.chisquare(both).pvalue > 1e-4


def test_regular_clients_keep_their_own_beat_each_with_a_phase_of_its_own() -> None:
    times, clients = stream(booking(clients=200, **REGULAR)).until(20.0)
    assert np.all(np.diff(times) > 0)
    first = np.empty(200)
    for client in range(200):
        mine = times[clients == client]
        assert mine.size == 1000
        assert np.allclose(np.diff(mine), 0.02, rtol=1e-9, atol=0)
        first[client] = mine[0]
    assert stats.kstest(first / 0.02, "uniform").pvalue > 1e-3  # phases over the whole beat
    assert abs(stats.spearmanr(np.arange(200), first).statistic) < 4 / np.sqrt(200)  # in no order of number
    others = stream(booking(clients=200, **REGULAR), replication=1).until(0.02)
    assert others[0].tolist() != sorted(first)


def test_surges_of_regular_arrivals_show_the_factor_the_share_of_time_and_the_calm_rate() -> None:
    beat = gaps(booking(clients=1, rate_per_s=10_000.0, arrivals="regular", surge=SURGE), 0, 400.0)
    calm = np.isclose(beat, 1e-4 / CALM_SPEED, rtol=1e-6)
    surge = np.isclose(beat, 1e-4 / CALM_SPEED / 5, rtol=1e-6)
    assert np.mean(calm | surge) > 0.999  # the rest lie across a change
    share = beat[surge].sum() / 400.0
    # A cycle is 0.5 s, so about 800 cycles; the share's relative error is about sqrt(2 * 0.9 / 800).
    assert share == pytest.approx(0.1, rel=4 * np.sqrt(2 / 800))
    # Each maximal run of short gaps is one surge, exponential in length, 50 ms in the mean.
    edges = np.flatnonzero(np.diff(np.concatenate([[0], surge.astype(np.int8), [0]])))
    lengths = (edges[1::2] - edges[::2]) * 1e-4 / CALM_SPEED / 5
    assert stats.kstest(lengths / 0.05, "expon").pvalue > 1e-3
    assert stats.kstest(lengths / 0.06, "expon").pvalue < 1e-2


def test_surges_keep_the_mean_rate() -> None:
    counts = [stream(booking(surge=SURGE), k).until(400.0)[0].size for k in range(REPLICATIONS)]
    assert_equals_within_four_standard_errors(np.array(counts) / 400.0, 2000.0)


@pytest.mark.whole
def test_surges_keep_the_mean_rate_from_the_first_instant() -> None:
    # Shorter than a surge: who always began in calm would see 1 / 1.4 of the rate.
    counts = [stream(booking(surge=SURGE), k).until(0.005)[0].size for k in range(3000)]
    assert_equals_within_four_standard_errors(np.array(counts) / 0.005, 2000.0, 0.02)


def test_surges_vary_the_counts_as_a_two_state_modulated_poisson_process_does() -> None:
    # Index of dispersion of the counts in a window t of a stationary two-state MMPP with rates l1, l2 and change
    # rates r1, r2 (Fischer and Meier-Hellstern, The Markov-modulated Poisson process (MMPP) cookbook, Performance
    # Evaluation 18, 1993; from memory, rederived):
    # 1 + A - A (1 - exp(-(r1 + r2) t)) / ((r1 + r2) t), A = 2 (l1 - l2)^2 r1 r2 / ((r1 + r2)^2 (l1 r2 + l2 r1)).
    calm, surging = 2000 * CALM_SPEED, 2000 * CALM_SPEED * 5
    leave_calm, leave_surge = 1 / 0.45, 1 / 0.05
    change = leave_calm + leave_surge
    most = 2 * (calm - surging) ** 2 * leave_calm * leave_surge
    most /= change**2 * (calm * leave_surge + surging * leave_calm)
    window = 0.1
    exact = 1 + most - most * (1 - np.exp(-change * window)) / (change * window)
    dispersions = []
    for replication in range(REPLICATIONS):
        times, _ = stream(booking(surge=SURGE), replication).until(400.0)
        counts = np.bincount((times / window).astype(np.int64), minlength=4000)
        dispersions.append(counts.var(ddof=1) / counts.mean())
    assert exact > 10  # of a plain Poisson process it is 1
    assert_equals_within_four_standard_errors(np.array(dispersions), exact)


@settings(max_examples=60, deadline=None)
@given(
    keys=st.sampled_from(list(KINDS.values())),
    cuts=st.lists(st.floats(0.0, 3.0), max_size=8).map(sorted),
    clients=st.integers(1, 50),
)
def test_the_same_arrivals_come_however_the_stream_is_cut_into_blocks(
    keys: dict[str, Any], cuts: list[float], clients: int
) -> None:
    workload = booking(clients, 3000.0 / clients, **keys)
    times, numbers = stream(workload).until(3.0)
    blocks = stream(workload)
    parts = [blocks.until(cut) for cut in (*cuts, 3.0)]
    assert np.concatenate([each for each, _ in parts]).tolist() == times.tolist()
    assert np.concatenate([each for _, each in parts]).tolist() == numbers.tolist()
    for (part, _), cut in zip(parts, (*cuts, 3.0), strict=True):
        assert not part.size or part[-1] < cut


@pytest.mark.parametrize("keys", KINDS.values(), ids=KINDS.keys())
def test_arrivals_come_in_order_and_go_on_however_long(keys: dict[str, Any]) -> None:
    source = stream(booking(**keys))
    times = np.concatenate([source.until(horizon)[0] for horizon in np.arange(1.0, 61.0)])
    assert np.all(np.diff(times) >= 0)
    assert times[0] > 0.0
    assert times.size == pytest.approx(2000 * 60, rel=0.1)


def test_an_arrival_at_the_horizon_itself_waits_for_the_next_block() -> None:
    times, _ = stream(booking()).until(1.0)
    source = stream(booking())
    before, _ = source.until(times[10])
    after, _ = source.until(1.0)
    assert before.tolist() == times[:10].tolist()
    assert after[0] == times[10]


@pytest.mark.parametrize("kind", ["poisson", "bursty", "regular"])
def test_load_multiplies_the_rate_and_changes_nothing_else(kind: str) -> None:
    times, clients = stream(booking(**KINDS[kind])).until(1.0)
    faster, by_whom = stream(booking(**KINDS[kind]), load=4.0).until(0.25)
    assert faster == pytest.approx(times / 4, rel=1e-12)
    assert by_whom.tolist() == clients.tolist()
    assert stream(booking(), load=4.0).rate_per_s == 8000.0


def test_load_raises_the_rate_in_surges_too_but_not_how_often_they_come() -> None:
    beat = gaps(booking(1, 10_000.0, arrivals="regular", surge=SURGE), 0, 50.0)
    loaded = stream(booking(1, 10_000.0, arrivals="regular", surge=SURGE), load=4.0).until(50.0)[0]
    assert loaded.size == pytest.approx(4 * beat.size, rel=1e-4)
    surging = beat < 5e-5
    assert np.diff(loaded)[np.diff(loaded) < 1.25e-5].sum() == pytest.approx(beat[surging].sum(), rel=1e-2)


@pytest.mark.parametrize("keys", KINDS.values(), ids=KINDS.keys())
def test_replications_and_seeds_differ(keys: dict[str, Any]) -> None:
    first = stream(booking(**keys)).until(1.0)[0].tolist()
    assert stream(booking(**keys), replication=1).until(1.0)[0].tolist() != first
    assert stream(booking(**keys), seed=0).until(1.0)[0].tolist() != first


def test_a_closed_class_has_no_arrivals() -> None:
    closed = Workload(name="manifests", queue_depth=4, request_size=8192)
    with pytest.raises(ValueError, match="'manifests' is closed"):
        stream(closed)
