"""The second answer: closed forms on the demands of the plan, against published formulas, simulation and bounds."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from typer.testing import CliRunner

import tailrace
from drives import flash, generic
from shortened import shortened
from tailrace import theory
from tailrace.answer.agreement import disagreements, standard_errors
from tailrace.cli import app
from tailrace.forecast.decompose import Decomposition
from tailrace.forecast.estimate import estimate
from tailrace.forecast.result import ClassTheory, Theory
from tailrace.measure.interval import IntervalEstimate
from tailrace.plan.build import sample_demands, sample_of
from tailrace.scenario import parse
from through import ENGINE, SHARED, found, observe, one_station, samples, shared_scenario, standard_error

SCENARIOS = [
    path
    for path in sorted((SHARED / "scenarios").glob("*.toml"))
    if "[[condition]]" not in path.read_text("utf-8")
]
"""Those with conditions are estimated in each of them: see test_conditions.py."""
FEW = {"booking-flash", "booking-spinning", "capacity-flash", "cluster-copies", "mixed", "one-station"}
EXPONENTIAL = '{law = "exponential", mean = "1 ms"}'

CLOSED = f"""
[server.controller]
service = {{law = "exponential", mean = "1 ms"}}
{generic("exponential", "4 ms", count=2)}
[[workload]]
name = "booking"
clients = 5
think_time = "10 ms"
request_size = "8 KiB"
"""

DRIVES = flash(
    count=4,
    dies=16,
    channels=4,
    channel_rate="1 GB/s",
    cell_read="60 us",
    cell_program="600 us",
    cell_erase="4 ms",
    page="16 KiB",
    pages_per_block=1024,
    write_amplification=1.0,
    buffer="8 MiB",
)
FLASH = f"""
{DRIVES}
[[workload]]
name = "booking"
request_size = "8 KiB"
"""


def booking(text: str) -> ClassTheory:
    return estimate(parse(text), seed=1).classes["booking"]


# Exact


def test_one_station_is_erlangs() -> None:
    # M/M/4 at 0.8: Erlang C = 0.5964, wait 0.7455 ms; A. O. Allen, tables of Erlang C (the value from memory).
    answer = estimate(shared_scenario("one-station")).classes["booking"]
    assert answer.exact_mean
    assert answer.exact_p99
    assert answer.mean_s == pytest.approx(1.7455e-3, rel=1e-4)
    assert answer.p99_s == pytest.approx(theory.mmc_response_quantile(0.99, 3200, 1000, 4), rel=1e-8)
    assert answer.method == "M/M/4"


def test_four_stations_in_tandem_have_the_gamma_distribution() -> None:
    # Four independent exponential times of 5 ms: the 99 % point of chi-squared with 8 degrees of freedom is 20.090 in
    # the tables, that of the sum 2.5 ms times as much (M. Abramowitz and I. A. Stegun, table 26.8).
    answer = estimate(shared_scenario("four-stations")).classes["booking"]
    assert answer.mean_s == pytest.approx(20e-3, rel=1e-12)
    assert answer.p99_s == pytest.approx(20.090 * 2.5e-3, rel=5e-5)
    assert answer.exact_p99


def test_a_single_server_of_any_law_is_pollaczeks_and_khinchines() -> None:
    answer = estimate(one_station('{law = "constant", value = "1 ms"}', 800)).classes["booking"]
    # Derived: rho / (2 (1 - rho)) services of wait, rho = 0.8.
    assert answer.mean_s == pytest.approx(3e-3, rel=1e-9)
    assert answer.p99_s == pytest.approx(theory.md1_response_quantile(0.99, 800, 1e-3), rel=1e-6)
    assert answer.exact_mean
    assert answer.exact_p99


def test_processor_sharing_promises_means_only() -> None:
    law = '{law = "hyperexponential", mean = "1 ms", scv = 9}'
    answer = estimate(one_station(law, 800, 'discipline = "ps"')).classes["booking"]
    assert answer.mean_s == pytest.approx(5e-3, rel=1e-9)
    assert answer.exact_mean
    assert answer.p99_s is None
    assert answer.p99_reason == "processor sharing promises means only"


def test_several_servers_midway_leave_the_p99_approximate() -> None:
    text = (SHARED / "scenarios" / "four-stations.toml").read_text()
    text = text.replace("[server.lanes]\n", "[server.lanes]\nservers = 2\n")
    answer = estimate(parse(text)).classes["booking"]
    assert answer.exact_mean
    assert answer.p99_s is not None
    assert not answer.exact_p99


def test_priorities_at_one_station_are_cobhams() -> None:
    second = '[[workload]]\nname = "manifests"\nrate = "300 /s"\nrequest_size = "8 KiB"\npriority = 1\n'
    classes = estimate(one_station(EXPONENTIAL, 400, workload=second)).classes
    # Derived from Cobham 1954: W0 = 0.7 ms; 0.7 / 0.6 and 0.7 / (0.6 * 0.3) ms of wait.
    assert classes["booking"].mean_s == pytest.approx(1e-3 + 0.7e-3 / 0.6, rel=1e-9)
    assert classes["manifests"].mean_s == pytest.approx(1e-3 + 0.7e-3 / 0.18, rel=1e-9)
    assert classes["manifests"].p99_s is None


def test_a_closed_network_of_exponential_stations_is_solved_exactly() -> None:
    answer = booking(CLOSED)
    # Derived: the recursion of mean value analysis, by hand in a few lines.
    demand, queue, rate = np.array([1e-3, 2e-3, 2e-3]), np.zeros(3), 0.0
    for clients in range(1, 6):
        residence = demand * (1 + queue)
        rate = clients / (10e-3 + residence.sum())
        queue = rate * residence
    assert answer.mean_s == pytest.approx(5 / rate - 10e-3, rel=1e-9)
    assert answer.rate_per_s == pytest.approx(rate, rel=1e-9)
    assert answer.exact_mean
    assert answer.low_s is not None
    assert answer.high_s is not None
    assert answer.low_s < (answer.mean_s or 0) < answer.high_s


@pytest.mark.whole
def test_open_classes_beside_closed_ones_are_exact_where_all_is_exponential() -> None:
    text = CLOSED.replace('think_time = "10 ms"', 'think_time = "2 ms"') + (
        '[[workload]]\nname = "manifests"\nrate = "100 /s"\nrequest_size = "8 KiB"\n'
    )
    scenario = parse(text)
    known = estimate(scenario).classes
    sampled = samples(scenario, 20_000)
    for name in ("booking", "manifests"):
        simulated = found(scenario, sampled, name).latency_s["mean"]
        assert known[name].exact_mean
        assert simulated.value == pytest.approx(known[name].mean_s, abs=4 * standard_error(simulated))
        assert standard_error(simulated) < 0.01 * (known[name].mean_s or math.nan)


# Approximate


def test_independent_stations_come_near_a_flash_box() -> None:
    scenario = shared_scenario("booking-flash-busy")
    known = estimate(scenario).classes["booking"]
    if ENGINE == "reference":
        pytest.skip("needs the compiled engine")
    simulated = found(scenario, samples(scenario, 20_000)).latency_s
    assert known.mean_s == pytest.approx(simulated["mean"].value, rel=0.03)
    assert known.p99_s == pytest.approx(simulated["p99"].value, rel=0.08)
    assert not known.exact_mean


def test_a_closed_class_lies_between_its_bounds() -> None:
    for depth in (1, 8, 64):
        answer = booking(f"{FLASH}queue_depth = {depth}\n")
        assert answer.low_s is not None
        assert answer.high_s is not None
        assert answer.low_s <= (answer.mean_s or 0) * (1 + 1e-9)
        assert (answer.mean_s or 0) <= answer.high_s * (1 + 1e-9)
        assert answer.rate_per_s == pytest.approx(depth / (answer.mean_s or 1), rel=1e-9)
    alone = booking(f"{FLASH}queue_depth = 1\n")
    # Derived: command 2 us, cell 60 us, 8 KiB over 1 GB/s.
    assert alone.mean_s == pytest.approx(62e-6 + 8192e-9, rel=1e-6)


def test_what_is_not_to_be_trusted_is_said() -> None:
    assert "arm" in (estimate(shared_scenario("booking-spinning")).classes["booking"].caution or "")
    assert "side by side" in (estimate(shared_scenario("mixed")).classes["manifests"].caution or "")
    bursty = one_station(EXPONENTIAL, 500, workload='arrivals = "bursty"\nburstiness = 9')
    known = estimate(bursty).classes["booking"]
    assert "bursts" in (known.caution or "")
    assert not known.exact_mean
    calm = estimate(shared_scenario("booking-flash")).classes["booking"]
    assert calm.caution is None


RANKED = """
[server.controller]
cores = 2
per_request = "20 us"
per_completion = "10 us"
per_disk_operation = "10 us"
[server.media]
kind = "generic"
count = 8
discipline = "fcfs"
service = {law = "exponential", mean = "100 us"}
[[workload]]
name = "bulk"
rate = "20000 /s"
request_size = "4 KiB"
priority = 1
[[workload]]
name = "urgent"
rate = "20000 /s"
request_size = "4 KiB"
priority = 0
"""


def test_priorities_count_at_every_station_of_several() -> None:
    if ENGINE == "reference":
        pytest.skip("needs the compiled engine")
    known = estimate(parse(RANKED), 1).classes
    observed = observe(parse(RANKED), 300_000)
    for number, name in enumerate(("bulk", "urgent")):
        simulated = observed.latency_s[observed.class_index == number][20_000:].mean()
        assert known[name].mean_s == pytest.approx(simulated, rel=0.03)
        assert known[name].caution is None
    assert (known["bulk"].mean_s or 0) > 1.5 * (known["urgent"].mean_s or math.inf)


def test_priorities_that_no_formula_knows_are_said() -> None:
    copying = parse(
        RANKED.replace('per_request = "20 us"', 'per_request = "20 us"\ncopy_rate = "0.5 GB/s"')
        .replace('"4 KiB"\npriority = 1', '"64 KiB"\npriority = 1')
        .replace("20000", "2000")
    )
    assert "priorities at cores" in (estimate(copying, 1).classes["urgent"].caution or "")
    closed = parse(
        RANKED.replace(
            'rate = "20000 /s"\nrequest_size = "4 KiB"\npriority = 1',
            'queue_depth = 4\nrequest_size = "4 KiB"\npriority = 1',
        )
    )
    assert "priorities" in (estimate(closed, 1).classes["urgent"].caution or "")


def test_a_write_buffer_in_short_supply_is_said() -> None:
    text = FLASH.replace('buffer = "8 MiB"', 'buffer = "128 KiB"') + 'rate = "60000 /s"\nread_share = 0.0\n'
    assert "write buffer" in (booking(text).caution or "")
    assert "write buffer" not in (booking(text.replace("60000", "600")).caution or "")


def test_an_overloaded_server_gets_no_latency() -> None:
    answer = estimate(shared_scenario("one-station", 'workload.booking.rate="4400 /s"'))
    assert answer.classes == {}
    assert answer.saturation is not None
    assert answer.saturation.load_factor == pytest.approx(4000 / 4400, rel=1e-9)


def test_a_server_just_below_saturation_is_not_refused() -> None:
    answer = estimate(one_station(EXPONENTIAL, 999))
    assert answer.saturation is not None
    assert answer.saturation.load_factor == pytest.approx(1000 / 999, rel=1e-9)
    assert answer.classes["booking"].mean_s == pytest.approx(1.0, rel=1e-9)


def test_demands_know_the_variability_of_the_work() -> None:
    law = '{law = "gamma", mean = "1 ms", scv = 0.25}'
    _, demands = sample_demands(one_station(law, 100), 3)
    assert demands["booking"].scv[0] == pytest.approx(0.25, rel=0.05)
    stations, demands = sample_demands(parse(f'{FLASH}rate = "100 /s"\n'), 3)
    die = next(bank for bank in stations.banks if bank.name == "die")
    assert demands["booking"].scv[die.first : die.first + die.count] == pytest.approx(0.0, abs=1e-9)


# Agreement


def test_a_difference_of_more_than_four_standard_errors_is_a_warning() -> None:
    result = tailrace.simulate(
        shared_scenario("one-station", "run.requests=4000", "run.precision=0.5"), seed=5
    )
    known = result.theory.classes["booking"]
    assert disagreements(result.theory, result.classes, result.replications) == ()
    assert not any("Warning" in note for note in result.notes)
    wrong = Theory(None, {}, {"booking": replace(known, mean_s=1.5 * (known.mean_s or 0))})
    (said,) = disagreements(wrong, result.classes, result.replications)
    assert said.startswith("Warning: the simulated mean of class 'booking' is 3")
    assert "below its exact value" in said
    approximate = Theory(None, {}, {"booking": replace(wrong.classes["booking"], exact_mean=False)})
    assert disagreements(approximate, result.classes, result.replications) == ()
    assert disagreements(wrong, result.classes, 4) == ()


def test_standard_errors_come_from_the_interval() -> None:
    # Student's factor for 15 degrees of freedom is 2.131 in the tables.
    assert standard_errors(IntervalEstimate(1.0, 0.9, 1.1, 16, ""), 1.2, 16) == pytest.approx(
        2 * 2.131, rel=1e-3
    )
    assert standard_errors(IntervalEstimate.unknown(16, "too few"), 1.2, 16) == 0.0


# What is counted on a sample


def test_a_sample_is_counted_once_whatever_the_load_and_every_visit_goes_to_its_bank() -> None:
    scenario = tailrace.load(SHARED / "scenarios" / "degraded.toml")
    half = scenario.model_copy(update={"load": 0.5})
    assert sample_of(scenario, 3) is sample_of(half, 3)
    assert sample_of(scenario, 3).visits is sample_of(half, 3).visits
    full, less = Decomposition(scenario, 3), Decomposition(half, 3)
    (name,) = (each.name for each in scenario.workload)
    sample = full.samples[name]
    assert less.samples[name] is sample
    banks = full.stations.banks
    for place, bank in enumerate(banks):
        at_bank = (sample.visits.station >= bank.first) & (sample.visits.station < bank.first + bank.count)
        assert sample.works(place).tolist() == sample.visits.work_s[at_bank].tolist()
        assert sample.made[place] == at_bank.sum()
        awaited = at_bank & sample.visits.awaited
        assert sum(group.works[place].size for group in sample.groups) == awaited.sum()
    assert sum(group.share for group in sample.groups) == pytest.approx(1.0)


# The command


@pytest.mark.parametrize("name", shortened([path.stem for path in SCENARIOS], kept=FEW))
def test_every_shared_scenario_is_answered_and_fits_the_terminal(name: str) -> None:
    path = SHARED / "scenarios" / f"{name}.toml"
    answer = estimate(tailrace.load(path))
    assert answer.classes
    done = CliRunner().invoke(app, ["estimate", str(path)], env={"COLUMNS": "80"})
    assert done.exit_code == 0
    assert max(map(len, done.stdout.splitlines())) <= 80
    done = CliRunner().invoke(app, ["estimate", str(path), "--json"])
    document = json.loads(done.stdout)
    assert document["theory"] == answer.as_dict()


def test_an_overloaded_scenario_ends_the_command_as_a_run_does() -> None:
    path = str(SHARED / "scenarios" / "one-station.toml")
    done = CliRunner().invoke(app, ["estimate", path, "--set", 'workload.booking.rate="4400 /s"'])
    assert done.exit_code == 1
    assert done.stdout.splitlines()[2].startswith("Overloaded: at drive (media)")
