"""The whole line from a scenario to its answer."""

import json

import pytest

from drives import flash, generic
from tailrace.answer import bench
from tailrace.answer.bench import Evidence
from tailrace.answer.result import Result
from tailrace.answer.run import _unsettled, simulate
from tailrace.answer.sample import Doubt, Sample
from tailrace.crew import crew
from tailrace.crew.progress import Progress
from tailrace.forecast.saturation import offered_load
from tailrace.scenario import load, parse
from tailrace.scenario.tables.scenario import Scenario
from through import SHARED

ONE_STATION = f"""
title = "Counter"
{generic("exponential", servers=2)}
[[workload]]
name = "booking"
rate = "1000 /s"
request_size = "8 KiB"
read_share = 0.5
[workload.target]
p99 = "TARGET"
[run]
seed = 3
requests = 4000
replications = 4
"""

ONE_SLOT = f"""
title = "A drive that takes one request at a time"
{flash(cell_read="100 us", queue_slots=1)}
[[workload]]
name = "booking"
rate = "20000 /s"
request_size = "4 KiB"
[run]
seed = 3
requests = 20000
replications = 4
"""


def counter(target: str = "50 ms", *settings: str) -> Scenario:
    return parse(ONE_STATION.replace("TARGET", target), overrides=settings)


def document(result: Result) -> str:
    return json.dumps(result.as_dict(), allow_nan=False)


def test_the_same_seed_gives_the_same_answer_to_the_byte() -> None:
    assert document(simulate(counter())) == document(simulate(counter()))


def test_another_seed_gives_another_answer() -> None:
    assert document(simulate(counter())) != document(simulate(counter(), seed=4))


def test_a_seed_given_to_simulate_overrides_the_scenarios_and_zero_is_a_seed() -> None:
    assert simulate(counter(), seed=0).seed == 0
    assert simulate(counter()).seed == 3


def test_a_seed_is_drawn_and_reported_where_none_is_given() -> None:
    scenario = parse(ONE_STATION.replace("TARGET", "50 ms").replace("seed = 3", ""))
    first = simulate(scenario)
    assert document(simulate(scenario, seed=first.seed)) == document(first)


def test_any_number_of_workers_gives_the_same_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(crew, "WORTH_STARTING_S", 0.0)
    assert document(simulate(counter(), workers=2)) == document(simulate(counter(), workers=1))


@pytest.mark.parametrize(("target", "verdict"), [("50 ms", "met"), ("2 ms", "missed")])
def test_a_target_far_from_the_latency_is_decided(target: str, verdict: str) -> None:
    # M/M/2 at utilisation 0.5: p99 near 4.9 ms
    result = simulate(counter(target))
    assert result.verdict == verdict
    assert [each.verdict for each in result.classes[0].targets] == [verdict]


def test_a_target_inside_the_interval_is_undecided() -> None:
    found = simulate(counter()).classes[0].all.latency_s["p99"].value
    assert found is not None
    assert simulate(counter(f"{found * 1e6:.3f} us")).verdict == "undecided"


def test_a_load_beyond_what_the_demands_allow_is_overloaded_without_any_latency() -> None:
    result = simulate(counter("50 ms", 'workload.booking.rate="2500 /s"'))
    assert result.verdict == "overloaded"
    assert result.classes == ()
    assert result.overload is not None
    assert (result.overload.station, result.overload.found) == ("drive", "before the run")
    # two servers of 1 ms carry 2,000 a second, 0.8 of the load; demands are counted on a sample
    assert result.overload.largest_load_factor == pytest.approx(0.8, rel=0.03)


def test_an_overload_that_no_demand_shows_is_found_by_the_growth_of_the_backlog() -> None:
    # One queue slot: the drive takes one request at a time although its dies are idle. It carries about one
    # request each 105 us (command, cell, bus), less than half of what arrives.
    scenario = parse(ONE_SLOT)
    binding = offered_load(scenario, seed=3).binding
    assert binding is not None
    assert binding.load_factor > 1.5
    result = simulate(scenario)
    assert result.verdict == "overloaded"
    assert result.overload is not None
    assert (result.overload.station, result.overload.found) == ("queue slots", "during the run")
    assert result.overload.largest_load_factor == pytest.approx(1 / (20_000 * 105.4e-6), rel=0.05)


def test_a_closed_class_is_never_overloaded() -> None:
    closed = ONE_STATION.replace('rate = "1000 /s"', "clients = 20\nqueue_depth = 1")
    result = simulate(parse(closed.replace('p99 = "TARGET"', 'p50 = "2 ms"')))
    assert result.verdict == "missed"
    drive = next(each for each in result.stations if each.name == "drive")
    assert drive.utilisation == pytest.approx(1.0, abs=1e-3)
    assert result.theory.saturation is None


def test_a_length_given_without_precision_is_fixed() -> None:
    result = simulate(counter())
    assert (result.stopped_by, result.replications) == ("fixed", 4)
    assert result.requests == 4 * 3600  # a tenth of each replication is warm-up


def test_a_precision_is_reached_or_the_budget_is_named() -> None:
    fine = simulate(counter("50 ms", "run.precision=0.2", "run.requests=40000", "run.replications=8"))
    assert fine.stopped_by == "precision"
    width = fine.classes[0].targets[0].estimate.relative_half_width
    assert width is not None
    assert width < 0.2
    coarse = simulate(counter("50 ms", "run.precision=0.001", "run.requests=3000", "run.replications=4"))
    assert coarse.stopped_by == "budget"
    assert coarse.requests == 4 * 2700


def test_reads_and_writes_are_told_apart_and_add_up() -> None:
    booking = simulate(counter()).classes[0]
    assert booking.kinds["read"].requests + booking.kinds["write"].requests == booking.all.requests
    assert abs(booking.kinds["read"].requests / booking.all.requests - 0.5) < 0.03


