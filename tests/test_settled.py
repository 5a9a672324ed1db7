"""No answer is surer than it is: closed clients, buffers that fill, surges that do not come, laws between figures."""

from pathlib import Path

import pytest

import tailrace
from drives import generic
from tailrace.answer.result import Result
from tailrace.engine.compiled import available
from tailrace.quantity import Quantity
from tailrace.replicate.gather import start_of
from tailrace.scenario import load, parse
from tailrace.scenario.tables.scenario import Scenario

SCENARIOS = Path(__file__).parents[1] / "shared" / "scenarios"
CAPACITY_PER_S = (1_394_700, 1_400)
"""Rate of capacity-flash.toml by 16 runs of 5 million requests each, and the half-width of its interval (own runs)."""

BUFFERED = """
[server]
media = {part = "flash-four-lanes", count = 1, buffer = "8 MiB"}
lanes = "flash-four-lanes"
[[workload]]
name = "booking"
queue_depth = 6
request_size = "4 KiB"
read_share = 0.0
[workload.target]
rate = "450000 /s"
[run]
seed = 11
replications = 4
"""

THINKING = f"""
{generic("exponential", servers=3)}
[[workload]]
name = "booking"
clients = CLIENTS
think_time = "4 ms"
request_size = "8 KiB"
[run]
seed = 5
requests = 20000
replications = 8
"""

SURGING = f"""
{generic("exponential", servers=8)}
[[workload]]
name = "booking"
rate = "2000 /s"
request_size = "8 KiB"
surge = {{factor = 20, share = 0.02, length = "20 s"}}
[workload.target]
p99 = "20 ms"
[run]
seed = 4
requests = 2000
replications = 8
"""

needs_speed = pytest.mark.skipif(not available(), reason="takes the reference engine too long")


def rate_of(result: Result) -> tuple[float, float]:
    """The interval of the rate of the first class."""
    estimate = result.classes[0].all.rate_per_s
    assert estimate.low is not None
    assert estimate.high is not None
    return estimate.low, estimate.high


@needs_speed
@pytest.mark.parametrize(
    ("settings", "width"),
    [pytest.param(("run.requests=100000",), 0.05, marks=pytest.mark.whole), (("run.requests=40000",), 0.15)],
)
def test_the_rate_of_closed_clients_holds_the_truth_however_short_the_run(
    settings: tuple[str, ...], width: float
) -> None:
    # 2,048 requests begin at once and are quick; the slow ones among them gather for far longer than a request takes.
    low, high = rate_of(tailrace.simulate(load(SCENARIOS / "capacity-flash.toml", settings)))
    truth, half = CAPACITY_PER_S
    assert low <= truth + half
    assert high >= truth - half
    assert high - low < width * truth


@needs_speed
def test_a_run_of_two_rounds_of_closed_clients_gives_no_interval() -> None:
    result = tailrace.simulate(load(SCENARIOS / "capacity-flash.toml", ("run.requests=5000",)))
    assert result.classes[0].all.rate_per_s.low is None
    assert result.verdict == "undecided"
    assert any("no interval is given" in note for note in result.notes)


@needs_speed
def test_a_buffer_that_surely_fills_begins_full_and_a_short_run_is_of_its_steady_state() -> None:
    # 16 runs of a million writes: 412,160 ±130 a second (own runs); with an empty buffer a run as short as this would
    # see the 1,000,000 a second of the command processor.
    deep = BUFFERED.replace("queue_depth = 6", "queue_depth = 256").replace(', buffer = "8 MiB"', "")
    result = tailrace.simulate(parse(deep, overrides=["run.requests=40000"]))
    rate = result.classes[0].all.rate_per_s.value
    assert rate == pytest.approx(412_000, rel=0.05)
    assert not any("still fills" in note for note in result.notes)


@needs_speed
def test_a_run_whose_buffers_are_not_replaced_often_enough_before_it_measures_promises_nothing() -> None:
    # 8,192 writes of 4 KiB in 32 MiB, every third to fourth request one of them: replaced six times in 164,000
    # requests, and measuring begins behind the 20,000th.
    mixed = BUFFERED.replace("queue_depth = 6", "queue_depth = 256").replace(
        "read_share = 0.0", "read_share = 0.7"
    )
    scenario = parse(mixed.replace(', buffer = "8 MiB"', ""), overrides=["run.requests=40000"])
    assert start_of(scenario) == pytest.approx(2 * 256 + 6 * 8192 / 0.3, rel=0.03)
    result = tailrace.simulate(scenario)
    assert result.verdict == "undecided"
    assert result.classes[0].all.rate_per_s.low is None
    assert any("comes to its level within 170,000 requests" in note for note in result.notes), result.notes


