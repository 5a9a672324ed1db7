"""Laws that hold in every run whatever the server: of Little, of utilisation, of throughput; and what binds.

Sources: J. D. C. Little 1961; P. J. Denning and J. P. Buzen 1978 (from memory); shared/published/whole_path.toml.
"""

from dataclasses import dataclass, field

import numpy as np
import pytest

from drives import flash, generic, lanes
from shortened import shortened
from tailrace.answer.run import simulate
from tailrace.arrays import FloatArray
from tailrace.engine.observations import Observations
from tailrace.forecast.saturation import offered_load
from tailrace.plan.build import build_plan
from tailrace.plan.columns import READ, Stage
from tailrace.plan.stations import Bank, Discipline
from tailrace.scenario import parse
from tailrace.scenario.tables.scenario import Scenario
from through import ENGINE, EXPONENTIAL, SHARED, commits, observe, published, shared_scenario

WHOLE_PATH = published("whole_path")
LINKS = published("links")
US = 1e-6

# Little's law and the utilisation law, from the records of requests and from the integrals of stations


@dataclass(frozen=True)
class Case:
    """A scenario, and the stages at which requests walk one way only.

    There, what the stations saw is what the requests were charged, but for those who were there at the ends, a share
    ``ends`` at most. Elsewhere (branches that ended earlier, programs behind writes) the stations saw more. ``delays``
    are the seconds, of a read and of a write, that are charged at a stage without any station being busy.
    """

    scenario: Scenario
    requests: int
    alone: tuple[Stage, ...] = tuple(Stage)
    delays: dict[Stage, tuple[float, float]] = field(default_factory=dict)
    ends: float = 0.05


TRIP = {Stage.NETWORK: (60 * US, 60 * US)}
CELLS = {**TRIP, Stage.MEDIA: (65 * US, 10 * US)}

CLOSED = f"""
[server.network]
service = {{law = "exponential", mean = "1 ms"}}
[server.controller]
service = {{law = "gamma", mean = "2 ms", scv = 0.5}}
servers = 2
discipline = "ps"
{generic(count=3, servers=2, service='{law = "hyperexponential", mean = "4 ms", scv = 4}')}
[[workload]]
name = "booking"
clients = 12
queue_depth = 2
think_time = "5 ms"
request_size = "8 KiB"
priority = 1
[[workload]]
name = "manifests"
rate = "200 /s"
request_size = "8 KiB"
"""

READS = "workload.booking.read_share=1.0"
UPSTREAM = (Stage.NETWORK, Stage.CONTROLLER)

CASES = {
    "one station": Case(shared_scenario("one-station"), 20_000, (Stage.MEDIA,)),
    "four stations": Case(shared_scenario("four-stations"), 20_000),
    "closed and open": Case(parse(CLOSED), 10_000, (*UPSTREAM, Stage.MEDIA)),
    "spinning": Case(shared_scenario("booking-spinning"), 6000, delays=TRIP),
    "cameras": Case(shared_scenario("cameras-spinning"), 6000, delays=TRIP),
    "flash": Case(shared_scenario("booking-flash-busy"), 10_000, (*UPSTREAM, Stage.LANE), CELLS),
    "flash, reads": Case(shared_scenario("booking-flash-busy", READS), 10_000, delays=CELLS),
    "commits collected": Case(commits(2500, EXPONENTIAL, 4), 20_000, (Stage.MEDIA,)),
    "mixed": Case(shared_scenario("mixed"), 6000, UPSTREAM, CELLS, ends=0.15),
}


def charged(observed: Observations, seconds: FloatArray) -> tuple[float, float]:
    """Least and most of these seconds, one entry a request, that fall between the first and last measured mark.

    A request that came and went between them has spent all of its seconds there; one that was there at either end,
    something between nothing and all; any other, nothing.
    """
    begin, end = observed.marks.time_s[[2, -1]]
    within = (observed.arrival_s >= begin) & (observed.completion_s <= end)
    touches = (observed.arrival_s < end) & (observed.completion_s > begin)
    return float(seconds[within].sum()), float(seconds[touches].sum())