def test_stage_times_add_up_to_the_mean_latency() -> None:
    booking = simulate(counter()).classes[0].all
    total = sum(
        (each.wait_s.value or 0.0) + (each.service_s.value or 0.0) for each in booking.stages.values()
    )
    assert total == pytest.approx(booking.latency_s["mean"].value, rel=1e-9)


def test_several_targets_share_the_error_rate() -> None:
    text = ONE_STATION.replace("TARGET", "50 ms")
    one = simulate(parse(text)).classes[0].targets[0]
    three = simulate(parse(text.replace("[run]", 'p50 = "50 ms"\nmean = "50 ms"\n[run]')))
    shared = next(each for each in three.classes[0].targets if each.quantity == "p99")
    assert (one.level, one.judged) == (0.95, one.estimate)
    assert shared.level == pytest.approx(1 - 0.05 / 3)
    assert shared.estimate == one.estimate
    assert (shared.judged.half_width or 0.0) > (one.judged.half_width or 1.0) * 1.2


def test_a_run_until_decided_stops_at_the_first_look_where_that_decides() -> None:
    once, until = simulate(counter()), simulate(counter(), until_decided=True)
    assert (until.stopped_by, until.replications, until.verdict) == ("decided", 4, "met")
    target = until.classes[0].targets[0]
    assert target.level == pytest.approx(1 - 0.05 / 3)  # whether or not further looks were taken
    assert target.estimate == once.classes[0].targets[0].estimate
    assert (target.judged.half_width or 0.0) > (target.estimate.half_width or 1.0)


def test_a_run_until_decided_goes_on_with_fresh_replications_to_its_third_look_at_most() -> None:
    found = simulate(counter()).classes[0].all.latency_s["p50"].value
    assert found is not None
    text = ONE_STATION.replace('p99 = "TARGET"', f'p50 = "{found * 1e6:.3f} us"')
    result = simulate(parse(text), until_decided=True)
    assert (result.stopped_by, result.replications, result.verdict) == ("budget", 12, "undecided")
    assert result.requests == 12 * 3600
    whole = simulate(parse(text, overrides=["run.replications=12"]))
    assert result.classes[0].all == whole.classes[0].all


def test_a_doubt_that_is_tolerated_does_not_end_a_run_until_decided(monkeypatch) -> None:
    found = simulate(counter()).classes[0].all.latency_s["p50"].value
    assert found is not None
    text = ONE_STATION.replace('p99 = "TARGET"', f'p50 = "{found * 1e6:.3f} us"')
    for off_by, replications in ((1e-6, 12), (1.0, 4)):
        doubt = {"booking": Doubt("the first half is slower", off_by)}
        monkeypatch.setattr(bench, "doubts", lambda *_, doubt=doubt: doubt)
        assert simulate(parse(text), until_decided=True).replications == replications


def test_what_is_not_settled_blames_the_budget_only_where_that_ended_the_run() -> None:
    doubts = {"booking": Doubt("the first half is slower", 1e-6)}
    said = {
        ended: next(_unsettled(Evidence(counter(), Sample([], doubts=doubts), 1, stopped_by=ended)))
        for ended in ("precision", "budget", "fixed", "decided")
    }
    assert {ended for ended, note in said.items() if "budget" in note} == {"budget"}


def test_progress_tells_the_half_width_so_far() -> None:
    seen: list[Progress] = []
    simulate(counter(), progress=seen.append)
    assert [each.done for each in seen] == [0, 1, 2, 3, 4]
    assert [each.half_width is None for each in seen] == [True, True, False, False, False]
    width = simulate(counter()).classes[0].targets[0].estimate.relative_half_width
    # about the mean of the replications' own quantiles, where the answer's is about the pooled one
    assert seen[-1].half_width == pytest.approx(width, rel=0.1)


def test_an_unknown_engine_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match="accepted: auto, reference, compiled"):
        simulate(counter(), engine="steam")


def test_fewer_than_one_worker_is_refused() -> None:
    with pytest.raises(ValueError, match="workers is 0"):
        simulate(counter(), workers=0)


REGULAR = f"""
title = "Cameras whose beats fall as they fall"
{generic("constant", "9 ms")}
[[workload]]
name = "cameras"
clients = 10
rate = "10 /s"
arrivals = "regular"
request_size = "1 MiB"
[run]
seed = 5
"""


@pytest.mark.whole
def test_what_is_drawn_once_a_replication_calls_for_more_of_them_and_not_for_longer_ones() -> None:
    # Ten clients on one server, each with its own beat: who collides with whom is decided at the start, and
    # repeats itself for ever.
    pytest.importorskip("numba", reason="a million requests take the reference engine too long")
    result = simulate(parse(REGULAR))
    assert result.replications > 16
    assert result.requests < result.replications * 40_000
    assert any("more replications" in note for note in result.notes)
    p99 = result.classes[0].all.latency_s["p99"]
    assert p99.value is not None
    assert 9e-3 < p99.value < 90e-3


@pytest.mark.whole
def test_arms_that_work_better_with_longer_queues_are_not_called_overloaded_while_these_fill() -> None:
    pytest.importorskip("numba", reason="the pilot takes the reference engine too long")
    spinning = load(SHARED / "scenarios" / "booking-spinning.toml", ["run.requests=40000"])
    binding = offered_load(spinning, seed=7).binding
    assert binding is not None
    busy = spinning.model_copy(update={"load": 0.9 * binding.load_factor})
    assert simulate(busy).overload is None
    beyond = simulate(spinning.model_copy(update={"load": 1.1 * binding.load_factor}))
    assert beyond.overload is not None
