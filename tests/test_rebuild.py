"""The rebuild of failed drives onto spares: what it reads and writes, how long it takes, and what it does to others."""

import numpy as np
import pytest

import tailrace
from drives import generic
from tailrace.engine.reference import run_reference
from tailrace.plan.build import build_plan, sample_requests
from tailrace.plan.columns import VISIT
from tailrace.report.terminal.results import as_text
from tailrace.scenario import parse

MB = 1e6


def written(
    redundancy="single parity",
    drives=9,
    capacity="1 GB",
    service="1 ms",
    spares=1,
    failed="[2]",
    rate="10.48576 MB/s",
    more="",
    read_share=1.0,
):
    return f"""
{generic("constant", service, count=drives, capacity=capacity)}
[server.layout]
redundancy = "{redundancy}"
spares = {spares}
failed = {failed}
rebuild_rate = "{rate}"
{more}
[[workload]]
name = "booking"
rate = "10 /s"
request_size = "4 KiB"
read_share = {read_share}
[run]
requests = 1000
replications = 2
"""


def box(redundancy="single parity", **changed):
    return parse(written(redundancy, **changed))


def operations(scenario):
    """Mean operations of one chunk on each drive."""
    stations, chunks = sample_requests(scenario, seed=1)
    (bank,) = [each for each in stations.banks if each.name == "drive"]
    steps, rows = chunks["rebuild"].steps, len(chunks["rebuild"])
    at = (steps.op == VISIT) & (steps.arg >= bank.first) & (steps.arg < bank.first + bank.count)
    return np.bincount(steps.arg[at] - bank.first, minlength=bank.count) / rows


def test_a_chunk_is_read_from_as_many_survivors_as_rows_have_data_units_and_written_once():
    assert operations(box()).tolist() == [1, 1, 0, 1, 1, 1, 1, 1, 1]
    double = operations(box("double parity"))
    assert double[[2, 8]].tolist() == [0, 1]
    assert np.delete(double, [2, 8]) == pytest.approx(6 / 7, rel=0.02)
    both = operations(box("double parity", drives=10, spares=2, failed="[0, 4]"))
    assert both.tolist() == [0, 1, 1, 1, 0, 1, 1, 1, 1, 1]
    mirror = operations(box("mirror"))
    assert mirror.tolist() == [0, 0, 0, 1, 0, 0, 0, 0, 1]
    triple = operations(box("mirror", drives=10, more="copies = 3"))
    assert triple[[0, 1]].sum() == triple[9] == 1


def test_two_groups_are_rebuilt_side_by_side_each_at_the_rate():
    scenario = box(drives=10, spares=2, failed=2, more="group = 4")
    assert [each.drives for each in scenario.rebuilds] == [2]
    (rebuild,) = scenario.background
    assert (rebuild.clients, rebuild.rate) == (2, pytest.approx(10.0))
    assert operations(scenario)[8:].tolist() == [0.5, 0.5]


def test_what_is_rebuilt_already_is_read_from_the_spare_and_the_rest_from_the_survivors():
    scenario = box(more="rebuilt = 0.5")
    stations, chunks = sample_requests(scenario, seed=1)
    (bank,) = [each for each in stations.banks if each.name == "drive"]
    chunk = chunks["booking"]
    at = np.flatnonzero(chunk.steps.op == VISIT)
    row = np.searchsorted(chunk.first, at, side="right") - 1
    counts = np.bincount(row)
    on_spare = np.unique(row[chunk.steps.arg[at] == bank.first + 8])
    # Half of what lay on the failed drive, itself an eighth, comes from the spare; the other half from seven others.
    assert set(counts.tolist()) == {1, 7}
    assert np.mean(counts == 7) == pytest.approx(1 / 16, rel=0.1)
    assert on_spare.size / len(chunk) == pytest.approx(1 / 16, rel=0.1)
    assert (counts[on_spare] == 1).all()


