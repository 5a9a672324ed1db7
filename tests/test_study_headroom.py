"""Headroom: the bracket holds the edge that theory knows, and plain division is what it is."""

import json
from io import StringIO

import pytest
from rich.console import Console
from scipy.optimize import brentq

import tailrace
from drives import generic
from studies import closed, counter
from tailrace.answer import bench
from tailrace.errors import SettingError
from tailrace.forecast import edge as edge_of
from tailrace.forecast.edge import saturating_value
from tailrace.forecast.saturation import Load, offered_load
from tailrace.report.terminal.results import as_text
from tailrace.scenario import parse
from tailrace.scenario.reading.dial import Dial
from tailrace.scenario.reading.variant import Variants
from tailrace.scenario.tables.scenario import Scenario
from tailrace.study.headroom import Headroom, headroom
from tailrace.study.tried import ordered
from tailrace.theory import mmc_response_quantile

# "Client machines of 2,000 requests/s on drives that do 16,000/s and 8,000,000/s in all": common practice, no source.
DIVISION = f"""
{generic("constant", "SERVICE", servers=8)}
[[workload]]
name = "booking"
rate = "2000 /s"
request_size = "8 KiB"
[run]
seed = 3
requests = 10000
replications = 8
"""


def division(service: str, *settings: str) -> Scenario:
    return parse(DIVISION.replace("SERVICE", service), overrides=settings)


@pytest.fixture(scope="module")
def counted() -> Headroom:
    return headroom(
        counter('workload.booking.target.p99="8 ms"', "run.requests=20000", "run.replications=16"),
        "workload.booking.rate",
    )


@pytest.mark.parametrize(("service", "clients"), [("500 us", 8), ("1 us", 4000)])
def test_plain_division_is_exact(service: str, clients: int) -> None:
    found = headroom(division(service), "workload.booking.clients", rule="plain")
    assert found.plain == clients
    assert found.requests == 0


def test_the_ratio_of_two_plain_divisions_is_that_of_the_drives() -> None:
    slow, fast = (
        headroom(division(service), "workload.booking.clients", rule="plain").plain
        for service in ("500 us", "1 us")
    )
    assert slow is not None
    assert fast is not None
    assert fast / slow == 500


def test_without_a_target_the_edge_is_where_the_first_station_saturates() -> None:
    found = headroom(division("500 us"), "workload.booking.clients")
    assert (found.met, found.missed) == (7, 8)
    assert found.requests == 0


def test_the_bracket_holds_the_value_at_which_theory_reaches_the_limit(counted: Headroom) -> None:
    # M/M/2 of 1 ms a server and ten clients: p99 = 8 ms (Gross and Harris, sojourn time of M/M/c, from memory)
    edge = brentq(lambda rate: float(mmc_response_quantile(0.99, 10 * rate, 1e3, 2)) - 8e-3, 1, 199)
    assert counted.met is not None
    assert counted.missed is not None
    assert counted.met < edge < counted.missed
    assert counted.missed / counted.met < 1.3
    assert counted.verdict == "met"
    assert counted.plain == counted.saturating == pytest.approx(200)


def test_every_value_tried_is_reported_with_its_effort(counted: Headroom) -> None:
    assert [each.value for each in counted.tried] == sorted(each.value for each in counted.tried)
    assert sum(each.requests for each in counted.tried) == counted.requests
    assert {each.value for each in counted.tried} >= {100.0, counted.met, counted.missed}
    near = [each.requests for each in counted.tried if each.verdict == "undecided"]
    far = [each.requests for each in counted.tried if each.verdict in ("met", "missed")]
    assert not near or max(near) >= max(far)


def test_every_value_tried_names_seed_version_and_its_own_digest(counted: Headroom) -> None:
    table = counted.table
    assert set(table["seed"]) == {counted.seed}
    assert set(table["version"]) == {counted.as_dict()["tailrace"]}
    assert table["digest"].nunique() == len(table) > 2
    assert table["digest"].str.fullmatch("[0-9a-f]{64}").all()


def test_a_resource_shrinks_until_a_target_is_missed() -> None:
    scenario = counter('workload.booking.target.p99="8 ms"', "server.media.servers=8", "run.requests=10000")
    found = headroom(scenario, "server.media.servers")
    assert not found.more_is_worse
    # p99 of M/M/1 at utilisation 1 has no end, of M/M/2 at 0.5 it is 5.2 ms
    assert (found.met, found.missed) == (2, 1)


