"""Several servers: where pieces lie, what copies, quorums and choices cost, and what theory says of them."""

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.stats import binom, chi2

from drives import flash, generic, spinning
from same import assert_same
from tailrace.engine.choice import runner
from tailrace.engine.reference import run_reference
from tailrace.errors import ScenarioError
from tailrace.forecast.estimate import estimate
from tailrace.forecast.saturation import offered_load
from tailrace.forecast.servers import server_shares
from tailrace.physics.rendezvous import highest_weights
from tailrace.plan.build import build_plan, sample_demands
from tailrace.scenario import parse
from tailrace.scenario.tables.scenario import Scenario
from tailrace.study.compare_conditions import compare_conditions
from tailrace.theory import OutsideValidityError, least_busy_response_mean
from through import ENGINE, ENGINES, Printed, assert_agrees, found, long_run, observe, printed, samples

KEY = 0x1234_5678_9ABC_DEF0

# Where pieces lie


@pytest.mark.parametrize(("servers", "copies"), [(6, 3), (10, 1), (100, 3)])
def test_pieces_are_spread_as_evenly_as_chance_spreads_them(servers: int, copies: int) -> None:
    pieces = 15_000 * servers // copies
    held = np.bincount(highest_weights(KEY, np.arange(pieces), servers, copies).ravel(), minlength=servers)
    law = binom(pieces, copies / servers)
    assert np.abs(held / law.mean() - 1.0).max() < 0.03
    # Pearson's statistic: as wide as binomial counts, neither wider nor (a pattern) narrower.
    statistic = float((((held - law.mean()) / law.std()) ** 2).sum()) * (servers - 1) / servers
    low, high = chi2(servers - 1).ppf([1e-4, 1 - 1e-4])
    assert low < statistic < high


def test_copies_lie_on_different_servers_and_every_server_is_as_often_the_first() -> None:
    sets = highest_weights(KEY, np.arange(60_000), 6, 3)
    assert np.all(np.diff(np.sort(sets, axis=1), axis=1) > 0)
    assert np.abs(np.bincount(sets[:, 0]) / 10_000 - 1.0).max() < 0.03
    pairs = np.bincount(sets[:, 0] * 6 + sets[:, 1], minlength=36).reshape(6, 6)
    assert np.abs(pairs[~np.eye(6, dtype=bool)] / 2_000 - 1.0).max() < 0.1  # every pair as often


@given(st.integers(2, 40), st.integers(1, 5), st.integers(0, 2**64 - 1))
def test_a_server_that_is_added_takes_pieces_and_moves_no_other(servers: int, copies: int, key: int) -> None:
    copies = min(copies, servers)
    before, after = (highest_weights(key, np.arange(500), each, copies) for each in (servers, servers + 1))
    for one, other in zip(before.tolist(), after.tolist(), strict=True):
        assert [each for each in other if each != servers] == one[: copies - (servers in other)]


def test_adding_a_server_moves_no_more_than_its_share() -> None:
    before, after = (highest_weights(KEY, np.arange(60_000), each, 1) for each in (10, 11))
    assert (before != after).mean() < 1.5 / 11
    assert (before != after).mean() > 0.8 / 11


# One request on idle servers, and bytes at every port, by hand

PORT = 1.25e9  # bytes a second
HEADER_S, DATA_S = 162 / PORT, (8192 + 6 * 90) / PORT  # 72 + 90 bytes; 8 KiB in six frames


def servers(cluster: str = "", workload: str = "", size: str = "8 KiB") -> Scenario:
    """Six servers of two drives behind 10 Gbit/s."""
    return parse(f"""
[server.network]
rate = "10 Gbit/s"
round_trip = "60 us"
[server.controller]
cores = 8
per_request = "5 us"
per_completion = "2 us"
per_disk_operation = "1 us"
variability = 0
{generic("constant", "100 us", count=2, capacity="1 TiB")}
[cluster]
servers = 6
{cluster}
[[workload]]
name = "booking"
rate = "10 /s"
request_size = "{size}"
{workload}
""")


IDLE_READ_S = HEADER_S + 30e-6 + 6e-6 + 100e-6 + 2e-6 + DATA_S + 30e-6


