"""The read cache: Che's approximation against published values and caches walked through, and what is left of reads.

Values and their sources: shared/published/cache.toml.
"""

from collections import OrderedDict

import numpy as np
import pytest

from drives import generic
from oracles.caches import characteristic_time, lru_hit_ratio, static_hit_ratio
from tailrace.answer.run import simulate
from tailrace.engine.choice import runner
from tailrace.errors import ScenarioError
from tailrace.forecast.estimate import estimate
from tailrace.physics.cache import filling_time, popularity_groups
from tailrace.physics.zipf import rank_at, scatter, zipf_law, zipf_probability, zipf_rank
from tailrace.plan.build import build_plan, cached_rates, hit_shares
from tailrace.plan.columns import READ, Stage
from tailrace.plan.read_cache import ReadCachePlan
from tailrace.scenario import parse
from tailrace.scenario.tables.scenario import Scenario
from tailrace.workload.requests import ITEM_BYTES, RequestStream
from tailrace.workload.streams import Streams
from through import ENGINES, exactly, observe, published

CACHE = published("cache")


def scenario(
    items: int, held: int, workload: str = 'request_size = "16 KiB"', controller: str = "", more: str = ""
) -> Scenario:
    """A class over so many items in front of a cache of so many."""
    return parse(f"""
[server.controller]
cores = 4
{controller}
[server.controller.read_cache]
size = "{held * 16} KiB"
{more}
{generic(servers=1000)}
[[workload]]
name = "booking"
{"" if "queue_depth" in workload or "think_time" in workload else 'rate = "1000 /s"'}
span = "{items * 16} KiB"
{workload}
""")


def zipf(size: str = '"16 KiB"', exponent: float = 0.8) -> str:
    return f"request_size = {size}\npopularity = {exponent}"


def plan(given: Scenario, seed: int = 1) -> ReadCachePlan:
    cache = given.server.controller.read_cache  # type: ignore[union-attr]
    assert cache is not None
    return ReadCachePlan(given, cache, seed, cached_rates(given))


def drawn(given: Scenario, count: int, seed: int = 1, place: int = 0):
    workload = given.workload[place]
    streams = Streams(seed, 0, workload.name)
    index = np.arange(count)
    return RequestStream(workload, *given.spans()[place], streams).requests(index, index % workload.clients)


def walked_lru(first: np.ndarray, last: np.ndarray, capacity: int, warm: int) -> float:
    """Share of the requests that find all their items in a least-recently-used cache, walked request by request."""
    held: OrderedDict[int, None] = OrderedDict()
    hits = 0
    for number, (begin, end) in enumerate(zip(first.tolist(), last.tolist(), strict=True)):
        found = True
        for item in range(begin, end + 1):
            if item in held:
                held.move_to_end(item)
            else:
                found = False
                held[item] = None
                if len(held) > capacity:
                    held.popitem(last=False)
        hits += found and number >= warm
    return hits / (first.size - warm)


# Shares of hits


@pytest.mark.parametrize("place", range(3))
def test_the_share_of_hits_is_the_published_one_and_below_that_of_the_most_popular(place: int) -> None:
    # C1, C3
    row = CACHE["C1"]
    held = row["capacity"][place]
    given = scenario(row["items"], held, zipf())
    share = hit_shares(given, 1)["booking"]
    assert share == pytest.approx(exactly(row["hit_ratio"][place]), abs=1e-4)
    assert plan(given).time_s * 1000 == pytest.approx(exactly(row["characteristic_time"][place]), rel=1e-4)
    law = zipf_law(row["items"], 0.8)
    best = static_hit_ratio(zipf_probability(np.arange(row["items"]), law), held)
    assert best == pytest.approx(exactly(CACHE["C3"]["hit_ratio"][place]), abs=1e-4)
    assert share < best


def test_the_reads_of_a_plan_hit_as_often_as_in_a_cache_walked_through() -> None:
    # C1 with requests, addresses and hits as planned, against an LRU cache walked in the test
    row = CACHE["C1"]
    given = scenario(row["items"], 1000, zipf())
    requests = drawn(given, 1_000_000)
    item = requests.address // ITEM_BYTES
    walked = walked_lru(item, item, 1000, warm=100_000)
    hit, _ = plan(given).look_up(given.workload[0], requests)
    # standard error of a share of a million: 0.0005
    assert hit.mean() == pytest.approx(walked, abs=0.002)
    assert walked == pytest.approx(row["simulated_hit_ratio"][1], abs=0.002)