def test_a_closed_class_grows_until_its_target_is_missed() -> None:
    found = headroom(
        closed('workload.scan.target.mean="4 ms"', "run.requests=20000", "run.replications=8"),
        "workload.scan.queue_depth",
    )
    # four servers of 1 ms without thinking: the mean is depth/4 ms from depth 4 on (interactive response-time law)
    assert found.met is not None
    assert found.missed is not None
    assert found.met <= 16 <= found.missed
    assert found.missed - found.met <= 4
    assert found.plain is None


def test_an_edge_is_found_without_asking_for_the_load_of_a_value_twice_or_far_from_it(monkeypatch) -> None:
    # The load of arms takes a run of its own, so that it is dear; 3.5 drives are needed, where there is 1.
    asked: list[int] = []

    def counted_load(scenario: Scenario, seed: int) -> Load:
        asked.append(scenario.server.media.count)
        return offered_load(scenario, seed)

    for module in (bench, edge_of):
        monkeypatch.setattr(module, "offered_load", counted_load)
    settings = ["load=7", 'workload.booking.target.p99="8 ms"', "run.requests=10000", "run.replications=8"]
    found = headroom(counter(*settings), "server.media.count")
    assert found.saturating == 3
    assert len(asked) == len(set(asked))
    assert max(asked) <= 16


def test_shares_of_saturation_rise_with_the_load_where_they_differ_by_less_than_their_errors() -> None:
    assert ordered([0.433, 0.430, 0.5], [0.005] * 3, True) == pytest.approx([0.4315, 0.4315, 0.5])
    # Known without an error, or in the other direction: as they are.
    assert ordered([0.433, 0.430, 0.5], [0.0] * 3, True) == [0.433, 0.430, 0.5]
    assert ordered([0.433, 0.430, 0.5], [0.005] * 3, False) == [0.433, 0.430, 0.5]


def test_a_limit_that_cannot_be_met_is_said_so() -> None:
    found = headroom(counter('workload.booking.target.p99="1 ms"'), "workload.booking.rate")
    assert found.met is None
    assert found.missed is not None
    assert found.verdict == "missed"
    assert "nowhere is every one met" in as_text(found).replace("\n", " ")
    # 1 ms is the mean service: the search stops where the server is idle, and says that the load is not to blame
    easiest = min(each.share_of_saturation or 1.0 for each in found.tried)
    assert 0.004 < easiest < 0.01
    assert "not the load misses it" in " ".join(as_text(found).split())


@pytest.mark.parametrize(
    ("key", "worse"),
    [
        ("load", True),
        ("workload.booking.clients", True),
        ("workload.booking.rate", True),
        ("server.media.servers", False),
        ("server.media.count", False),
        ("server.media.service.mean", True),
    ],
)
def test_load_and_service_times_are_worse_when_more_and_resources_when_less(key: str, worse: bool) -> None:
    assert Dial(Variants(counter()), key).worse_upwards is worse


def test_saturation_is_found_for_keys_that_are_not_proportional_to_the_load() -> None:
    variants = Variants(counter())
    # 1,000 requests a second on two servers saturate at 2 ms
    assert saturating_value(Dial(variants, "server.media.service.mean")) == pytest.approx(2e-3, rel=1e-5)
    assert saturating_value(Dial(variants, "server.media.servers")) == 1


def test_what_is_no_number_is_refused() -> None:
    for key in ("workload.booking.arrivals", "workload.booking.queue_depth", "server.media.kind"):
        with pytest.raises(SettingError, match="accepted: a key that the scenario sets to a number"):
            tailrace.headroom(counter(), key)
    with pytest.raises(SettingError, match="simulated, plain"):
        tailrace.headroom(counter(), "load", rule="guess")  # type: ignore[arg-type]


@pytest.mark.parametrize("width", [80, 100])
def test_the_answer_fits_the_terminal(counted: Headroom, width: int) -> None:
    text = as_text(counted, Console(file=StringIO(), width=width, color_system=None))
    assert max(map(len, text.splitlines())) <= width
    assert "…" not in text
    json.dumps(counted.as_dict(), allow_nan=False)