@pytest.mark.parametrize("reads_from", ["first", "any", "least busy"])
@pytest.mark.parametrize("engine", ENGINES)
def test_a_read_goes_to_one_server_and_costs_what_it_costs_there(reads_from: str, engine: str) -> None:
    scenario = servers(f'copies = 3\nreads_from = "{reads_from}"', "read_share = 1")
    observed = runner(engine)(build_plan(scenario, 3, 0), 40)  # type: ignore[arg-type]
    assert np.median(observed.latency_s) == pytest.approx(IDLE_READ_S, abs=1e-12)
    assert observed.latency_s.min() == pytest.approx(IDLE_READ_S, abs=1e-12)


STORED_S = 6e-6 + 100e-6 + 2e-6  # taken in, written, answered


@pytest.mark.parametrize(("done_after", "hops"), [(1, 0), (2, 1), (3, 1)])
def test_a_write_is_passed_on_by_the_first_server(done_after: int, hops: int) -> None:
    # The first sends two copies side by side through its port, so each takes twice as long; the two answers cross the
    # network at the same time and meet at its port.
    scenario = servers(f"copies = 3\ndone_after = {done_after}", "read_share = 0")
    there = 2e-6 + 2 * DATA_S + 30e-6 + DATA_S
    back = HEADER_S + 30e-6 + 2 * HEADER_S + 5e-6
    whole = DATA_S + 30e-6 + STORED_S + HEADER_S + 30e-6
    expected = whole + hops * (there + STORED_S + back)
    if hops:
        expected -= 100e-6  # the first writes its own meanwhile
    observed = observe(scenario, 30)
    assert np.median(observed.latency_s) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("done_after", [1, 3])
def test_a_client_sends_to_all(done_after: int) -> None:
    scenario = servers(f'copies = 3\ncopied_by = "client"\ndone_after = {done_after}', "read_share = 0")
    expected = DATA_S + 30e-6 + STORED_S + HEADER_S + 30e-6
    assert np.median(observe(scenario, 30).latency_s) == pytest.approx(expected, abs=1e-12)


def bytes_at(scenario: Scenario, bank: str) -> float:
    """Wire bytes that one request moves through all ports of that name."""
    stations, demands = sample_demands(scenario, 3)
    (mine,) = (each for each in stations.banks if each.name == bank)
    return float(demands["booking"].service_s[mine.first : mine.first + mine.count].sum()) * PORT


@pytest.mark.parametrize(
    ("keys", "into", "out"),
    [
        # the client's data, two copies, and two answers; two copies, two answers, and the answer to the client
        ("copies = 3", 3 * 8732 + 2 * 162, 2 * 8732 + 3 * 162),
        ('copies = 3\ncopied_by = "client"', 3 * 8732, 3 * 162),
        ("copies = 3\nfailed = 2", None, None),
        ("", 8732, 162),
    ],
)
def test_a_write_moves_as_many_bytes_through_the_ports_as_on_paper(
    keys: str, into: int | None, out: int | None
) -> None:
    scenario = servers(keys, "read_share = 0")
    if into is None:
        # Of three copies on six servers of which two are down, 2 on average are up.
        assert bytes_at(scenario, "network in") == pytest.approx(2 * 8732 + 162, rel=0.01)
        return
    assert bytes_at(scenario, "network in") == pytest.approx(into, rel=1e-9)
    assert bytes_at(scenario, "network out") == pytest.approx(out, rel=1e-9)


def test_ports_between_servers_carry_the_copies_and_spare_those_to_the_clients() -> None:
    scenario = servers('copies = 3\n[cluster.network]\nrate = "10 Gbit/s"', "read_share = 0")
    assert bytes_at(scenario, "network in") == pytest.approx(8732)
    assert bytes_at(scenario, "network out") == pytest.approx(162)
    assert bytes_at(scenario, "network out between servers") == pytest.approx(2 * 8732 + 2 * 162)
    assert bytes_at(scenario, "network in between servers") == pytest.approx(2 * 8732 + 2 * 162)


def test_a_large_request_is_cut_at_pieces() -> None:
    scenario = servers('piece = "64 KiB"', "read_share = 1", size="256 KiB")
    # Four pieces, each a header in and 64 KiB in 46 frames out.
    assert bytes_at(scenario, "network in") == pytest.approx(4 * 162)
    assert bytes_at(scenario, "network out") == pytest.approx(4 * (65536 + 46 * 90))


# Theory