@pytest.mark.parametrize("place", range(3))
def test_a_small_cache_walked_through_is_the_exact_one(place: int) -> None:
    # C4: the walk that other tests are held against
    row = CACHE["C4"]
    items, held = row["items"][place], row["capacity"][place]
    law = zipf_law(items, row["exponent"])
    item = zipf_rank(Streams(3, 0, "exact").uniforms(7, np.arange(400_000)), law)  # type: ignore[arg-type]
    exact = lru_hit_ratio(zipf_probability(np.arange(items), law), held)
    assert exact == pytest.approx(exactly(row["exact"][place]), abs=1e-6)
    assert walked_lru(item, item, held, warm=1000) == pytest.approx(exact, abs=0.004)
    share = hit_shares(scenario(items, held, zipf()), 1)["booking"]
    assert share == pytest.approx(exact, rel=0.02)


def test_four_times_the_cache_about_halves_the_misses() -> None:
    # C5, to a factor of 2
    row = CACHE["C5"]
    small, large = (
        1 - hit_shares(scenario(10**6, held, zipf(exponent=1.0)), 1)["booking"] for held in (25_000, 100_000)
    )
    assert row["miss_factor"] / 2 < large / small < row["miss_factor"] * 2


@pytest.mark.parametrize(
    ("workload", "within"),
    [
        ('request_size = "64 KiB"', 0.004),
        ('request_size = "8 KiB"', 0.004),
        (zipf('"64 KiB"'), 0.004),
        pytest.param(zipf('"8 KiB"'), 0.004, marks=pytest.mark.whole),
        pytest.param(
            zipf('[{size = "8 KiB", share = 0.7}, {size = "64 KiB", share = 0.3}]'),
            0.025,
            marks=pytest.mark.whole,
        ),
        pytest.param(zipf('"48 KiB"'), 0.02, marks=pytest.mark.whole),
        pytest.param(zipf('"64 KiB"') + "\naligned = false", 0.03, marks=pytest.mark.whole),
        (zipf() + "\naligned = false", 0.01),
        ('request_size = "8 KiB"\naligned = false', 0.01),
        ('request_size = "12 KiB"', 0.01),
    ],
    ids=[
        *("alike-64", "alike-8", "popular-64", "popular-8", "mixed", "straddling-48"),
        *("unaligned-64", "unaligned-16", "unaligned-8", "straddling-12"),
    ],
)
def test_requests_of_any_size_hit_as_often_as_in_a_cache_walked_through(workload: str, within: float) -> None:
    given = scenario(8000, 1600, workload)
    requests = drawn(given, 200_000)
    first = requests.address // ITEM_BYTES
    last = (requests.address + requests.size_bytes - 1) // ITEM_BYTES
    walked = walked_lru(first, last, 1600, warm=20_000)
    hit, _ = plan(given).look_up(given.workload[0], requests)
    assert hit.mean() == pytest.approx(walked, abs=within)
    assert hit_shares(given, 1)["booking"] == pytest.approx(walked, abs=within)