@needs_speed
def test_a_run_that_ends_before_a_buffer_is_full_promises_nothing() -> None:
    # Writes come at the rate of the command processor as long as there is room, and at half of it for good.
    result = tailrace.simulate(parse(BUFFERED.replace("seed = 11", "seed = 11\nrequests = 20000")))
    assert result.verdict == "undecided"
    assert result.classes[0].all.rate_per_s.low is None
    assert any("write buffer still fills" in note for note in result.notes)
    assert result.overload is None


@pytest.mark.whole
@needs_speed
def test_a_run_without_a_budget_of_its_own_goes_on_until_the_buffer_is_full() -> None:
    result = tailrace.simulate(parse(BUFFERED))
    buffer = next(each for each in result.stations if each.name == "write buffer")
    assert buffer.utilisation > 0.95
    low, high = rate_of(result)
    assert high < 450_000
    assert high - low < 0.06 * high


def test_closed_writers_into_protected_memory_are_never_overloaded() -> None:
    text = (SCENARIOS / "write-back.toml").read_text("utf-8")
    lines = [line for line in text.splitlines() if not line.startswith("surge")]
    closed = "\n".join("queue_depth = 4" if line.startswith('rate = "') else line for line in lines)
    settings = ["run.requests=3600", "run.replications=4", 'server.controller.write_back.size="8 MiB"']
    result = tailrace.simulate(parse(closed, overrides=settings))
    assert result.overload is None
    assert result.verdict != "met"
    # 16 runs of 300,000 writes with 1 GiB: 1,985 a second (own runs), the pace of the drives.
    low, high = rate_of(result)
    assert low < 1_985 < high
    assert high - low < 0.06 * 1_985


def thinking(clients: int) -> Scenario:
    return parse(THINKING.replace("CLIENTS", str(clients)))


@pytest.mark.parametrize("clients", [1, 6, 15, 40])
def test_littles_law_holds_for_closed_clients_at_every_load(clients: int) -> None:
    # N = X (R + Z): Little, Operations Research 9(3), 1961, on clients and what they think of (from memory)
    figures = tailrace.simulate(thinking(clients)).classes[0].all
    rate, mean = figures.rate_per_s, figures.latency_s["mean"]
    assert rate.value is not None
    assert mean.value is not None
    width = (rate.relative_half_width or 0.0) + (mean.relative_half_width or 0.0)
    assert rate.value * (mean.value + 4e-3) == pytest.approx(clients, rel=2 * width + 1e-3)
    assert width < 0.08


def test_a_run_that_never_sees_a_surge_is_no_proof_that_a_promise_is_kept() -> None:
    # A surge of 20 s comes every 1,000 s; two thousand requests take less than two seconds.
    result = tailrace.simulate(parse(SURGING))
    assert result.verdict == "undecided"
    (note,) = (note for note in result.notes if "not settled" in note)
    assert "a surge comes about every 1e+03 s" in note
    assert "requests would see 3" in note


@needs_speed
def test_a_server_that_drains_after_each_surge_is_slow_and_not_overloaded() -> None:
    # 29,000 a second for 2 s out of 100, at a server of 8,000 a second: 42,000 wait at the end, 5 s of work.
    often = SURGING.replace('length = "20 s"', 'length = "2 s"').replace(
        "requests = 2000", "requests = 200000"
    )
    result = tailrace.simulate(parse(often.replace("replications = 8", "replications = 4")))
    assert result.overload is None
    mean = result.classes[0].all.latency_s[Quantity("mean")]
    assert mean.value is not None
    assert 0.2 < mean.value < 5.0
    assert mean.low is None
    assert result.verdict == "undecided"


@pytest.mark.whole
@needs_speed
def test_halved_drives_of_a_stable_server_are_called_missed_and_not_overloaded() -> None:
    # By runs of their own: p99 285 ms at 69 % of saturation with twelve drives, 137 ms with slow seeks.
    found = tailrace.relief(SCENARIOS / "booking-spinning.toml", seed=3)
    halved = {each.resource: each for each in found.halved}
    for name in ("drives", "seek speed"):
        assert halved[name].verdict == "missed", name
        assert halved[name].value is not None
        assert 0.12 < (halved[name].value.value or 0.0) < 0.4
