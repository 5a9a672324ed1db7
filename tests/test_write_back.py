"""Write-back memory: what a write waits for, what it leaves behind, and how a full one holds writes back."""

import numpy as np
import pytest

import tailrace
from drives import controller, generic
from same import assert_same
from tailrace.engine.choice import runner
from tailrace.errors import ScenarioError
from tailrace.forecast.estimate import estimate
from tailrace.forecast.saturation import offered_load
from tailrace.plan.build import build_plan
from tailrace.plan.columns import Stage
from tailrace.report.sentences import binding_sentence, estimate_sentence
from tailrace.scenario import parse
from tailrace.scenario.tables.scenario import Scenario
from through import ENGINES, observe

US = 1e-6


def scenario(
    workload: str, memory: str = 'size = "1 GiB"', service_ms: float = 1.0, servers: int = 1
) -> Scenario:
    """Processor costs of 7 us in, 2 us out and 1 us a drive operation, none of them variable; copying at 8 GB/s."""
    return parse(f"""
{controller(write_back=f"{{{memory}}}")}
{generic("constant", f"{service_ms} ms", servers=servers)}
[[workload]]
name = "booking"
{workload}
{"" if "request_size" in workload else 'request_size = "4 KiB"'}
{"" if "read_share" in workload else "read_share = 0.0"}
""")


@pytest.mark.parametrize("durable", ["true", "false"])
def test_a_write_alone_costs_controller_and_copy_and_a_read_its_drive_as_well(durable: str) -> None:
    given = scenario(f'think_time = "1 s"\nread_share = 0.5\ndurable = {durable}')
    observed = observe(given, 400)
    write = observed.kind == 1
    by_hand = 9 * US + 4096 / 8e9
    assert observed.latency_s[write] == pytest.approx(np.full(write.sum(), by_hand), abs=1e-10)
    assert observed.latency_s[~write] == pytest.approx(
        np.full((~write).sum(), by_hand + US + 1e-3), abs=1e-10
    )


def test_behind_the_answer_the_drive_works_as_much_as_without_the_memory() -> None:
    workload = 'rate = "300 /s"'
    with_memory = offered_load(scenario(workload), seed=1)
    shares = dict(zip([bank.name for bank in with_memory.banks], with_memory.share, strict=True))
    assert shares["drive"] == pytest.approx(0.3, rel=1e-9)
    assert shares["cores"] == pytest.approx(300 * (10 * US + 4096 / 8e9) / 4, rel=1e-9)
    assert np.isnan(shares["write-back memory"])
    assert estimate(scenario(workload)).classes["booking"].mean_s == pytest.approx(
        9 * US + 4096 / 8e9, rel=0.05
    )


def test_a_memory_that_closed_writers_fill_begins_full_and_holds_them_to_the_pace_of_the_drives() -> None:
    # Room for 8 writes, and 3 that write as fast as they are answered: each waits until a write before it is on its
    # drive, which is one a millisecond, from the first on.
    observed = observe(scenario("queue_depth = 3", 'size = "32 KiB"'), 1000)
    done = np.sort(observed.completion_s)
    assert np.diff(done)[1:] == pytest.approx(np.full(998, 1e-3), abs=1e-8)
    assert observed.wait_s[10:, Stage.CONTROLLER].mean() == pytest.approx(3e-3, rel=0.02)
    assert observed.wait_s[:, Stage.MEDIA].max() == 0.0


def test_a_memory_begins_empty_where_drives_keep_up_or_most_of_their_work_is_waited_for() -> None:
    def fills(work: str, servers: int) -> bool:
        given = scenario(work, servers=servers)
        source = build_plan(given, seed=1, replication=0).closed[0]
        return source.next_chunk().first[1] > 100

    assert fills("queue_depth = 3", 1)
    # One of 3 writers that think for 4 ms writes every 1.3 ms, and one alone every 4 ms; servers of 1 ms keep up.
    assert not fills('queue_depth = 3\nthink_time = "4 ms"', 1)
    assert not fills("queue_depth = 3\nread_share = 0.9", 1)


@pytest.mark.skipif(len(ENGINES) < 2, reason="needs the compiled engine")
def test_both_engines_begin_with_the_same_full_memory() -> None:
    plans = [
        build_plan(scenario("queue_depth = 3", 'size = "64 KiB"'), seed=1, replication=0) for _ in ENGINES
    ]
    reference, compiled = (
        runner(engine)(plan, requests=200, marks=5) for engine, plan in zip(ENGINES, plans, strict=True)
    )
    assert_same(reference, compiled)


def test_no_more_writes_than_permitted_are_on_their_way_to_the_drives() -> None:
    # a hundred servers in the drive, but two destages at once: 2,000 a second, not 100,000
    for destages, pace in ((2, 2000.0), (4, 4000.0)):
        memory = f'size = "64 KiB", destages = {destages}'
        done = np.sort(observe(scenario("queue_depth = 1", memory, servers=100), 2000).completion_s)
        assert 1500 / (done[-1] - done[-1501]) == pytest.approx(pace, rel=0.01)