def test_classes_share_the_cache_by_their_rates() -> None:
    # two classes at 3 to 1, alike in all else: a walk through their merged requests
    one = 'request_size = "16 KiB"\npopularity = 0.8\nspan = "64 MiB"'
    given = scenario(4096, 1000, zipf() + f'\n[[workload]]\nname = "tickets"\nrate = "3000 /s"\n{one}')
    count = 300_000
    mine, theirs = (drawn(given, count, place=place).address // ITEM_BYTES for place in range(2))
    is_mine = Streams(5, 0, "merge").uniforms(7, np.arange(count)) < 0.25  # type: ignore[arg-type]
    item = np.where(is_mine, mine, theirs)
    held: OrderedDict[int, None] = OrderedDict()
    hits = np.zeros(count, dtype=bool)
    for number, each in enumerate(item.tolist()):
        hits[number] = each in held
        held[each] = None
        held.move_to_end(each)
        if len(held) > 1000:
            held.popitem(last=False)
    warm = np.arange(count) >= count // 10
    shares = hit_shares(given, 1)
    assert shares["booking"] == pytest.approx(hits[warm & is_mine].mean(), abs=0.006)
    assert shares["tickets"] == pytest.approx(hits[warm & ~is_mine].mean(), abs=0.006)
    assert shares["booking"] < shares["tickets"]


@pytest.mark.parametrize(
    ("held", "size", "share"), [(100, "4 KiB", 0.75), (100, "16 KiB", 0.0), (1100, "64 KiB", 1.0)]
)
def test_a_walk_hits_in_items_it_has_begun_or_where_all_of_it_fits(
    held: int, size: str, share: float
) -> None:
    given = scenario(1000, held, f'request_size = "{size}"\npattern = "sequential"')
    requests = drawn(given, 20_000)
    hit, _ = plan(given).look_up(given.workload[0], requests)
    assert hit.mean() == pytest.approx(share, abs=0.001)


def test_a_walk_pushes_out_what_a_class_with_favourites_would_keep() -> None:
    favourites = (
        zipf()
        + '\n[[workload]]\nname = "scan"\nrate = "{} /s"\npattern = "sequential"\nrequest_size = "1 MiB"'
    )
    alone, slow, fast = (
        hit_shares(scenario(10_000, 1000, text), 1)["booking"]
        for text in (zipf(), favourites.format(0.01), favourites.format(100))
    )
    assert alone == pytest.approx(slow, abs=0.001)
    assert fast < 0.5 * alone


def test_what_fits_whole_is_always_found() -> None:
    assert hit_shares(scenario(1000, 1000, zipf()), 1)["booking"] == pytest.approx(1.0, abs=1e-12)
    assert observe(scenario(1000, 1000, zipf()), 300).service_s[:, Stage.MEDIA].max() == 0.0


def test_a_thousand_million_items_are_reckoned_without_listing_them() -> None:
    given = parse(
        f"""
[server.controller]
cores = 4
read_cache = {{size = "64 GiB"}}
{generic(capacity="20 TiB")}
[[workload]]
name = "booking"
rate = "1000 /s"
request_size = "16 KiB"
popularity = 0.9
span = "16 TiB"
"""
    )
    share = hit_shares(given, 1)["booking"]
    hit, _ = plan(given).look_up(given.workload[0], drawn(given, 200_000))
    assert hit.mean() == pytest.approx(share, abs=4 * 0.5 / 200_000**0.5)


def test_one_time_for_all_is_that_of_independent_requests_where_both_are_known() -> None:
    groups = popularity_groups(zipf_law(10_000, 0.8))

    def held(time_s: float) -> float:
        return float(np.sum(groups.counts * -np.expm1(-groups.shares * time_s)))

    known = characteristic_time(groups.shares, 1000.0, groups.counts)
    assert filling_time(held, 1000.0) == pytest.approx(known, rel=1e-9)
    assert filling_time(held, 10_001.0) == np.inf
    with pytest.raises(ValueError, match="capacity"):
        filling_time(held, 0.0)


@pytest.mark.parametrize("items", [1, 2, 3, 17, 1000, 65_537, 10**11])
def test_the_rank_at_a_place_is_the_one_that_was_scattered_there(items: int) -> None:
    rank = np.unique(np.linspace(0, items - 1, 1000).astype(np.int64))
    assert (rank_at(scatter(rank, items, 7), items, 7) == rank).all()
    with pytest.raises(ValueError, match="places"):
        rank_at(items, items, 7)
    with pytest.raises(ValueError, match="items"):
        rank_at(0, 0, 7)


# What is left for the drives


def test_what_misses_is_less_popular_than_what_arrives() -> None:
    given = scenario(10_000, 1000, zipf())
    requests = drawn(given, 50_000)
    hit, _ = plan(given).look_up(given.workload[0], requests)
    key = int(Streams(1, 0, "booking").key(8))  # type: ignore[arg-type]
    rank = rank_at(requests.address // ITEM_BYTES, 10_000, key)
    assert np.median(rank[~hit]) > 2 * np.median(rank)
    hottest = rank < 10
    assert hit[hottest].mean() > 0.98
    assert hottest[~hit].mean() < 0.02 * hottest.mean()


def test_a_miss_fetches_whole_items_and_no_more_than_the_span() -> None:
    text = scenario(1000, 10, 'request_size = "5000 B"\naligned = false')
    requests = drawn(text, 5000)
    hit, fetched = plan(text).look_up(text.workload[0], requests)
    begin, end = fetched.address[~hit], (fetched.address + fetched.size_bytes)[~hit]
    assert (begin % ITEM_BYTES == 0).all()
    assert (end % ITEM_BYTES == 0).all()
    assert end.max() <= 1000 * ITEM_BYTES
    straddling = requests.address // ITEM_BYTES < (requests.address + 4999) // ITEM_BYTES
    assert set(np.unique((end - begin)[straddling[~hit]])) == {ITEM_BYTES, 2 * ITEM_BYTES}


def test_a_hit_costs_network_and_controller_alone_and_a_miss_its_drive_as_well() -> None:
    # by hand: 7 us in, 2 us out, 1 us for a drive operation, 1 ms at the drive; copying 16 KiB at 8 GB/s
    costs = 'per_request = "7 us"\nper_completion = "2 us"\nper_disk_operation = "1 us"\nvariability = 0.0\n'
    costs += 'copy_rate = "8 GB/s"'
    given = scenario(1000, 500, 'think_time = "1 s"\n' + zipf(), costs)
    latency = observe(given, 2000).latency_s
    found = 9e-6 + 16384 / 8e9
    hits = latency < 0.5e-3
    assert latency[hits] == pytest.approx(np.full(hits.sum(), found), abs=1e-10)
    assert latency[~hits] == pytest.approx(np.full((~hits).sum(), found + 1e-6 + 1e-3), abs=1e-10)
    share = hit_shares(given, 1)["booking"]
    assert abs(hits.mean() - share) < 4 * (share * (1 - share) / 2000) ** 0.5


def test_writes_go_through_and_count_as_requests() -> None:
    given = scenario(1000, 500, zipf() + "\nread_share = 0.5")
    assert hit_shares(given, 1) == hit_shares(scenario(1000, 500, zipf()), 1)
    observed = observe(given, 2000)
    assert observed.service_s[observed.kind != READ, Stage.MEDIA].min() > 0.9e-3
    assert observed.service_s[observed.kind == READ, Stage.MEDIA].min() == 0.0


def test_a_share_of_hits_given_outright_holds_for_every_class() -> None:
    given = scenario(10**6, 10, zipf(), more="hit_share = 0.3")
    observed = observe(given, 4000)
    assert (observed.service_s[:, Stage.MEDIA] == 0).mean() == pytest.approx(
        0.3, abs=4 * (0.21 / 4000) ** 0.5
    )
    assert hit_shares(given, 1)["booking"] == 0.3


# Rates of closed classes, and the answer


def test_a_closed_class_counts_with_its_asymptotic_bound() -> None:
    # 1 ms at 1,000 servers: one client at a time asks 1,000 times a second; 10 with 9 ms of thinking as often
    one = scenario(1000, 100, 'queue_depth = 1\nrequest_size = "16 KiB"')
    assert cached_rates(one)["booking"] == pytest.approx(1000, rel=1e-6)
    ten = scenario(1000, 100, 'clients = 10\nthink_time = "9 ms"\nrequest_size = "16 KiB"')
    assert cached_rates(ten)["booking"] == pytest.approx(1000, rel=1e-6)
    bound = parse(
        """
[server.controller]
cores = 4
read_cache = {size = "1 GiB"}
[server]
media = "spinning-7200"
[[workload]]
name = "booking"
queue_depth = 64
request_size = "16 KiB"
"""
    )
    rate = cached_rates(bound)["booking"]
    assert rate == pytest.approx(1 / (8.5e-3 + 0.5 / 120 + 16384 / 185e6), rel=0.01)


def test_the_answer_names_the_share_of_hits_and_closed_forms_agree_with_it() -> None:
    settings = 'think_time = "0.1 s"\nclients = 4\n' + zipf()
    result = simulate(
        scenario(10_000, 1000, settings).model_copy(update={"run": parse_run()}),
        workers=1,
    )
    assert any(note.startswith("booking: 43.7 % of the reads") for note in result.notes)
    mean = result.classes[0].all.latency_s["mean"].value
    assert mean == pytest.approx(0.5634e-3, rel=0.1)
    closed = estimate(scenario(10_000, 1000, zipf())).classes["booking"]
    assert closed.mean_s == pytest.approx(0.5634e-3, rel=0.05)


def parse_run():
    return scenario(
        100, 10, zipf() + "\n[run]\nseed = 1\nrequests = 1000\nprecision = 0.5\nreplications = 4"
    ).run


@pytest.mark.parametrize(("key", "value"), [("hit_share", "1.5"), ("size", '"1 KiB"'), ("units", "1")])
def test_a_read_cache_that_cannot_be_is_refused(key: str, value: str) -> None:
    with pytest.raises(ScenarioError, match=f"server.controller.read_cache.{key}"):
        parse(
            '[server.controller]\ncores = 1\nread_cache = {size = "1 GiB"}\n[server]\nmedia = "spinning-7200"\n'
            '[[workload]]\nname = "a"\nrate = "1 /s"\nrequest_size = "8 KiB"',
            overrides=[f"server.controller.read_cache.{key}={value}"],
        )


def test_blocks_of_any_size_hit_alike() -> None:
    given = scenario(1000, 300, zipf() + "\nread_share = 0.6")
    whole, pieces = (
        runner(ENGINES[0])(build_plan(given, 1, 0, rows=rows), 500).completion_s for rows in (4096, 7)
    )
    np.testing.assert_array_equal(whole, pieces)


@pytest.mark.skipif(len(ENGINES) < 2, reason="needs the compiled engine")
def test_both_engines_give_the_same_bits_with_a_read_cache() -> None:
    given = scenario(1000, 300, zipf('"64 KiB"') + "\nread_share = 0.6")
    one, other = (runner(engine)(build_plan(given, 1, 0), 1500) for engine in ENGINES)
    for name in ("completion_s", "wait_s", "service_s"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))
