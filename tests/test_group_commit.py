"""Group commit: log writes that are collected while one is in flight, and then written as one."""

import json
from collections.abc import Callable

import numpy as np
import pytest
from scipy.optimize import brentq
from typer.testing import CliRunner

from drives import generic, spinning
from plans import collect, detach, plan, rows, split, station, stations, visit
from tailrace import theory
from tailrace.answer.run import simulate
from tailrace.cli import app
from tailrace.engine.choice import Engine, runner
from tailrace.engine.observed import Visit, observe
from tailrace.errors import ScenarioError
from tailrace.forecast.estimate import estimate
from tailrace.forecast.saturation import offered_load
from tailrace.plan.build import Plan
from tailrace.plan.columns import Stage
from tailrace.plan.demand import chunk_demand
from tailrace.scenario import parse
from through import (
    CONSTANT,
    ENGINE,
    ENGINES,
    EXPONENTIAL,
    SHARED,
    assert_agrees,
    busy_mean,
    commits,
    found,
    samples,
    shared_scenario,
    waiting_mean,
)
from through import observe as observe_scenario

READY = "booking-transactions"
READY_FILE = SHARED / "scenarios" / f"{READY}.toml"
KEY = "workload.booking.step[2].group_commit"
MS = 1e-3

# By hand


def log(places: int) -> Callable[[list[float], list[float]], Plan]:
    """Commits that come after these gaps, each to be written in so many seconds by itself."""
    server = stations(station("bulk", places, Stage.MEDIA), station("fcfs"))
    return lambda gaps, works: plan(server, rows(gaps, [[collect(0, [visit(1, work)])] for work in works]))


@pytest.mark.parametrize("engine", ENGINES)
def test_commits_that_come_during_a_write_are_written_together_by_the_next(engine: Engine) -> None:
    """At 0 s one is written alone till 5 s; those of 1 and 2 s together, in the 3 s of the first of them, till 8 s;
    that of 6 s in 7 s till 15 s; and long after, with nothing in flight, one at once."""
    seen = runner(engine)(log(9)([0.0, 1.0, 1.0, 4.0, 94.0], [5.0, 3.0, 99.0, 7.0, 2.0]), 5, 2)
    assert seen.completion_s.tolist() == [5.0, 8.0, 8.0, 15.0, 102.0]
    assert seen.wait_s[:, Stage.MEDIA].tolist() == [0.0, 4.0, 6.0, 2.0, 0.0]
    assert seen.service_s[:, Stage.CONTROLLER].tolist() == [5.0, 3.0, 0.0, 7.0, 2.0]
    # Places taken: 1 for 5 s, 2 for 3 s, 1 for 7 s; waiting: 4 + 6 + 2 s. The one drive is busy for 5 + 3 + 7 s.
    assert seen.marks.busy_s[-1].tolist() == [18.0, 15.0]
    assert seen.marks.waiting_s[-1].tolist() == [12.0, 0.0]


@pytest.mark.parametrize("engine", ENGINES)
def test_no_more_are_written_together_than_a_write_has_room_for(engine: Engine) -> None:
    """Three come during the first write: two are written till 7 s, the third by itself till 8 s."""
    seen = runner(engine)(log(2)([0.0, 1.0, 1.0, 1.0], [5.0, 2.0, 9.0, 1.0]), 4)
    assert seen.completion_s.tolist() == [5.0, 7.0, 7.0, 8.0]
    alone = runner(engine)(log(1)([0.0, 1.0, 1.0, 1.0], [5.0, 2.0, 9.0, 1.0]), 4)
    assert alone.completion_s.tolist() == [5.0, 7.0, 16.0, 17.0]


def test_a_commit_that_is_followed_shows_how_many_were_there() -> None:
    found = observe(log(9)([0.0, 1.0, 1.0], [5.0, 3.0, 99.0]), [1, 2])
    assert found[1] == [Visit(0, 1.0, 4.0, 0.0, ahead=1), Visit(1, 5.0, 0.0, 3.0, ahead=0)]
    assert found[2] == [Visit(0, 2.0, 6.0, 0.0, ahead=2)]


# What holds of every commit