def seen(observed: Observations, banks: list[Bank], stage: Stage, integral: FloatArray, pools: bool) -> float:
    """What the stations of a stage saw in that time: an integral of the marks, with or without pools of permits."""
    grown = integral[-1] - integral[2]
    return sum(
        float(grown[bank.first : bank.first + bank.count].sum())
        for bank in banks
        if bank.stage == stage
        and bank.discipline != Discipline.DELAY
        and (pools or bank.discipline not in (Discipline.TOKEN, Discipline.BULK))
    )


@pytest.mark.parametrize("name", CASES)
def test_stations_see_the_waits_and_services_that_requests_are_charged(name: str) -> None:
    # Q47. Number waiting over time is the sum of the waits (L = lambda W), busy servers over time the sum of the
    # services (U = X S), both up to the requests that were there at the ends, which are given their all.
    case = CASES[name]
    banks = build_plan(case.scenario, 1, 0).stations.banks
    observed = observe(case.scenario, case.requests)
    for stage in Stage:
        waiting = seen(observed, banks, stage, observed.marks.waiting_s, pools=True)
        least, most = charged(observed, observed.wait_s[:, stage])
        rounding = 1e-9 * observed.marks.time_s[-1]
        assert least - rounding <= waiting
        busy = seen(observed, banks, stage, observed.marks.busy_s, pools=False)
        of_read, of_write = case.delays.get(stage, (0.0, 0.0))
        of_servers = observed.service_s[:, stage] - np.where(observed.kind == READ, of_read, of_write)
        least_busy, most_busy = charged(observed, of_servers)
        assert least_busy - rounding <= busy
        if stage in case.alone:
            assert of_servers.min() > -rounding
            assert waiting <= most + rounding
            assert busy <= most_busy + rounding
            assert most - least <= 2 * case.ends * most
            assert most_busy - least_busy <= case.ends * most_busy
            assert least_busy > 0.0


@pytest.mark.parametrize("name", CASES)
def test_the_numbers_present_are_those_of_the_requests_that_have_come_and_not_gone(name: str) -> None:
    case = CASES[name]
    observed = observe(case.scenario, case.requests)
    marks = observed.marks
    gone = np.searchsorted(np.sort(observed.completion_s), marks.time_s, side="right")
    assert (marks.arrived - gone == marks.present).all()
    assert (observed.arrival_s[marks.arrived - 1] == marks.time_s).all()


@pytest.mark.parametrize("name", ["one-station", "four-stations"])
def test_an_answer_keeps_littles_law_and_the_utilisation_law_at_every_station(name: str) -> None:
    # Q47 in the figures of an answer: end effects are a few of 16 times 9,000 requests
    result = simulate(shared_scenario(name, "run.requests=10000"), seed=1, engine=ENGINE)
    figures = result.classes[0].all
    assert figures.rate_per_s.value is not None
    stations = [station for station in result.stations if station.discipline != "delay"]
    assert stations
    for station in stations:
        times = figures.stages[station.stage]
        assert times.wait_s.value is not None
        assert times.service_s.value is not None
        assert station.mean_number_waiting == pytest.approx(
            figures.rate_per_s.value * times.wait_s.value / station.count, rel=0.01
        )
        assert station.utilisation == pytest.approx(
            figures.rate_per_s.value * times.service_s.value / station.count / station.servers, rel=0.002
        )


# Throughput

ALONE = sorted(
    path.stem
    for path in (SHARED / "scenarios").glob("*.toml")
    if "[[condition]]" not in path.read_text("utf-8")
)
"""Scenarios without conditions, each of which would be another."""
FEW = {"booking-flash", "booking-spinning", "capacity-flash", "cluster-copies", "degraded", "one-station"}


@pytest.mark.parametrize("name", shortened(ALONE, kept=FEW))
def test_throughput_is_rate_times_size_in_every_answer(name: str) -> None:
    # P1
    scenario = shared_scenario(name, "run.requests=1000", "run.replications=4")
    result = simulate(scenario, seed=1, engine=ENGINE)
    assert result.classes
    for each in result.classes:
        (size,) = (part.size for part in scenario.workload_named(each.name).sizes)
        for figures in (each.all, *each.kinds.values()):
            assert figures.rate_per_s.value is not None
            assert figures.throughput_bytes_per_s.value == pytest.approx(
                figures.rate_per_s.value * size, rel=1e-12
            )