def test_a_chunk_takes_its_reads_then_its_writes_on_an_idle_server():
    text = written(rate="1.048576 MB/s").replace("10 /s", "0.001 /s")
    scenario = parse(text.replace('name = "booking"', 'name = "booking"\npriority = 1'))
    plan = build_plan(scenario, seed=1, replication=0)
    assert (plan.classes, plan.priorities) == (("booking", "rebuild"), (1, 1))
    observed = run_reference(plan, requests=5)
    assert (observed.class_index == 1).all()
    assert observed.latency_s == pytest.approx(2e-3)
    assert np.diff(observed.arrival_s) == pytest.approx(1.0)


def test_the_time_left_is_the_capacity_left_over_the_rate_and_the_answer_says_what_is_at_risk():
    result = tailrace.simulate(box(capacity="240 GB", rate="100 MB/s", more="rebuilt = 0.25"), seed=1)
    (rebuild,) = result.rebuilds
    assert rebuild.rate_bytes_per_s.value == pytest.approx(100 * MB, rel=0.02)
    # R7: 240 GB at 100 MB/s are 2,400 s (Corbett et al., Row-Diagonal Parity, FAST 2004); three quarters are left.
    assert rebuild.left_s == pytest.approx(1800, rel=0.02)
    assert rebuild.left_s >= 1800 - 1e-6
    assert [each.name for each in result.classes] == ["booking"]
    said = " ".join(as_text(result).split())
    assert "one more failure can lose data" in said
    assert "Performance says nothing about durability" in said
    assert "about 30 min" in said
    assert result.as_dict()["rebuilds"][0]["drives"] == 1
    assert "one more failure can lose data" in tailrace.estimate(box()).notes[0]


def test_a_rebuild_faster_than_the_drives_is_an_overload_and_never_beats_the_bound():
    """R7: never faster than the capacity over what a drive can write: here 1 MiB a millisecond, by their law."""
    fits = box(rate="900 MB/s")
    assert tailrace.estimate(fits).saturation.load_factor > 1
    result = tailrace.simulate(box(rate="1100 MB/s"), seed=1)
    assert result.overload is not None
    assert (result.overload.station, result.overload.largest_load_factor) == ("drive", 0.0)
    assert not result.rebuilds
    text = as_text(result)
    assert "too much already" in " ".join(text.split())
    assert "its end is not known" in " ".join(text.split())


def test_clients_wait_longer_during_a_rebuild_and_the_load_can_grow_only_into_what_is_left():
    quiet = parse(written(rate="1 MB/s").replace('rebuild_rate = "1 MB/s"', ""))
    busy = box(rate="500 MB/s")  # each survivor busy for 48 % of the time
    means = [
        tailrace.simulate(each, seed=3).class_named("booking").all.latency_s["mean"].value
        for each in (quiet, busy)
    ]
    assert means[1] > 1.2 * means[0]
    share = 500 * MB / 2**20 * 1e-3
    alone, beside = (tailrace.estimate(each).saturation.load_factor for each in (quiet, busy))
    assert beside == pytest.approx(alone * (1 - share), rel=0.03)


def test_survivors_of_a_degraded_group_bind_and_idle_drives_do_not_dilute_their_load():
    scenario = parse(
        f"""
{generic("constant", "5 ms", count=16)}
        [server.layout]
        redundancy = "single parity"
        group = 8
        failed = 1
        [[workload]]
        name = "booking"
        rate = "1000 /s"
        request_size = "4 KiB"
        """
    )
    # Each of 16 drives would read 62.5 a second; those of the degraded group read twice that.
    assert tailrace.estimate(scenario).saturation.load_factor == pytest.approx(200 / 125, rel=0.03)


def test_a_class_cannot_have_the_name_of_the_rebuild():
    with pytest.raises(tailrace.ScenarioError, match="the name of a rebuild"):
        parse(written().replace('"booking"', '"rebuild"'))