@pytest.mark.parametrize("most", [1, 3, 1000])
def test_a_commit_is_durable_by_one_write_that_began_when_it_was_there(most: int) -> None:
    seen = observe_scenario(commits(2500 if most > 1 else 800, EXPONENTIAL, most), 20_000)
    leads = seen.service_s[:, Stage.MEDIA] > 0.0
    ends = seen.completion_s[leads]
    begins = seen.arrival_s[leads] + seen.wait_s[leads, Stage.MEDIA]
    order = np.argsort(begins)
    begins, ends = begins[order], ends[order]
    assert (begins[1:] >= ends[:-1] - 1e-12).all()  # one in flight at a time
    written = np.searchsorted(ends, seen.completion_s)
    np.testing.assert_array_equal(ends[written], seen.completion_s)  # every commit ends with a write, ...
    assert (begins[written] >= seen.arrival_s - 1e-12).all()  # ... and that began after it had come
    sizes = np.bincount(written)
    assert sizes.max() <= most
    assert (np.diff(seen.completion_s) >= 0).all()  # nobody overtakes
    # A write takes all that are there when it begins, up to its limit.
    there = np.searchsorted(seen.arrival_s, begins, side="right") - (np.cumsum(sizes) - sizes)
    np.testing.assert_array_equal(sizes[:-1], np.minimum(there, most)[:-1])
    if most > 1:
        assert sizes.mean() > 1.5


def test_with_nothing_in_flight_a_commit_takes_as_long_as_before() -> None:
    alone, collected = (
        observe_scenario(shared_scenario(READY, "load=0.001", *more), 400) for more in ([], [f"{KEY}=16"])
    )
    np.testing.assert_allclose(collected.latency_s, alone.latency_s, rtol=1e-9)


# Against queueing theory: a server that takes all who wait, at most so many, whenever it is free. N. T. J. Bailey, On
# queueing processes with bulk service, J. Royal Statistical Society B 16, 1954; M. F. Neuts, A general class of bulk
# queues with Poisson input, Annals of Mathematical Statistics 38, 1967 (from memory). The forms below are derived.


@pytest.mark.parametrize("rate_per_s", [300, 3000])
@pytest.mark.parametrize("law", ["constant", "exponential"])
def test_latency_without_a_limit_is_that_of_bulk_service(rate_per_s: int, law: str) -> None:
    """Writes follow each other, with a pause of 1/rate on average behind those in which nobody comes. A commit that
    finds one in flight, as a share r of them does (Poisson arrivals see time averages), waits for the rest of it,
    E S^2 / 2 E S on average, and then takes a write of its own: E S + r E S^2 / (2 E S)."""
    a = rate_per_s * MS
    nobody, square = (np.exp(-a), MS**2) if law == "constant" else (1 / (1 + a), 2 * MS**2)
    busy = a / (a + nobody)
    scenario = commits(rate_per_s, CONSTANT if law == "constant" else EXPONENTIAL, 10_000)
    sampled = samples(scenario, 20_000)
    figures = found(scenario, sampled)
    assert_agrees(figures.latency_s["mean"], MS + busy * square / (2 * MS))
    # Little: the number waiting, and utilisation: the drive is busy for the share r of the time.
    banks = [bank.name for bank in offered_load(scenario, 1).banks]
    assert_agrees(busy_mean(sampled, banks.index("drive")), busy)
    if law == "constant":  # the rest of a constant write is uniform: 1 % take longer than 2 S - 0.01 S / r
        assert_agrees(figures.latency_s["p99"], MS * (2 - 0.01 / busy), power=0.02)


@pytest.mark.parametrize(("rate_per_s", "most"), [(1200, 2), (2200, 4)])
def test_latency_with_a_limit_is_that_of_exponential_bulk_service(rate_per_s: int, most: int) -> None:
    """With n waiting behind a write in flight: (a + m) p_n = a p_(n-1) + m p_(n+b), solved by p_n = C z^n with
    m z^(b+1) - (a + m) z + a = 0 and 0 < z < 1; idle p = m C / a, and all adds up to 1."""
    a, m = float(rate_per_s), 1000.0
    z = brentq(lambda z: m * z ** (most + 1) - (a + m) * z + a, 1e-9, 1 - 1e-6)
    factor = 1 / (m / a + 1 / (1 - z))
    waiting = factor * z / (1 - z) ** 2
    scenario = commits(rate_per_s, EXPONENTIAL, most)
    sampled = samples(scenario, 20_000)
    assert_agrees(found(scenario, sampled).latency_s["mean"], waiting / a + 1 / m)
    # The places of a write that are taken: of all that come, each keeps one for as long as a write takes.
    banks = [bank.name for bank in offered_load(scenario, 1).banks]
    place = banks.index("log of booking")
    assert_agrees(busy_mean(sampled, place), a / m)
    # Who is written along counts as waiting till the end: of a each second, m (1 - p) lead.
    assert_agrees(waiting_mean(sampled, place), waiting + (a - m * (1 - m * factor / a)) / m)


