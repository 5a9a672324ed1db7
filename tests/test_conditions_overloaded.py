"""What is said over all conditions where some are overloaded: bounds by hand, and where nothing is sure."""

import pytest

from studies import ONE_STATION
from tailrace.answer.bench import Bench, Evidence
from tailrace.answer.sample import Sample
from tailrace.answer.together import Together, level_together
from tailrace.crew.crew import Crew
from tailrace.quantity import Quantity
from tailrace.replicate.boiled import replicate
from tailrace.scenario import Scenario, parse
from tailrace.scenario.reading.conditions import states
from tailrace.study.overloaded import Overdue

DAY = """
[[condition]]
name = "noon"
hours = 2
set = { "workload.booking.rate" = "260 /s" }
[[condition]]
name = "day"
hours = 22
"""
CAMERA = """
[[workload]]
name = "camera"
rate = "100 /s"
request_size = "8 KiB"
priority = 1
"""
LATE = (2600 * 2 + 1000 * 1.2) / (2600 * 2 + 1000 * 22)
"""Of bookings: two servers of 1 ms are 600 a second behind for two hours, and catch up in 1.2 h by day (derived)."""


def overdue(text: str = ONE_STATION + DAY, *overrides: str) -> Overdue:
    scenario: Scenario = parse(text, overrides=('workload.booking.target.over="all conditions"', *overrides))
    bench = Bench(Crew(), 3, "reference")
    found = []
    for state in states(scenario):
        asked = bench.asked_too_much(state.scenario)
        runs = [] if asked else [replicate(state.scenario, 3, number, 400, "reference") for number in (8, 9)]
        found.append(Evidence(state.scenario, Sample(runs), 400, asked, stopped_by="fixed"))
    return Overdue(bench, Together.of(scenario, found))


def late(found: Overdue, quantity: str = "p99", limit: float = 12e-3, name: str = "booking") -> float | None:
    return found.late(name, Quantity(quantity), limit)


def test_what_waits_too_long_over_all_conditions_by_hand() -> None:
    found = overdue()
    # A run of 400 tells the rate by day to some percent only.
    assert late(found) == pytest.approx(0.95 * LATE, rel=0.05)
    assert late(found, "read_p99") == pytest.approx(0.95 * LATE, rel=0.1)
    # 20 minutes are waited for the last third of noon and the first half of what it takes to drain: by hand from the
    # triangle whose height is 36 minutes at the end of noon.
    part = (1 - 20 / 36) * LATE
    assert late(found, limit=1200.0) == pytest.approx(0.95 * part, rel=0.05)
    assert late(found, limit=2400.0) == 0.0
    assert late(found, "mean") is None


@pytest.mark.parametrize(
    ("target", "verdict"),
    [
        ("p99", "missed"),
        ("p90", "missed"),
        ("p50", "undecided"),
        ("mean", "undecided"),
        ("rate", "undecided"),
    ],
)
def test_a_target_is_missed_if_what_waits_is_more_than_it_allows_and_else_undecided(
    target: str, verdict: str
) -> None:
    limit = "900 /s" if target == "rate" else "12 ms"
    text = ONE_STATION.replace('p99 = "12 ms"', f'{target} = "{limit}"') + DAY
    found = overdue(text)
    (judged,) = found.targets(level_together(found.together.states))
    assert judged.verdict == verdict
    assert judged.estimate.value is None
    assert judged.estimate.method.startswith("noon is overloaded")


@pytest.mark.parametrize(("share", "verdict"), [(0.9, "missed"), (0.7, "undecided")])
def test_a_share_answered_within_a_time_is_judged_alike(share: float, verdict: str) -> None:
    within = f'within = {{ time = "12 ms", share = {share} }}'
    found = overdue(ONE_STATION.replace('p99 = "12 ms"', within) + DAY)
    (judged,) = found.targets(0.95)
    assert judged.verdict == verdict


def test_without_hours_what_comes_in_an_overloaded_condition_waits_for_ever() -> None:
    untimed = "\n".join(line for line in DAY.splitlines() if "hours" not in line)
    assert late(overdue(ONE_STATION + untimed)) == pytest.approx(0.95 * 2600 / 3600, rel=0.05)


def test_nothing_is_sure_of_a_class_that_goes_before_another_or_shares_the_station() -> None:
    found = overdue(ONE_STATION + CAMERA + DAY)
    assert late(found) == 0.0
    assert (late(found, name="camera") or 0.0) > 0.0
    # A hundred spells as short: too few wait for the fluid limit to be relied on.
    assert late(overdue(ONE_STATION + DAY.replace("hours = 2\n", "hours = 0.0002\n"))) == 0.0
    shared = ONE_STATION.replace("servers = 2", 'servers = 2\ndiscipline = "ps"')
    assert late(overdue(shared + DAY)) == 0.0


def test_of_a_closed_class_nobody_knows_how_much_comes() -> None:
    scan = '[[workload]]\nname = "scan"\nqueue_depth = 1\nrequest_size = "64 KiB"\n'
    found = overdue(ONE_STATION + scan + DAY)
    assert found.coming("scan") is None
    assert late(found, name="scan") is None
    (note, rest) = found.notes()
    assert "of booking come" in note
    assert "scan" not in note
    assert "undecided" in rest
