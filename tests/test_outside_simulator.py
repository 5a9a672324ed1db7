"""The engine against Ciw, a general-purpose queueing library, on networks of which closed forms give only part.

Both simulate the same model; two samples agree when their means differ by less than four standard errors of the
difference, and these are small enough for that to mean much.
"""

import warnings
from collections.abc import Mapping

import numpy as np
import pytest

from drives import generic
from tailrace.arrays import FloatArray
from tailrace.replicate.boiled import replicate
from tailrace.scenario import parse
from tailrace.scenario.tables.scenario import Scenario
from through import ENGINE, ERRORS

ciw = pytest.importorskip("ciw")

POWER = 0.03
REPLICATIONS = 24
WARMUP = 0.1

TANDEM = f"""
[server.controller]
service = {{law = "uniform", low = "0.2 ms", high = "1.2 ms"}}
[server.lanes]
service = {{law = "constant", value = "0.3 ms"}}
{generic("exponential", "1.6 ms", servers=2)}
[[workload]]
name = "booking"
rate = "900 /s"
request_size = "8 KiB"
"""

PRIORITY = f"""
[server.controller]
service = {{law = "exponential", mean = "1 ms"}}
servers = 2
{generic(service='{law = "uniform", low = "0.1 ms", high = "1.1 ms"}')}
[[workload]]
name = "booking"
rate = "700 /s"
request_size = "8 KiB"
priority = 0
[[workload]]
name = "manifests"
rate = "600 /s"
request_size = "8 KiB"
priority = 1
"""


def engine_figures(text: str, requests: int) -> dict[str, FloatArray]:
    """Of each class, (mean, p95) in each replication, shape (replications, 2)."""
    scenario: Scenario = parse(text)
    found: dict[str, list[list[float]]] = {each.name: [] for each in scenario.workload}
    for number in range(REPLICATIONS):
        sample = replicate(scenario, 3, number, requests, ENGINE, 10**9)
        for name, rows in found.items():
            latency = sample.kinds[name]["all"].latency_s
            rows.append([float(latency.mean()), float(np.quantile(latency, 0.95))])
    return {name: np.array(rows) for name, rows in found.items()}


def ciw_figures(
    network: object, nodes: int, until_s: float, classes: Mapping[str, str]
) -> dict[str, FloatArray]:
    """The same from Ciw. ``classes`` gives its class of each of ours."""
    found: dict[str, list[list[float]]] = {name: [] for name in classes}
    for number in range(REPLICATIONS):
        ciw.seed(number)
        simulation = ciw.Simulation(network)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            simulation.simulate_until_max_time(until_s)
        begin: dict[int, float] = {}
        end: dict[int, float] = {}
        of_class: dict[int, str] = {}
        for record in simulation.get_all_records():
            if record.node == 1:
                begin[record.id_number] = record.arrival_date
                of_class[record.id_number] = record.customer_class
            if record.node == nodes:
                end[record.id_number] = record.exit_date
        for name, theirs in classes.items():
            latency = [
                end[i] - at
                for i, at in begin.items()
                if of_class[i] == theirs and WARMUP * until_s <= at <= 0.95 * until_s and i in end
            ]
            found[name].append([float(np.mean(latency)), float(np.quantile(latency, 0.95))])
    return {name: np.array(rows) for name, rows in found.items()}


def assert_same(ours: FloatArray, theirs: FloatArray) -> None:
    difference = ours.mean(axis=0) - theirs.mean(axis=0)
    error = np.sqrt((ours.var(axis=0, ddof=1) + theirs.var(axis=0, ddof=1)) / REPLICATIONS)
    said = f"{ours.mean(axis=0)} here, {theirs.mean(axis=0)} there, standard error {error}"
    assert (error < POWER * theirs.mean(axis=0)).all(), said
    assert (np.abs(difference) < ERRORS * error).all(), said


@pytest.mark.whole
def test_a_tandem_of_general_services_is_what_an_outside_simulator_finds() -> None:
    network = ciw.create_network(
        arrival_distributions=[ciw.dists.Exponential(900.0), None, None],
        service_distributions=[
            ciw.dists.Uniform(0.2e-3, 1.2e-3),
            ciw.dists.Deterministic(0.3e-3),
            ciw.dists.Exponential(1 / 1.6e-3),
        ],
        routing=[[0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [0.0, 0.0, 0.0]],
        number_of_servers=[1, 1, 2],
    )
    theirs = ciw_figures(network, 3, 3.0, {"booking": "Customer"})
    assert_same(engine_figures(TANDEM, 6000)["booking"], theirs["booking"])


@pytest.mark.whole
def test_priorities_are_what_an_outside_simulator_finds() -> None:
    both = ("first", "second")
    network = ciw.create_network(
        arrival_distributions={
            "first": [ciw.dists.Exponential(700.0), None],
            "second": [ciw.dists.Exponential(600.0), None],
        },
        service_distributions={
            each: [ciw.dists.Exponential(1000.0), ciw.dists.Uniform(0.1e-3, 1.1e-3)] for each in both
        },
        routing={each: [[0.0, 1.0], [0.0, 0.0]] for each in both},
        number_of_servers=[2, 1],
        priority_classes={"first": 0, "second": 1},
    )
    theirs = ciw_figures(network, 2, 3.0, {"booking": "first", "manifests": "second"})
    ours = engine_figures(PRIORITY, 8000)
    for name in ours:
        assert_same(ours[name], theirs[name])
    assert ours["manifests"][:, 0].mean() > 1.5 * ours["booking"][:, 0].mean()