def stores(servers: int, rate_per_s: float, cluster: str, workload: str, size: str = "8 KiB") -> Scenario:
    """Servers of one drive with services of 1 ms on average and nothing before it."""
    return parse(f"""
{generic("exponential", "1 ms", capacity="64 TiB")}
[cluster]
servers = {servers}
{cluster}
[[workload]]
name = "booking"
rate = "{rate_per_s} /s"
request_size = "{size}"
{workload}
""")


@pytest.mark.parametrize(
    ("needed", "copies", "means"),
    [(2, 3, "5/6"), (3, 3, "11/6"), (4, 6, "19/20")],
)
def test_a_quorum_at_light_load_takes_as_long_as_an_order_statistic(
    needed: int, copies: int, means: str
) -> None:
    # The k-th of n exponential times takes H_n - H_(n-k) means (David and Nagaraja, Order Statistics, 3rd ed. 2003,
    # section 2.5, from memory): 0.8333, 1.8333 and 0.95.
    keys = f'copies = {copies}\ndone_after = {needed}\ncopied_by = "client"'
    scenario = stores(40, 4.0, keys, "read_share = 0")  # each server is busy for 1 % of the time at most
    sampled = samples(scenario, 3000)
    mean = found(scenario, sampled).latency_s["mean"]
    assert_agrees(mean, printed(means) * 1e-3)


@pytest.mark.parametrize(("copies", "rho", "means", "within"), [(2, 0.5, 2.875, 0.0), (4, 0.5, 3.84, 0.02)])
def test_writes_on_all_copies_are_a_fork_and_a_join(
    copies: int, rho: float, means: float, within: float
) -> None:
    # K M/M/1 stations: (12 - rho) / 8 / (mu - lambda) is exact for two (Flatto and Hahn, SIAM J. Applied Mathematics
    # 44, 1984; Nelson and Tantawi, IEEE Trans. Computers 37(6), 739-743, 1988, who approximate others: 3.790 for four,
    # where their own formula is good to 5 %, and a simulation by itself gave 3.84).
    keys = f'copies = {copies}\ncopied_by = "client"'
    scenario = stores(copies, rho * 1e3, keys, "read_share = 0")
    mean = found(scenario, samples(scenario, 10_000)).latency_s["mean"]
    assert mean.value is not None
    if within:
        assert mean.value == pytest.approx(means * 1e-3, rel=within)
    else:
        assert_agrees(mean, means * 1e-3)


def test_the_law_of_the_least_busy_of_so_many() -> None:
    # d = 2 as in the sources below; d = 1 is M/M/1.
    two = least_busy_response_mean(2, [0.5, 0.9], 1.0)
    np.testing.assert_allclose(two, [1.2657, 2.6141], atol=5e-5)
    assert least_busy_response_mean(1, 0.9, 1.0) == pytest.approx(10.0)
    assert np.all(np.diff(least_busy_response_mean([1, 2, 3, 4], 0.9, 1.0)) < 0)
    with pytest.raises(OutsideValidityError):
        least_busy_response_mean(2, 1.0, 1.0)


@long_run
@pytest.mark.parametrize(
    ("rho", "means", "requests"),
    [(0.5, 1.2657, 8_000), pytest.param(0.9, 2.6141, 30_000, marks=pytest.mark.whole)],
)
def test_reads_of_the_least_busy_of_two_copies_follow_the_mean_field_law(
    rho: float, means: float, requests: int
) -> None:
    # Vvedenskaya, Dobrushin and Karpelevich, Problems of Information Transmission 32(1), 1996; Mitzenmacher, IEEE
    # Trans. Parallel and Distributed Systems 12(10), 2001 (from memory). It holds as the number of servers grows;
    # what is lacking with 200 of them is of the order of one in 200.
    count = 200
    scenario = stores(count, rho * 1e3 * count, 'copies = 2\nreads_from = "least busy"', "read_share = 1")
    mean = found(scenario, samples(scenario, requests)).latency_s["mean"]
    assert_agrees(mean, Printed(means * 1e-3, means * 1e-3 / count))
    said = estimate(scenario).classes["booking"]
    assert said.mean_s == pytest.approx(means * 1e-3, rel=1e-4)
    assert "mean-field" in said.method
    assert not said.exact_mean


def test_reads_of_the_first_copy_are_queues_by_themselves() -> None:
    # M/M/1 at every server: 1 / (mu - lambda).
    scenario = stores(8, 4000.0, 'copies = 2\nreads_from = "any"', "read_share = 1")
    assert_agrees(found(scenario, samples(scenario, 12_000)).latency_s["mean"], 2e-3)