# What it brings, and what is known of it before any run


def test_a_log_carries_as_many_commits_as_go_into_its_writes() -> None:
    for most in (1, 5, 64):
        load_found = offered_load(commits(800, CONSTANT, most), 1)
        binding = load_found.binding
        assert binding is not None
        assert binding.station in ("drive", "log of booking")
        assert binding.load_factor == pytest.approx(most / 0.8)
    one_by_one = simulate(commits(3000, CONSTANT, 1), engine=ENGINE)
    assert one_by_one.overload is not None
    assert one_by_one.overload.largest_load_factor == pytest.approx(1 / 3)
    together = simulate(commits(3000, CONSTANT, 64), engine=ENGINE)
    assert together.overload is None
    assert together.classes[0].all.latency_s["mean"].value == pytest.approx(1.5 * MS, rel=0.05)


def test_a_mirrored_write_keeps_the_log_for_as_long_as_one_of_its_copies_takes() -> None:
    mirrored = commits(
        800, CONSTANT, 4, media='count = 2\n[server.layout]\nredundancy = "mirror"\ncopies = 2'
    )
    load_found = offered_load(mirrored, 1)
    of = {bank.name: float(each) for bank, each in zip(load_found.banks, load_found.share, strict=True)}
    assert of["log of booking"] == pytest.approx(0.2)
    assert of["drive"] == pytest.approx(0.2)


def test_demands_within_a_collected_stretch_are_shared() -> None:
    """By hand: 1 s before it, and of 2 s, 4 s beside 6 s, and 8 s that nobody waits for, a half each."""
    server = stations(station("bulk", 2), station("fcfs", 3))
    inside = [visit(1, 2.0), split([visit(1, 4.0)], [visit(1, 6.0)]), detach([visit(1, 8.0)])]
    demand = chunk_demand(rows([0.0], [[visit(1, 1.0), collect(0, inside)]]), server)
    assert demand.service_s.tolist() == [0.0, 1.0 + 20.0 / 2]
    assert demand.visits.tolist() == [1.0, 1.0 + 4 / 2]
    assert demand.awaited_s == 13.0


def test_a_write_of_a_log_on_an_arm_takes_a_turn() -> None:
    """The next page in turn has passed below the head when the write of the last one is answered: 60 / 7200 s."""
    turning = parse(f"""
[server.controller]
cores = 4
{spinning(capacity="2 TB", inner_rate="100 MB/s")}
[[workload]]
name = "booking"
rate = "300 /s"
[[workload.step]]
request_size = "4 KiB"
read_share = 0
pattern = "sequential"
durable = true
group_commit = 16
""")
    binding = offered_load(turning, 1).binding
    assert binding is not None
    assert binding.station == "log of booking"
    assert binding.load_factor == pytest.approx(16 * 120 / 300, rel=0.02)
    assert estimate(turning, seed=1).classes["booking"].mean_s == pytest.approx(1.5 / 120, rel=0.02)


def test_bulk_service_by_hand() -> None:
    """One of 1 and one of 3 s at 0.5 a second: a = 1, q = (exp(-0.5) + exp(-1.5)) / 2, and E S^2 / (2 E S) = 5 / 4."""
    q = (np.exp(-0.5) + np.exp(-1.5)) / 2
    found = theory.bulk_service(0.5, np.array([1.0, 3.0]))
    assert found.size == pytest.approx(1 + q)
    assert found.wait_s == pytest.approx(1.25 / (1 + q))
    with pytest.raises(theory.OutsideValidityError):
        theory.bulk_service(0.0, np.array([1.0]))


def test_the_estimate_is_exact_where_nothing_disturbs_a_log_without_limit() -> None:
    for rate_per_s in (10, 800, 3000):
        a = rate_per_s * MS
        reckoned = estimate(commits(rate_per_s, CONSTANT, 10_000), seed=1).classes["booking"]
        assert reckoned.mean_s == pytest.approx(MS * (1 + a / (a + np.exp(-a)) / 2))