@pytest.mark.parametrize("place", range(2))
def test_the_same_rate_is_another_throughput_at_another_size(place: int) -> None:
    # P1: a server that takes 2.5 ms whatever the size answers 400 a second
    row = WHOLE_PATH["throughput_is_rate_times_size"]
    scenario = parse(f"""
{generic("constant", f"{1000 / row['rate_per_s'][place]} ms")}
[[workload]]
name = "booking"
queue_depth = 1
request_size = "{row["size"][place]}"
[run]
requests = 1000
replications = 2
""")
    figures = simulate(scenario, seed=1, engine=ENGINE).classes[0].all
    # a window holds one completion more or less, and says so
    assert figures.rate_per_s.low <= row["rate_per_s"][place] <= figures.rate_per_s.high
    assert figures.rate_per_s.half_width < 1.2e-3 * row["rate_per_s"][place]
    assert figures.throughput_bytes_per_s.value == pytest.approx(
        row["throughput_mb_per_s"][place] * 1e6, rel=1.2e-3
    )


# What binds


def fast_drive(load: str, generation: int | None = None, width: int | None = None) -> Scenario:
    """A drive whose processor, dies and buses carry a million small reads a second, on the lanes given."""
    row = WHOLE_PATH["lanes_bind"]
    return parse(f"""
{lanes(pcie_generation=generation or row["pcie_generation"], width=width or row["width"])}
{flash(capacity="3.84 TB", dies=256, channels=16, command_rate=f"{row['reads_per_s']} /s")}
[[workload]]
name = "booking"
{load}
request_size = "{row["size"]}"
""")


def test_two_old_lanes_bind_before_a_drive_of_a_million_reads_a_second_does() -> None:
    # P7. 4 GB/s are asked of two lanes of generation 3, L1 and L4: 2 * 0.98462 GB/s * 256/280.
    row = WHOLE_PATH["lanes_bind"]
    lanes = row["width"] * LINKS["pcie_lane"]["gb_per_s"][row["pcie_generation"] - 1] * 256 / 280
    asked = f'rate = "{row["reads_per_s"]} /s"'
    binding = offered_load(fast_drive(asked), seed=1).binding
    assert binding is not None
    assert (binding.stage, binding.station) == ("lane", "lane out")
    assert binding.load_factor == pytest.approx(lanes / row["throughput_gb_per_s"], rel=1e-4)
    result = simulate(fast_drive(asked), seed=1)
    assert result.overload is not None
    assert (result.overload.stage, result.verdict) == ("lane", "overloaded")
    wide = offered_load(fast_drive(asked, generation=4, width=4), seed=1).binding
    assert wide is not None
    assert (wide.stage, wide.station) == ("media", "command processor")
    assert wide.load_factor == pytest.approx(1.0, rel=1e-9)


def test_a_deep_queue_gets_what_the_lanes_carry_out_of_a_faster_drive() -> None:
    # P7, L1 and L4. Of what is under way, any part may have crossed the lanes at either end of the time observed.
    row = WHOLE_PATH["lanes_bind"]
    lanes = row["width"] * LINKS["pcie_lane"]["gb_per_s"][row["pcie_generation"] - 1] * 256 / 280
    observed = observe(fast_drive("queue_depth = 100"), 20_000)
    time_s, arrived = observed.marks.time_s, observed.marks.arrived
    throughput = 4000 * (arrived[-1] - arrived[2]) / (time_s[-1] - time_s[2])
    assert throughput == pytest.approx(lanes * 1e9, rel=100 / 18_000)


def test_spinning_drives_answer_in_milliseconds_and_flash_in_microseconds() -> None:
    # P10, an order of magnitude each
    row = WHOLE_PATH["orders_of_magnitude"]
    for name, (low, high) in (
        ("booking-spinning", row["spinning_s"]),
        ("booking-flash", row["flash_s"]),
        ("booking-flash-busy", row["flash_s"]),
    ):
        observed = observe(shared_scenario(name), 3000)
        reads = observed.latency_s[observed.kind == READ]
        assert low < np.median(reads) < high
        assert low < reads.mean() < high
        assert observed.service_s[:, Stage.MEDIA].mean() > 0.2 * reads.mean()
