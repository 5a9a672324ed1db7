"""Lists and ranges of values for a key."""

import pytest

from studies import closed, counter
from tailrace.errors import ScenarioError, SettingError
from tailrace.forecast.edge import saturating_value
from tailrace.scenario.reading.variant import Variants
from tailrace.study.vary import Axis, axes_of, combinations


def values(text: str) -> list[float | int | str]:
    axis = Axis.of(text)
    settings = axis.settings(Variants(counter()), saturating_value)
    return [setting.value for setting in settings]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("workload.booking.clients=1,2,4,8", [1, 2, 4, 8]),
        ("workload.booking.clients=1..64 by *4", [1, 4, 16, 64]),
        ("workload.booking.clients=10..40 by 10", [10, 20, 30, 40]),
        ("workload.booking.clients=3..6", [3, 4, 5, 6]),
        ("workload.booking.clients=6..3", [6, 5, 4, 3]),
        ("workload.booking.clients=8..1 by *0.5", [8, 4, 2, 1]),
        ("workload.booking.rate=100 /s..300 /s by 100 /s", [100.0, 200.0, 300.0]),
        ("workload.booking.rate=100..300 /s by 100", [100.0, 200.0, 300.0]),
        ('workload.booking.rate="100 /s","1 /ms"', [100.0, 1000.0]),
        ("workload.booking.request_size=4 KiB,8 KiB", [4096, 8192]),
        ("workload.booking.request_size=512 B..8 KiB by *4", [512, 2048, 8192]),
        ("workload.booking.arrivals=poisson,regular", ["poisson", "regular"]),
        ("workload.booking.read_share=0.1..0.3 by 0.1", [0.1, 0.2, 0.3]),
        # 2,000 requests a second saturate two servers of 1 ms: ten clients of 200/s
        ("workload.booking.rate=10%..105% of saturation by 47.5", [20.0, 115.0, 210.0]),
        ("workload.booking.clients=50%, 100% of saturation", [10, 20]),
        ("load=50%,90% of saturation", [1.0, 1.8]),
    ],
)
def test_what_is_written_gives_these_values(text: str, expected: list[float]) -> None:
    assert values(text) == expected


def test_a_range_of_quantities_without_a_step_has_ten_values_with_both_ends() -> None:
    found = values("workload.booking.rate=100 /s..1000 /s")
    assert len(found) == 10
    assert (found[0], found[-1]) == (100.0, 1000.0)
    assert len(values("workload.booking.rate=10%..105% of saturation")) == 10


def test_the_seed_is_no_key_to_vary() -> None:
    with pytest.raises(SettingError, match=r"vary run\.seed: all points see the same random numbers.*--seed"):
        axes_of(["run.seed=1,2,3"])


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("workload.booking.clients", "KEY=LIST"),
        ("workload.booking.clients=", "KEY=LIST"),
        ("workload.booking.clients=1..8 by *1", "never arrives"),
        ("workload.booking.clients=1..8 by -1", "never arrives"),
        ("workload.booking.clients=a,b", "not a number"),
        ("workload.booking.rate=5 KiB,6 KiB", "a request rate is due"),
        ("workload.booking.clients=1..10000000", "accepted: at most 10000"),
        ("workload.booking.read_share=10%..90% of saturation", "nothing saturates"),
    ],
)
def test_what_cannot_be_is_said_with_what_is_accepted(text: str, said: str) -> None:
    with pytest.raises((SettingError, ScenarioError), match=said):
        values(text)


def test_keys_are_combined_or_taken_together() -> None:
    axes = axes_of({"server.media.servers": [1, 2], "workload.scan.queue_depth": "1,2"})
    every = combinations(axes, Variants(closed()), False, saturating_value)
    assert [[setting.value for setting in point] for point in every] == [[1, 1], [1, 2], [2, 1], [2, 2]]
    pairs = combinations(axes, Variants(closed()), True, saturating_value)
    assert [[setting.value for setting in point] for point in pairs] == [[1, 1], [2, 2]]
    with pytest.raises(SettingError, match="one length"):
        combinations(
            axes_of(["server.media.servers=1,2,3", "workload.scan.queue_depth=1,2"]),
            Variants(closed()),
            True,
            saturating_value,
        )


def test_a_key_given_twice_is_refused() -> None:
    with pytest.raises(SettingError, match="twice"):
        axes_of(["load=1,2", "load=3"])