def test_an_estimate_counts_for_others_only_the_writes_that_are_made() -> None:
    """Reads beside 3,000 commits a second on the one drive: 983 writes of 0.2 ms a second, as 3.05 go together."""
    other = '[[workload]]\nname = "search"\nrate = "1000 /s"\nrequest_size = "4 KiB"'
    constant = CONSTANT.replace("1 ms", "0.2 ms")
    both = estimate(commits(3000, constant, 100, step=other), seed=1).classes["search"]
    a, s = 0.6, 0.2 * MS
    used = (1000 + 3000 / (a + np.exp(-a))) * s
    assert both.mean_s == pytest.approx(s + used * s / (2 * (1 - used)))  # Pollaczek and Khinchine
    assert both.caution is None


def test_the_estimate_says_what_it_leaves_out() -> None:
    said = estimate(commits(800, CONSTANT, 8), seed=1).classes["booking"]
    assert said.caution is not None
    assert "log" in said.caution
    assert said.p99_s is None
    closed = parse(
        READY_FILE.read_text("utf-8").replace('rate = "25 /s" ', "queue_depth = 1"), overrides=[f"{KEY}=8"]
    )
    found_of_closed = estimate(closed, seed=1).classes["booking"]
    assert found_of_closed.mean_s is None
    assert found_of_closed.low_s is None


SHORT = f"""
{generic(service=CONSTANT)}
[[workload]]
name = "booking"
rate = "10 /s"
[[workload.step]]
request_size = "4 KiB"
read_share = 0
durable = true
group_commit = 8
"""


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"read_share = 0\n": "read_share = 0.5\n"}, ("the step reads", "read_share = 0")),
        ({"durable = true\n": ""}, ("not durable", "durable = true")),
        ({"group_commit = 8": "group_commit = 0"}, ("group_commit", "at least 1")),
        ({"group_commit = 8": "group_commit = true"}, ("group_commit", "true")),
        (
            {'request_size = "4 KiB"\nread_share = 0\ndurable = true\n': 'compute = "1 ms"\n'},
            ("no requests",),
        ),
        ({"[[workload.step]]\n": ""}, ("group_commit",)),
        (
            {"[server.media]": '[server.controller]\nwrite_back = {size = "1 GiB"}\n[server.media]'},
            ("write-back memory answers", "without write_back"),
        ),
    ],
)
def test_what_cannot_be_collected_is_refused(changed: dict[str, str], said: tuple[str, ...]) -> None:
    text = SHORT
    for old, new in changed.items():
        assert old in text
        text = text.replace(old, new)
    with pytest.raises(ScenarioError) as caught:
        parse(text)
    assert all(each in str(caught.value) for each in ("group_commit", *said)), caught.value


def test_only_the_write_itself_is_shared() -> None:
    """A core spends 20 us on every commit, and 8 us on every second one: for its drive operation."""
    controller = """[server.controller]
cores = 1
per_request = "15 us"
per_completion = "5 us"
per_disk_operation = "8 us"
[server.media]"""
    text = SHORT.replace("[server.media]", controller).replace("group_commit = 8", "group_commit = 2")
    loads = offered_load(parse(text), 1)
    of = {bank.name: float(each) for bank, each in zip(loads.banks, loads.share, strict=True)}
    assert of["cores"] == pytest.approx(10 * (20e-6 + 8e-6 / 2), rel=0.02)


def test_two_collecting_steps_of_a_class_have_a_log_each() -> None:
    step = "[[workload.step]]\nrequest_size = '4 KiB'\nread_share = 0\ndurable = true\ngroup_commit = 2"
    banks = offered_load(commits(100, CONSTANT, 4, step=step), 1).banks
    logs = {bank.name: bank.servers for bank in banks if bank.name.startswith("log of")}
    assert logs == {"log of booking, 1": 4, "log of booking, 2": 2}


def test_the_command_line_runs_and_lists_it() -> None:
    ready = str(READY_FILE)
    short = ["--set", "run.requests=2000", "--set", "run.replications=2", "--workers", "1", "--json"]
    commands = ["run", ready, "--set", f"{KEY}=8", "--set", "load=3", *short]
    document = json.loads(CliRunner().invoke(app, commands).stdout)
    log_row = next(each for each in document["stations"] if each["name"] == "log of booking")
    assert log_row["discipline"] == "bulk"
    assert log_row["servers"] == 8
    assert 0.2 < log_row["utilisation"] < 0.5
    listed = CliRunner().invoke(app, ["keys"]).stdout
    assert "group_commit" in listed
    wrong = CliRunner().invoke(app, ["run", ready, "--set", "workload.booking.step[0].group_commit=8"])
    assert wrong.exit_code == 2
    assert "the step reads" in wrong.stderr