# Codes

CODED = 'code = {data = 4, parity = 2}\npiece = "64 KiB"'


@pytest.mark.parametrize("copied_by", ["client", "server"])
def test_a_coded_read_gathers_the_pieces_that_it_touches(copied_by: str) -> None:
    keys = f'{CODED}\ncopied_by = "{copied_by}"'
    assert np.median(observe(servers(keys, "read_share = 1"), 20).latency_s) == pytest.approx(IDLE_READ_S)
    whole = servers(keys, "read_share = 1", size="256 KiB")
    assert visits_of_servers(whole, "drive").sum() == pytest.approx(4)
    # The same from a set of which some servers are down: as many others in their place.
    down = servers(f"{keys}\nfailed = 2", "read_share = 1", size="256 KiB")
    assert visits_of_servers(down, "drive").sum() == pytest.approx(4)
    assert not visits_of_servers(down, "drive")[4:].any()
    # A small read needs all four others where its own is down: one of six, so 5/6 + 4/6 on average.
    small = servers(f"{keys}\nfailed = 1", "read_share = 1")
    assert visits_of_servers(small, "drive").sum() == pytest.approx(5 / 6 + 4 / 6, rel=0.02)


def test_a_small_coded_write_reads_and_writes_its_piece_and_the_parity_over_the_network() -> None:
    # Three pieces, read and written; the first server, which the client sends to, holds one of them half of the time.
    scenario = servers(CODED, "read_share = 0")
    away = 2.5
    assert visits_of_servers(scenario, "drive").sum() == pytest.approx(6)
    assert bytes_at(scenario, "network in") == pytest.approx(8732 + 2 * away * (8732 + 162), rel=0.01)
    assert bytes_at(scenario, "network out") == pytest.approx(162 + 2 * away * (8732 + 162), rel=0.01)
    by_client = servers(f'{CODED}\ncopied_by = "client"', "read_share = 0")
    assert bytes_at(by_client, "network in") == pytest.approx(3 * (162 + 8732))
    assert bytes_at(by_client, "network out") == pytest.approx(3 * (8732 + 162))
    # A trip to read, and one to write.
    expected = IDLE_READ_S + DATA_S + 30e-6 + STORED_S + HEADER_S + 30e-6
    assert np.median(observe(by_client, 20).latency_s) == pytest.approx(expected, abs=1e-12)


def test_a_write_of_a_whole_set_reads_nothing() -> None:
    scenario = servers(f'{CODED}\ncopied_by = "client"', "read_share = 0", size="256 KiB")
    assert visits_of_servers(scenario, "drive").sum() == pytest.approx(6)
    assert bytes_at(scenario, "network in") == pytest.approx(6 * (65536 + 46 * 90))


def test_a_coded_write_is_done_with_as_many_pieces_as_give_it_back() -> None:
    # Four of six exponential times: H_6 - H_2 = 0.95 means, as above.
    keys = f'{CODED}\ndone_after = 4\ncopied_by = "client"'
    scenario = stores(60, 4.0, keys, "read_share = 0", size="256 KiB")
    assert_agrees(found(scenario, samples(scenario, 3000)).latency_s["mean"], 0.95e-3)


# Both engines


