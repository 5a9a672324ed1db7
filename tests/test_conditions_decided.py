"""More replications until what holds over all conditions is decided: of which conditions, and how taken together."""

import numpy as np
import pytest

from studies import ONE_STATION, a_day
from tailrace.answer.bench import Evidence
from tailrace.answer.mixture import Mixture, Part
from tailrace.answer.sample import Sample
from tailrace.answer.together import Together
from tailrace.answer.work import work_of
from tailrace.quantity import Quantity
from tailrace.replicate.boiled import replicate
from tailrace.report.condition_words import conditions_sentence
from tailrace.scenario import Scenario, parse
from tailrace.scenario.reading.conditions import State, states
from tailrace.study.conditions import conditions
from through import ENGINE

DAY = a_day("{ load = 1.6 }", night=12, at_noon=4, day=8)


def day(*overrides: str) -> Scenario:
    keys = ('workload.booking.target.over="all conditions"', "run.requests=3000", "run.replications=8")
    return parse(ONE_STATION + DAY, overrides=(*keys, *overrides))


def sample(state: State, count: int) -> Sample:
    return Sample([replicate(state.scenario, 3, number, 3000, ENGINE) for number in range(8, 8 + count)])


@pytest.fixture(scope="module")
def parts() -> list[Part]:
    """Night and day four times, noon eleven times: two of them each, and three left over."""
    counts = {"night": 4, "noon": 11, "day": 4}
    return [Part(each.name, each.weight, sample(each, counts[each.name])) for each in states(day())]


def test_more_replications_of_one_condition_are_taken_together_with_the_fewer_of_another(
    parts: list[Part],
) -> None:
    mixed = Mixture(parts)
    assert len(mixed) == 4
    found = mixed.section("booking", Quantity("mean"))
    seconds = requests = 0.0
    for part in parts:
        every = part.sample.totals("booking", "all")[:8]
        window = sum(part.sample.windows_s[: len(every)])
        # Completions, by which a mixture counts, and requests that were measured differ by what is under way.
        rate = sum(each.completed for each in every) / window * part.weight
        requests += rate
        seconds += rate * sum(each.total_s for each in every) / sum(each.requests for each in every)
    assert found.value == pytest.approx(seconds / requests, rel=0.002)
    assert found.deviations.shape == (4,)


def test_layers_of_the_same_replications_say_what_these_say(parts: list[Part]) -> None:
    twice = [
        Part(each.name, each.weight, Sample([*each.sample.replications[:4]] * count))
        for each, count in zip(parts, (1, 2, 1), strict=True)
    ]
    once = [Part(each.name, each.weight, Sample(each.sample.replications[:4])) for each in parts]
    for text in ("mean", "p90", "rate", "throughput", "within_3_ms"):
        first, second = (Mixture(each).section("booking", Quantity(text), None) for each in (once, twice))
        assert second.value == pytest.approx(first.value or 0.0, rel=1e-12), text
        assert second.deviations == pytest.approx(first.deviations, rel=1e-9, abs=1e-12), text


def test_the_variance_that_each_condition_adds_is_that_of_its_requests(parts: list[Part]) -> None:
    mixed = Mixture(parts)
    for text in ("p99", "mean", "within_5_ms"):
        added = mixed.variances("booking", Quantity(text))
        assert max(added, key=lambda each: added[each]) == "noon", text
    # Independent parts: what they add is what the whole varies by. The slope of a mean's equation is the rate of all.
    added = mixed.variances("booking", Quantity("mean"))
    found = mixed.section("booking", Quantity("mean"))
    rate = sum(200 * part.weight * load for part, load in zip(parts, (1, 8, 5), strict=True))
    whole = float(np.var(found.deviations)) * rate**2
    assert 0.3 * whole < sum(added.values()) < 3 * whole  # of four replications at common random numbers
    # Twice as many replications of noon add half as much.
    fewer = [Part(each.name, each.weight, Sample(each.sample.replications[:4])) for each in parts]
    halved = added["noon"] / Mixture(fewer).variances("booking", Quantity("mean"))["noon"]
    assert 0.2 < halved < 1.2


def test_work_takes_replications_together_as_latencies_do(parts: list[Part]) -> None:
    scenario = day('workload.booking.amount="1 TB"')
    evidence = [
        Evidence(each.scenario, part.sample, 3000) for each, part in zip(states(scenario), parts, strict=True)
    ]
    found = work_of(states(scenario), evidence, "booking")
    assert found is not None
    assert found.time_s.deviations.shape == (4,)


def test_an_undecided_target_over_all_conditions_asks_for_those_that_bring_in_the_doubt(
    parts: list[Part],
) -> None:
    value = Mixture(parts).section("booking", Quantity("p99"), None).value
    scenario = day(f'workload.booking.target.p99="{1e3 * (value or 0.0):.6f} ms"')
    evidence = [
        Evidence(each.scenario, part.sample, 3000) for each, part in zip(states(scenario), parts, strict=True)
    ]
    assert Together.of(scenario, evidence).undecided(0.95) == {1}
    mild = day('workload.booking.target.p99="1 s"')
    assert Together.of(mild, evidence).undecided(0.95) == set()
    # Judged in each of them, all are open that are near their limit: night and day are far below it.
    own = parse(
        ONE_STATION + DAY, overrides=(f'workload.booking.target.p99="{1e3 * (value or 0.0):.6f} ms"',)
    )
    apart = [
        Evidence(each.scenario, part.sample, 3000) for each, part in zip(states(own), parts, strict=True)
    ]
    together = Together.of(own, apart)
    assert together.undecided(0.95) == {
        place for place, (_, target) in enumerate(together.judged(0.95)) if target.verdict == "undecided"
    }


def test_a_run_until_decided_goes_on_with_those_conditions_to_its_third_look_at_most() -> None:
    once = conditions(day(), engine=ENGINE)
    value = once.class_named("booking").all.latency_s["p95"].value or 0.0
    near = (
        ONE_STATION.replace('p99 = "12 ms"', f'p95 = "{1e3 * value:.5f} ms"\nover = "all conditions"') + DAY
    )
    scenario = parse(near, overrides=("run.requests=3000", "run.replications=8"))
    found = conditions(scenario, engine=ENGINE, until_decided=True)
    counts = {each.name: each.result.replications for each in found.conditions}
    assert counts["night"] == 8
    assert counts["noon"] > 8
    assert max(counts.values()) <= 24
    assert "--until-decided" not in conditions_sentence(found)
    fresh = conditions(scenario, engine=ENGINE)
    assert fresh.verdict == "undecided"
    assert conditions_sentence(fresh).endswith("--until-decided goes on, up to three times as long.")
    (target,) = found.targets
    assert target.level == pytest.approx(1 - 0.05 / 3)
    ended = {each.name: each.result.stopped_by for each in found.conditions}
    assert ended["night"] == "decided"
    assert (target.verdict == "undecided") == (ended["noon"] == "budget")
    before = {each.name: each.result.replications for each in once.conditions}
    assert set(before.values()) == {8}
