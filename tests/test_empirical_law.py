"""Service times as they were measured: drawn as they are, and known by their moments."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drives import generic
from tailrace.answer.run import simulate
from tailrace.errors import ScenarioError
from tailrace.forecast.estimate import estimate
from tailrace.hardware.service import service_times
from tailrace.scenario.reading.read import load, parse
from tailrace.scenario.tables.law import Empirical

SCENARIO = f"""
{generic(service='{law = "empirical", LAW}')}
[[workload]]
name = "booking"
rate = "50 /s"
request_size = "8 KiB"
[run]
seed = 7
requests = 20000
replications = 24
"""


def scenario(law):
    return parse(SCENARIO.replace("LAW", law))


@settings(deadline=None)
@given(st.lists(st.floats(1e-6, 10.0), min_size=1, max_size=50))
def test_evenly_spread_draws_give_each_value_as_often_as_it_occurs(values):
    law = Empirical(values=tuple(values))
    places = (np.arange(3 * len(values)) + 0.5) / (3 * len(values))
    assert service_times(law, places) == pytest.approx(np.repeat(np.sort(values), 3))
    assert law.mean_s == pytest.approx(np.mean(values))
    assert law.scv == pytest.approx(np.var(values) / np.mean(values) ** 2, abs=1e-9)


def test_a_file_says_the_same_as_its_values(tmp_path):
    (tmp_path / "service.csv").write_text("when,took\n1,5\n2,20\n\n3,5\n")
    text = SCENARIO.replace("LAW", 'file = "service.csv", column = "took", unit = "ms"')
    (tmp_path / "scenario.toml").write_text(text)
    found = load(tmp_path / "scenario.toml")
    before = found.digest
    assert found.server.media.service.sorted_s == pytest.approx([5e-3, 5e-3, 20e-3])
    (tmp_path / "service.csv").write_text("when,took\n1,5\n2,20\n3,6\n")
    assert load(tmp_path / "scenario.toml").digest != before


def measured(kind, draw):
    if kind == "skewed":
        return draw.lognormal(-7.6, 1.2, 20_000)
    return draw.gamma(0.5, 1e-3, 20_000)


@pytest.mark.parametrize("kind", ["skewed", "often short"])
def test_closed_forms_know_measured_times_by_the_values_themselves(kind, tmp_path):
    # By hand from the values: Pollaczek and Khinchine; Lindley's recursion over values drawn again for the p99.
    draw = np.random.default_rng(1)
    values = np.maximum(measured(kind, draw), 1e-9)
    rate = 0.5 / values.mean()
    np.savetxt(tmp_path / "service.csv", values, header="took", comments="")
    text = SCENARIO.replace("LAW", 'file = "service.csv", column = "took"').replace("50 /s", f"{rate} /s")
    (tmp_path / "scenario.toml").write_text(text)
    known = estimate(load(tmp_path / "scenario.toml"), 1).classes["booking"]
    assert known.mean_s == pytest.approx(values.mean() + rate * np.mean(values**2) / (2 * 0.5), rel=1e-9)
    assert known.exact_mean
    assert not known.exact_p99
    service = draw.choice(values, 1_000_000)
    walk = np.cumsum(service[:-1] - draw.exponential(1 / rate, service.size - 1))
    response = walk - np.minimum(np.minimum.accumulate(walk), 0.0) + service[1:]
    assert known.p99_s == pytest.approx(np.quantile(response, 0.99), rel=0.02)


def test_few_measured_times_have_the_quantiles_of_a_law_that_jumps():
    # Half of the requests wait; among a million by Lindley's recursion.
    known = estimate(scenario('values = ["2 ms", "2 ms", "2 ms", "34 ms"]'), 1).classes["booking"]
    draw = np.random.default_rng(2)
    service = draw.choice([2e-3, 2e-3, 2e-3, 34e-3], 1_000_000)
    walk = np.cumsum(service[:-1] - draw.exponential(1 / 50, service.size - 1))
    response = walk - np.minimum(np.minimum.accumulate(walk), 0.0) + service[1:]
    assert known.p99_s == pytest.approx(np.quantile(response, 0.99), rel=0.02)


def test_the_mean_of_a_queue_with_measured_service_is_that_of_pollaczek_and_khinchine():
    found = scenario('values = ["2 ms", "2 ms", "2 ms", "34 ms"]')
    values = np.array([2e-3, 2e-3, 2e-3, 34e-3])
    busy = 50 * values.mean()
    exact = values.mean() + 50 * np.mean(values**2) / (2 * (1 - busy))  # Kleinrock 1975, 5.6 (from memory)
    answer = simulate(found)
    mean = answer.classes[0].all.latency_s["mean"]
    error = (mean.high - mean.low) / 2 / 2.07  # 24 replications
    assert abs(mean.value - exact) < 4 * error
    assert error < 0.015 * exact
    theory = answer.theory.classes["booking"]
    assert theory.exact_mean
    assert theory.mean_s == pytest.approx(exact, rel=0.03)


@pytest.mark.parametrize(
    ("law", "key", "said"),
    [
        ('unit = "s"', "service", "neither values nor file"),
        ('values = ["1 ms"], file = "a.csv"', "service", "both values and file"),
        ('values = ["0 ms"]', "service.values[0]", "not above 0"),
        ("values = []", "service.values", "too few"),
        ('file = "nowhere.csv"', "service.file", "no such file"),
        ('file = "nowhere.csv", unit = "moons"', "service.unit", "unknown unit"),
    ],
)
def test_a_measured_law_that_is_none_is_refused(law, key, said):
    with pytest.raises(ScenarioError) as caught:
        scenario(law)
    assert any(one.key == f"server.media.{key}" and said in one.message for one in caught.value.problems), (
        caught.value
    )


def test_values_that_are_none_are_named_with_their_lines(tmp_path):
    (tmp_path / "scenario.toml").write_text(SCENARIO.replace("LAW", 'file = "service.csv"'))
    (tmp_path / "service.csv").write_text("took\n1\n-2\nx\n")
    with pytest.raises(ScenarioError, match=r"line 3: -2; line 4: x"):
        load(tmp_path / "scenario.toml")
