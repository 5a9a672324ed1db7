"""What the requests of a class ask for: sizes, kinds and addresses."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import stats

from tailrace.physics.zipf import scatter
from tailrace.scenario import SizeShare, Workload
from tailrace.workload.requests import Requests, RequestStream
from tailrace.workload.streams import Purpose, Streams

KIB = 1024
ITEM = 16 * KIB
MIX = (
    SizeShare(size=8 * KIB, share=0.7),
    SizeShare(size=4 * KIB, share=0.1),
    SizeShare(size=64 * KIB, share=0.2),
)


def booking(**keys: Any) -> Workload:
    return Workload(**{"name": "booking", "rate": 100.0, "request_size": 8 * KIB, **keys})


def stream(
    workload: Workload,
    span: int,
    start: int = 0,
    client: int | None = None,
    replication: int = 0,
    seed: int = 7,
) -> RequestStream:
    return RequestStream(workload, start, span, Streams(seed, replication, workload.name, client))


def drawn(workload: Workload, count: int, span: int, start: int = 0, **keys: Any) -> Requests:
    index = np.arange(count)
    return stream(workload, span, start, **keys).requests(index, index % workload.clients)


def test_sizes_come_by_their_shares_and_the_check_would_notice_a_hundredth() -> None:
    requests = drawn(booking(request_size=MIX), 100_000, 2**30)
    seen = [int((requests.size_bytes == part.size).sum()) for part in MIX]
    assert sum(seen) == 100_000
    assert stats.chisquare(seen, [70_000, 10_000, 20_000]).pvalue > 1e-4
    assert stats.chisquare(seen, [71_000, 9_000, 20_000]).pvalue < 1e-4


@pytest.mark.parametrize("read_share", [0.0, 0.3, 0.7, 1.0])
def test_reads_come_by_their_share_and_certainty_is_certain(read_share: float) -> None:
    reads = drawn(booking(read_share=read_share), 100_000, 2**30).read.mean()
    assert abs(reads - read_share) <= 4 * np.sqrt(read_share * (1 - read_share) / 100_000)


def test_size_kind_and_place_of_a_request_are_independent() -> None:
    requests = drawn(booking(request_size=MIX, read_share=0.5), 100_000, 2**30)
    early = requests.address < 2**29
    for one, other in ((requests.read, early), (requests.read, requests.size_bytes == 8 * KIB)):
        table = np.bincount(2 * one.astype(int) + other, minlength=4).reshape(2, 2)
        assert stats.chi2_contingency(table).pvalue > 1e-4
    assert stats.kstest(requests.address[requests.size_bytes == 4 * KIB] / 2**30, "uniform").pvalue > 1e-3


SIZES = st.lists(st.integers(1, 40).map(lambda k: 512 * k), min_size=1, max_size=3)


@st.composite
def classes(
    draw: st.DrawFn, patterns: tuple[str, ...] = ("random", "sequential")
) -> tuple[Workload, int, int]:
    """A class, the span it touches and where that starts."""
    sizes = draw(SIZES)
    clients = draw(st.integers(1, 4))
    pattern = draw(st.sampled_from(patterns))
    popular = pattern == "random" and draw(st.booleans())
    workload = booking(
        request_size=tuple(SizeShare(size=size, share=1 / len(sizes)) for size in sizes),
        clients=clients,
        pattern=pattern,
        aligned=draw(st.booleans()),
        popularity=draw(st.floats(0.1, 2.0)) if popular else None,
    )
    span = clients * max(sizes) + draw(st.integers(0, 200_000))
    return workload, span, draw(st.integers(0, 10**9))


@settings(max_examples=300)
@given(classes())
def test_every_request_lies_within_the_span_of_its_class(case: tuple[Workload, int, int]) -> None:
    workload, span, start = case
    requests = drawn(workload, 300, span, start)
    assert requests.address.min() >= start
    assert (requests.address + requests.size_bytes).max() <= start + span
    if workload.pattern == "sequential":  # and each client within its own share
        inside = requests.address - start - requests.client * (span // workload.clients)
        slack = 0 if not workload.aligned else workload.clients * workload.largest_size
        assert inside.min() >= -slack
        assert (inside + requests.size_bytes).max() <= span // workload.clients


@settings(max_examples=200)
@given(classes(patterns=("random",)))
def test_aligned_random_requests_start_at_multiples_of_their_size_and_others_at_sectors(
    case: tuple[Workload, int, int],
) -> None:
    workload, span, start = case
    requests = drawn(workload, 300, span, start)
    grain = requests.size_bytes if workload.aligned else 512
    assert not np.any((requests.address - start) % grain)


@settings(max_examples=150)
@given(case=classes(patterns=("random",)), order=st.permutations(range(40)))
def test_a_random_request_does_not_depend_on_those_before_it(
    case: tuple[Workload, int, int], order: list[int]
) -> None:
    workload, span, start = case
    together = drawn(workload, 40, span, start)
    index = np.array(order)
    again = stream(workload, span, start).requests(index, index % workload.clients)
    for name in ("size_bytes", "address", "read"):
        assert getattr(again, name).tolist() == getattr(together, name)[index].tolist()
    assert again.uniforms(Purpose.INTAKE, 3).tolist() == together.uniforms(Purpose.INTAKE, 3)[index].tolist()


@settings(max_examples=150)
@given(case=classes(), cuts=st.lists(st.integers(0, 60), max_size=4).map(sorted))
def test_requests_are_the_same_however_the_stream_is_cut_into_blocks(
    case: tuple[Workload, int, int], cuts: list[int]
) -> None:
    workload, span, start = case
    together = drawn(workload, 60, span, start)
    blocks, index = stream(workload, span, start), np.arange(60)
    parts = [blocks.requests(part, part % workload.clients) for part in np.split(index, cuts) if part.size]
    for name in ("size_bytes", "address", "read", "client"):
        pieced = np.concatenate([getattr(part, name) for part in parts])
        assert pieced.tolist() == getattr(together, name).tolist()


def test_random_addresses_are_uniform_over_all_places_the_last_included() -> None:
    places = 1000
    span = places * 8 * KIB + 8 * KIB - 1  # the rest holds no whole request
    requests = drawn(booking(), 100_000, span, start=4096)
    seen = np.bincount((requests.address - 4096) // (8 * KIB), minlength=places)
    assert seen.size == places
    assert stats.chisquare(seen).pvalue > 1e-4


def test_unaligned_addresses_reach_the_very_end_of_the_span() -> None:
    span = 16 * KIB
    requests = drawn(booking(aligned=False), 10_000, span)
    seen = np.bincount(requests.address // 512, minlength=17)
    assert seen.size == 17
    assert stats.chisquare(seen).pvalue > 1e-4


# Sequential


def shares_walked(workload: Workload, count: int, span: int, start: int = 0) -> list[Requests]:
    """The requests of each client, in its own order."""
    requests = drawn(workload, count, span, start)
    return [requests.where(requests.client == client) for client in range(workload.clients)]


def test_a_sequential_client_walks_its_own_share_and_wraps() -> None:
    walk = booking(clients=3, pattern="sequential")
    share = 20 * 8 * KIB
    for client, mine in enumerate(shares_walked(walk, 3 * 50, 3 * share + 3 * 8 * KIB - 1, start=1_000_000)):
        place, rest = np.divmod(mine.address - 1_000_000 - client * share, 8 * KIB)
        assert place.tolist() == [(place[0] + step) % 20 for step in range(50)]
        assert not rest.any()


def test_sequential_clients_start_anywhere_in_their_shares_each_for_itself_and_each_replication_anew() -> (
    None
):
    walk = booking(clients=50, pattern="sequential")
    share = 100 * 8 * KIB
    first = []
    for replication in range(20):
        requests = drawn(walk, 50, 50 * share, replication=replication)
        first.append((requests.address % share) // (8 * KIB))
    assert stats.chisquare(np.bincount(np.concatenate(first), minlength=100)).pvalue > 1e-4
    assert first[0].tolist() != first[1].tolist()


def test_sequential_requests_of_mixed_sizes_follow_each_other_without_gaps_until_they_wrap() -> None:
    walk = booking(clients=2, pattern="sequential", request_size=MIX)
    share = 4 * 1024 * KIB
    for client, mine in enumerate(shares_walked(walk, 2000, 2 * share)):
        end = mine.address + mine.size_bytes
        follows = mine.address[1:] == end[:-1]
        wraps = mine.address[1:] - client * share < 64 * KIB  # from the beginning again
        moved = end[1:] == (client + 1) * share  # back from the end, to lie within the share
        assert np.all(follows | wraps | moved)
        passes = mine.size_bytes.sum() / share
        assert (~follows).sum() <= 2 * passes + 2
        assert passes > 2


def test_a_client_with_a_source_of_its_own_walks_the_same_share_from_the_same_start() -> None:
    walk = Workload(name="manifests", clients=4, queue_depth=8, pattern="sequential", request_size=64 * KIB)
    span = 4 * 100 * 64 * KIB
    together = drawn(walk, 400, span)
    for client in range(4):
        index = np.arange(100)
        alone = stream(walk, span, client=client).requests(index, np.full(100, client))
        assert alone.address.tolist() == together.address[together.client == client].tolist()


def test_a_client_with_a_source_of_its_own_draws_what_no_other_client_draws() -> None:
    walk = Workload(
        name="manifests", clients=2, queue_depth=8, pattern="sequential", request_size=MIX, read_share=0.5
    )
    index = np.arange(200)
    sources = [stream(walk, 2**30, client=client).requests(index, np.full(200, client)) for client in (0, 1)]
    assert sources[0].size_bytes.tolist() != sources[1].size_bytes.tolist()
    assert sources[0].read.tolist() != sources[1].read.tolist()
    one, other = (each.uniforms(Purpose.INTAKE) for each in sources)
    assert not np.isin(one, other).any()


# Popularity


def popular(exponent: float, size: int, items: int, count: int = 200_000, **keys: Any) -> NDArray[np.int64]:
    """Addresses of requests over ``items`` items."""
    return drawn(booking(popularity=exponent, request_size=size), count, items * ITEM, **keys).address


def zipf(items: int, exponent: float) -> NDArray[np.float64]:
    """Probability of each rank: Zipf, Human Behavior and the Principle of Least Effort, 1949 (from memory)."""
    weight = np.arange(1, items + 1, dtype=np.float64) ** -exponent
    return weight / weight.sum()


def place_of_rank(items: int, seed: int = 7) -> NDArray[np.int64]:
    return scatter(np.arange(items), items, int(Streams(seed, 0, "booking").key(Purpose.SCATTER)))


@pytest.mark.parametrize("exponent", [0.6, 0.8, 1.2])
def test_items_are_asked_for_by_zipfs_law(exponent: float) -> None:
    items = 1000
    seen = np.bincount(popular(exponent, ITEM, items) // ITEM, minlength=items)[place_of_rank(items)]
    assert stats.chisquare(seen, 200_000 * zipf(items, exponent)).pvalue > 1e-4
    assert (
        stats.chisquare(seen, 200_000 * zipf(items, exponent * 1.03)).pvalue < 1e-4
    )  # and it would notice 3 %


def test_popular_items_are_scattered_over_the_span() -> None:
    place = place_of_rank(10_000)
    assert sorted(place) == list(range(10_000))
    assert abs(stats.spearmanr(np.arange(10_000), place).statistic) < 4 / np.sqrt(10_000)
    seen = np.bincount(popular(1.2, ITEM, 10_000) // ITEM, minlength=10_000)
    top = np.sort(np.argsort(seen)[-100:])
    assert stats.kstest(top / 10_000, "uniform").pvalue > 1e-3
    assert np.diff(top).max() > 100


def test_what_is_popular_is_the_same_in_all_replications_and_another_at_another_seed() -> None:
    def top(**keys: Any) -> list[int]:
        seen = np.bincount(popular(1.2, ITEM, 1000, **keys) // ITEM, minlength=1000)
        return np.argsort(seen)[:-6:-1].tolist()

    assert top() == top(replication=1)
    assert top() != top(seed=8)
    assert popular(1.2, ITEM, 1000).tolist() != popular(1.2, ITEM, 1000, replication=1).tolist()


def test_small_requests_spread_evenly_within_a_popular_item() -> None:
    address = popular(1.2, 4 * KIB, 1000)
    best = place_of_rank(1000)[0]
    inside = address[address // ITEM == best] % ITEM // (4 * KIB)
    assert inside.size > 10_000
    assert stats.chisquare(np.bincount(inside, minlength=4)).pvalue > 1e-4


def test_unaligned_requests_of_any_size_start_at_any_sector_of_an_item() -> None:
    workload = booking(popularity=1.2, request_size=64 * KIB, aligned=False)
    address = drawn(workload, 100_000, 1000 * ITEM).address
    best = place_of_rank(1000)[0]
    sector = address[address // ITEM == best] % ITEM // 512
    assert stats.chisquare(np.bincount(sector, minlength=32)).pvalue > 1e-4


def test_a_large_request_is_as_popular_as_all_the_items_that_it_covers() -> None:
    items = 1024
    seen = np.bincount(popular(0.8, 64 * KIB, items) // (64 * KIB), minlength=items // 4)
    probability = np.empty(items)
    probability[place_of_rank(items)] = zipf(items, 0.8)
    assert stats.chisquare(seen, 200_000 * probability.reshape(-1, 4).sum(axis=1)).pvalue > 1e-4


def test_popularity_over_a_span_shorter_than_an_item_still_stays_inside() -> None:
    address = drawn(booking(popularity=0.8, request_size=4 * KIB), 1000, 10 * KIB).address
    assert set(address.tolist()) == {0, 4 * KIB}


# The columns


def test_a_selection_keeps_the_order_and_every_further_draw() -> None:
    requests = drawn(booking(request_size=MIX, read_share=0.5), 1000, 2**30)
    chosen = requests.where(~requests.read)
    assert len(chosen) == int((~requests.read).sum())
    assert chosen.index.tolist() == np.flatnonzero(~requests.read).tolist()
    draws = requests.uniforms(Purpose.COMPLETION, 2)[~requests.read]
    assert chosen.uniforms(Purpose.COMPLETION, 2).tolist() == draws.tolist()
    assert not chosen.read.any()


def test_another_class_or_replication_or_seed_asks_for_something_else() -> None:
    first = drawn(booking(), 100, 2**30).address.tolist()
    assert drawn(booking(name="manifests"), 100, 2**30).address.tolist() != first
    assert drawn(booking(), 100, 2**30, replication=1).address.tolist() != first
    assert drawn(booking(), 100, 2**30, seed=0).address.tolist() != first