@st.composite
def clusters(draw: st.DrawFn) -> Scenario:
    """Small clusters of every kind of drive, layout and choice."""
    count = draw(st.integers(3, 5))
    data, parity = draw(st.sampled_from([(0, 0), (0, 0), (2, 1), (3, 1), (2, 2)]))
    coded = 0 < data + parity <= count
    copies = data + parity if coded else draw(st.integers(1, 3))
    done_after = draw(st.integers(data if coded else 1, copies))
    choices = ["first"] if coded else ["first", "any", "least busy"] if copies > 1 else ["first", "any"]
    reads_from = draw(st.sampled_from(choices))
    failed = draw(st.integers(0, parity if coded else copies - 1))
    recovers = failed and count - failed > max(data if coded else 1, 1) and draw(st.booleans())
    slow = draw(st.integers(0, 1))
    drives = draw(st.sampled_from(DRIVES))
    network = draw(st.sampled_from(["", '[server.network]\nrate = "1 Gbit/s"\nround_trip = "20 us"']))
    if network and draw(st.booleans()):
        network += '\ndiscipline = "fcfs"\nclient_rate = "1 Gbit/s"'
    between = draw(st.sampled_from(["", '[cluster.network]\nrate = "2 Gbit/s"']))
    controller = draw(st.sampled_from(["", "[server.controller]\ncores = 2\nper_request = '20 us'"]))
    if controller and draw(st.booleans()):
        controller += '\nper_completion = "5 us"\ncopy_rate = "1 GB/s"'
        if draw(st.booleans()):
            controller += '\nwrite_back = {size = "1 MiB", destages = 2}'
    clients = draw(
        st.sampled_from(['rate = "15 /s"', "queue_depth = 3", 'queue_depth = 2\nthink_time = "1 ms"'])
    )
    size = draw(
        st.sampled_from(
            ['"8 KiB"', '"100 KiB"', '[{size = "4 KiB", share = 0.5}, {size = "64 KiB", share = 0.5}]']
        )
    )
    return parse(f"""
{network}
{controller}
{drives}
[cluster]
servers = {count}
{f"code = {{data = {data}, parity = {parity}}}" if coded else f"copies = {copies}"}
done_after = {done_after}
reads_from = "{reads_from}"
copied_by = "{draw(st.sampled_from(["client", "server"]))}"
piece = "{draw(st.sampled_from([32, 256]))} KiB"
failed = {failed}
{'recovery_rate = "1 MB/s"' if recovers else ""}
slow_servers = {slow}
{"slow_factor = 3" if slow else ""}
{between}
[[workload]]
name = "booking"
clients = 4
{clients}
request_size = {size}
read_share = {draw(st.sampled_from([0.0, 0.5, 1.0]))}
pattern = "{draw(st.sampled_from(["random", "sequential"]))}"
span = "64 MiB"
""")


DRIVES = [
    generic("exponential", "1 ms", count=2, capacity="1 GiB"),
    generic("constant", "1 ms", count=4, capacity="1 GiB")
    + '\n[server.layout]\nredundancy = "single parity"',
    generic("constant", "1 ms", count=2, capacity="1 GiB", discipline="ps")
    + '\n[server.layout]\nredundancy = "mirror"',
    spinning(count=2),
    flash(count=2),
]


def assert_engines_agree(scenario: Scenario, seed: int) -> None:
    expected = run_reference(build_plan(scenario, seed, 0), 40)
    assert_same(expected, runner(ENGINE)(build_plan(scenario, seed, 0, rows=16), 40))
    assert np.all(expected.latency_s > 0.0)
    total = expected.wait_s.sum(axis=1) + expected.service_s.sum(axis=1)
    np.testing.assert_allclose(total, expected.latency_s, rtol=1e-9)


generated = settings(
    derandomize=True,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)


@settings(generated, max_examples=25)
@given(clusters(), st.integers(0, 3))
def test_engines_agree_on_clusters(scenario: Scenario, seed: int) -> None:
    assert_engines_agree(scenario, seed)


@pytest.mark.whole
@settings(generated, max_examples=150)
@given(clusters(), st.integers(0, 3))
def test_engines_agree_on_many_clusters(scenario: Scenario, seed: int) -> None:
    assert_engines_agree(scenario, seed)


# Servers that are down, slow, or hold what is popular


def visits_of_servers(scenario: Scenario, bank: str) -> np.ndarray:
    """Visits that a request makes to a bank of each server, counted on a sample."""
    stations, demands = sample_demands(scenario, 3)
    (mine,) = (each for each in stations.banks if each.name == bank)
    count = scenario.cluster.servers if scenario.cluster else 1
    return demands["booking"].visits[mine.first : mine.first + mine.count].reshape(count, -1).sum(axis=1)


@pytest.mark.parametrize("copied_by", ["client", "server"])
def test_nothing_goes_to_a_server_that_is_down_and_the_others_do_its_work(copied_by: str) -> None:
    scenario = servers(f'copies = 3\nfailed = 2\ncopied_by = "{copied_by}"', "read_share = 0.5")
    visits = visits_of_servers(scenario, "drive")
    assert not visits[4:].any()
    # Half of the requests read one copy; the others write two of three on average, as four of six servers are up.
    assert visits.sum() == pytest.approx(0.5 + 0.5 * 2, rel=0.01)
    assert np.abs(visits[:4] / visits[:4].mean() - 1).max() < 0.05