def test_a_burst_shorter_than_the_memory_is_answered_without_any_wait() -> None:
    bursts = 'rate = "200 /s"\nsurge = {factor = 50, share = 0.02, length = "20 ms"}'
    large = observe(scenario(bursts), 4000)
    none = observe(scenario(bursts, 'size = "4 KiB"'), 4000)
    assert large.wait_s[:, Stage.CONTROLLER].max() < 1e-3
    assert none.wait_s[:, Stage.CONTROLLER].max() > 10e-3


def test_a_write_takes_whole_units_and_waits_for_all_of_them_at_once() -> None:
    # 5 KiB are two units of 4 KiB: one write at a time in 12 KiB, two in 16 KiB
    pace = []
    for size in ("12 KiB", "16 KiB"):
        given = scenario('queue_depth = 4\nrequest_size = "5 KiB"', f'size = "{size}"', servers=4)
        done = np.sort(observe(given, 1000).completion_s)
        pace.append(900 / (done[-1] - done[-901]))
    assert pace[1] / pace[0] == pytest.approx(2.0, rel=0.05)


def test_overload_of_the_drives_is_found_before_the_run_although_writes_do_not_wait_for_them() -> None:
    binding = offered_load(scenario('rate = "1100 /s"'), seed=1).binding
    assert binding is not None
    assert binding.station == "drive"
    assert binding.load_factor == pytest.approx(1 / 1.1, rel=1e-6)


def test_a_write_larger_than_the_memory_is_refused_with_the_least_that_would_do() -> None:
    with pytest.raises(
        ScenarioError, match=r"write_back.size = .8 KiB.: no room for a write of 9 KiB.*12 KiB"
    ):
        scenario('rate = "1 /s"\nrequest_size = "9 KiB"', 'size = "8 KiB"')
    scenario('rate = "1 /s"\nrequest_size = "9 KiB"\nread_share = 1.0', 'size = "8 KiB"')


@pytest.mark.whole
@pytest.mark.skipif(len(ENGINES) < 2, reason="needs the compiled engine")
def test_both_engines_give_the_same_bits_with_write_back_and_read_cache_over_spinning_drives() -> None:
    given = parse("""
[server]
media = {part = "spinning-7200", count = 4, write_cache = "2 MiB", slow_drives = 1, slow_factor = 2.0}
lanes = "serial-12"
[server.controller]
cores = 2
per_request = "7 us"
copy_rate = "4 GB/s"
read_cache = {size = "64 MiB"}
write_back = {size = "1 MiB", destages = 8}
[[workload]]
name = "booking"
queue_depth = 16
read_share = 0.5
request_size = [{size = "8 KiB", share = 0.8}, {size = "256 KiB", share = 0.2}]
popularity = 0.9
span = "1 GiB"
[[workload]]
name = "log"
rate = "50 /s"
read_share = 0.0
durable = true
request_size = "16 KiB"
pattern = "sequential"
""")
    one, other = (runner(engine)(build_plan(given, 3, 0), 2000) for engine in ENGINES)
    for name in ("completion_s", "wait_s", "service_s"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))
    pieces = runner(ENGINES[-1])(build_plan(given, 3, 0, rows=50), 2000)
    np.testing.assert_array_equal(other.completion_s, pieces.completion_s)


PERMITTED = f"""
{generic("constant", "10 ms", count=8)}
[server.controller]
cores = 4
[server.controller.write_back]
size = "1 GiB"
destages = PERMITS
[[workload]]
name = "manifests"
rate = "80 /s"
request_size = "8 KiB"
read_share = 0
"""


def in_step_per_s(permits: int, drives: int = 8, steps: int = 20_000) -> float:
    """What so many requests do a second that go round among drives at random, all services taking 10 ms at once."""
    draw, present, done = np.random.default_rng(1), np.zeros(drives, dtype=int), 0
    present[0] = permits
    for _ in range(steps):
        busy = present > 0
        done += (number := int(busy.sum()))
        present += np.bincount(draw.integers(drives, size=number), minlength=drives) - busy
    return done / steps / 10e-3


@pytest.mark.parametrize("permits", [1, 4])
def test_permits_that_bind_are_part_of_the_saturation_and_their_key_is_named(permits: int) -> None:
    found = estimate(parse(PERMITTED.replace("PERMITS", str(permits))), 1)
    assert found.saturation is not None
    assert found.saturation.key == "write_back.destages"
    assert found.saturation.load_factor * 80 == pytest.approx(in_step_per_s(permits), rel=0.015)
    assert "(write_back.destages)" in estimate_sentence(found)


def test_a_load_beyond_the_permits_is_seen_before_the_run_and_named_by_their_key() -> None:
    result = tailrace.simulate(parse(PERMITTED.replace("PERMITS", "1"), overrides=["load=1.3"]), seed=1)
    assert result.overload is not None
    assert (result.overload.found, result.overload.key) == ("before the run", "write_back.destages")
    assert "(write_back.destages)" in (binding_sentence(result) or "")