def test_saturation_by_hand() -> None:
    # 1000 writes a second on three copies, two drives of 100 us in each of six servers: 1000 x 3 x 100 us / 12.
    load = offered_load(servers("copies = 3", "read_share = 0\nclients = 100"), 3)
    shares = dict(zip((bank.name for bank in load.banks), load.share, strict=True))
    assert shares["drive"] == pytest.approx(0.025)
    assert shares["network in"] == pytest.approx(1000 * (3 * 8732 + 2 * 162) / PORT / 6)
    assert load.binding is not None
    assert load.binding.load_factor == pytest.approx(40.0)
    down = offered_load(servers("copies = 3\nfailed = 1", "read_share = 1\nclients = 100"), 3)
    assert down.share[[bank.name for bank in down.banks].index("drive")] == pytest.approx(1000 * 100e-6 / 10)


def test_the_busiest_server_binds_where_pieces_are_popular() -> None:
    # Of ten pieces each request meets one: what falls to a server is by the pieces that it holds first.
    scenario = servers('piece = "4 MiB"', 'read_share = 1\nspan = "40 MiB"')
    shares = server_shares(scenario, 3)
    assert shares is not None
    assert shares.unlike
    held = shares.of_class["booking"][0] * 10 / 6
    np.testing.assert_allclose(held, np.round(held), atol=1e-9)
    counted = visits_of_servers(scenario, "cores")
    np.testing.assert_allclose(counted / counted.mean(), shares.of_class["booking"][0], atol=0.03)
    load = offered_load(scenario, 3)
    drive = [bank.name for bank in load.banks].index("drive")
    assert load.share[drive] == pytest.approx(10 * 100e-6 / 2 * held.max() / 10, rel=1e-6)


def test_popular_items_fall_where_their_pieces_lie() -> None:
    scenario = servers("copies = 2", 'read_share = 1\npopularity = 1.2\nspan = "1 TiB"')
    shares = server_shares(scenario, 3)
    assert shares is not None
    counted = visits_of_servers(scenario, "cores")
    np.testing.assert_allclose(counted / counted.mean(), shares.of_class["booking"][0], atol=0.03)
    assert shares.of_class["booking"].sum(axis=1) == pytest.approx(6.0)


def test_reads_of_the_least_busy_copy_leave_a_slow_server_what_it_can_carry() -> None:
    keys = 'copies = 2\nreads_from = "least busy"\nslow_servers = 1\nslow_factor = 4'
    scenario = servers(keys, "read_share = 1")
    shares = server_shares(scenario, 3)
    assert shares is not None
    work = shares.of_class["booking"][0] * np.array([4, 1, 1, 1, 1, 1])
    assert work.max() / work.min() < 1.03


def test_a_slow_server_takes_longer_for_all_but_the_network() -> None:
    slow = observe(servers("slow_servers = 6\nslow_factor = 3", "read_share = 1"), 20)
    extra = 2 * (6e-6 + 100e-6 + 2e-6)
    assert np.median(slow.latency_s) == pytest.approx(IDLE_READ_S + extra, abs=1e-12)


@pytest.mark.parametrize(
    ("keys", "into", "drives"),
    [
        # 1 MiB in 725 frames to another server, and its answer; read on two drives and written on two
        ("copies = 3", 2**20 + 725 * 90 + 162, 4),
        # a header to each of four servers and a MiB back; the piece that they give back is written
        ("code = {data = 4, parity = 2}", 4 * (162 + 2**20 + 725 * 90), 10),
    ],
)
def test_a_recovery_moves_what_was_lost_between_the_servers_that_are_left(
    keys: str, into: float, drives: int
) -> None:
    scenario = servers(f'{keys}\nfailed = 1\nrecovery_rate = "50 MB/s"', "read_share = 1")
    stations, demands = sample_demands(scenario, 3)
    recovery = demands["recovery"]
    of_bank = {each.name: slice(each.first, each.first + each.count) for each in stations.banks}
    assert recovery.service_s[of_bank["network in"]].sum() * PORT == pytest.approx(into)
    visits = recovery.visits[of_bank["drive"]].reshape(6, 2).sum(axis=1)
    assert visits.sum() == pytest.approx(drives)
    assert visits[5] == 0.0
    assert np.abs(visits[:5] / visits[:5].mean() - 1).max() < 0.2  # of 512 chunks
    load = offered_load(scenario, 3)
    place = [bank.name for bank in load.banks].index("network in")
    asked = 50e6 / 2**20 * 5 * into / PORT / 5  # by each of five servers, on five ports
    assert load.background[place] == pytest.approx(asked)
    assert scenario.recovery is not None
    assert scenario.recovery.left_s == pytest.approx(2 * 2**40 / (5 * 50e6))


# Bad input


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ("copies = 7", "copies = 7: more copies than the 6 servers; accepted: at most 6"),
        ("copies = 2\ndone_after = 3", "done_after = 3: more than the 2 copies; accepted: from 1 to 2"),
        ("code = {data = 5, parity = 2}", "5 + 2 pieces do not fit on 6 servers; accepted: at most 6"),
        ('reads_from = "least busy"', 'there is one copy to choose from; accepted: "first" with one copy'),
        ("failed = 1", "failed = 1: data lost: 1 of 6 servers have failed, and one copy survives none"),
        (
            "copies = 3\nfailed = 3",
            "failed = 3: data lost: 3 of 6 servers have failed, and 3 copies survive 2",
        ),
        ("copies = 2\ncode = {data = 2, parity = 1}", "given beside copies"),
        (
            "code = {data = 4, parity = 2}\ndone_after = 3",
            "fewer than 4 pieces the data cannot be given back",
        ),
        ("slow_servers = 1", "slow_servers = 1: slow_factor missing"),
        ('recovery_rate = "1 MB/s"', "no server has failed; accepted: recovery_rate with failed"),
        ("server = 3", "unknown key; accepted: servers"),
        ('piece = "1 PB"', "cluster.piece"),
    ],
)
def test_what_cannot_be_is_said_in_one_error(keys: str, said: str) -> None:
    with pytest.raises(ScenarioError) as raised:
        servers(keys)
    assert any(said in str(problem) for problem in raised.value.problems)


def test_a_cluster_of_one_server_is_none() -> None:
    text = f'{generic()}\n[cluster]\nservers = 1\n[[workload]]\nname = "booking"\nrate = "1 /s"\nrequest_size = "8 KiB"'
    with pytest.raises(ScenarioError) as raised:
        parse(text)
    (problem,) = raised.value.problems
    assert "cluster.servers = 1: below 2" in str(problem)


@pytest.mark.parametrize(
    ("cluster", "workload", "said"),
    [
        ("copies = 2", 'limit = "4 /s"', "given with [cluster]; accepted: classes without a limit"),
        (
            'piece = "4 KiB"',
            'request_size = "8 MiB"',
            "a request of booking has more than 1000 pieces; accepted: at least",
        ),
        (
            'copies = 2\n[server.layout]\nfailed = 1\nredundancy = "mirror"\nrebuild_rate = "50 MB/s"',
            "",
            "given with [cluster]; accepted: a rebuild of drives in a single server",
        ),
        (
            'copies = 2\n[server.controller.read_cache]\nsize = "1 GiB"',
            "",
            "hit_share: missing; accepted: a share from 0 to 1 with [cluster]",
        ),
        (
            'copies = 3\nfailed = 2\ncopied_by = "client"\nrecovery_rate = "1 MB/s"',
            '[[workload]]\nname = "recovery"\nrate = "1 /s"\nrequest_size = "8 KiB"',
            "the name of the recovery; accepted: another name",
        ),
    ],
)
def test_what_several_servers_are_not_simulated_with_is_refused(
    cluster: str, workload: str, said: str
) -> None:
    own = "request_size" in workload and not workload.startswith("[[")
    with pytest.raises(ScenarioError) as raised:
        servers(cluster, "" if own else workload, size="8 MiB" if own else "8 KiB")
    assert any(said in str(problem) for problem in raised.value.problems), raised.value


def test_a_comparison_over_conditions_counts_the_price_of_every_server() -> None:
    text = f"""
[server]
price = 1000
{generic("exponential", "1 ms")}
[cluster]
servers = SERVERS
copies = 2
[[workload]]
name = "booking"
rate = "100 /s"
request_size = "8 KiB"
[[condition]]
name = "day"
[[condition]]
name = "night"
set = {{"load" = 0.5}}
[run]
requests = 1000
replications = 2
"""
    few, many = (parse(text.replace("SERVERS", str(each))) for each in (2, 5))
    compared = compare_conditions(few, many, names=["few", "many"], seed=1, engine="reference", workers=1)
    price = {each.name: each.cost.price for each in compared.conditions["day"].designs}
    assert price == {"few": 2000.0, "many": 5000.0}
