"""Properties of every run: what comes goes, times add up, seeds decide all; and single stations against oracles.

Small scenarios are drawn over all kinds of stages, media, clients and requests. Their open load is light: a station
that is short of time may never serve the last class, and then no run would end.
"""

from typing import NamedTuple

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from drives import flash, generic, spinning
from same import COLUMNS, assert_equal, first_difference
from tailrace.engine.choice import Engine, runner
from tailrace.engine.observations import Observations
from tailrace.plan.build import build_plan
from tailrace.plan.columns import Stage
from tailrace.scenario import parse
from through import ENGINES

few = settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])

# Scenarios

NETWORKS = {
    "none": "",
    "shared": '[server.network]\nports = 2\nrate = "1 Gbit/s"\nround_trip = "60 us"\n',
    "in turn": '[server.network]\nrate = "1 Gbit/s"\ndiscipline = "fcfs"\ntransfer_piece = "16 KiB"\n',
    "own links": '[server.network]\nrate = "10 Gbit/s"\nclient_rate = "1 Gbit/s"\n',
    "law": '[server.network]\nservice = {law = "exponential", mean = "100 us"}\ndiscipline = "ps"\n',
}

CONTROLLERS = {
    "none": "",
    "cores": (
        '[server.controller]\ncores = 2\nper_request = "50 us"\nper_completion = "10 us"\nper_disk_operation = "5 us"\n'
        'copy_rate = "1 GB/s"\n'
    ),
    "constant": '[server.controller]\ncores = 1\nper_request = "50 us"\nvariability = 0.0\n',
    "law": '[server.controller]\nservice = {law = "gamma", mean = "100 us", scv = 2.0}\nservers = 2\n',
}

LANES = {
    "none": "",
    "pcie": "[server.lanes]\npcie_generation = 3\nwidth = 1\n",
    "half duplex": '[server.lanes]\nrate = "6 Gbit/s"\n',
    "in turn": '[server.lanes]\nrate = "12 Gbit/s"\ndiscipline = "fcfs"\ntransfer_piece = "32 KiB"\n',
    "adapter": (
        '[server.lanes]\nrate = "12 Gbit/s"\ndrives_per_adapter = 2\nadapter_generation = 3\nadapter_width = 1\n'
    ),
    "law": '[server.lanes]\nservice = {law = "uniform", low = "0 s", high = "100 us"}\n',
}


class Medium(NamedTuple):
    """The table of a medium, and the requests a second that leave it mostly idle."""

    text: str
    rate_per_s: float


def servers_of_2_ms(more: str) -> Medium:
    return Medium(f"{generic('exponential', '2 ms', count=3)}\n{more}\n", 200.0)


FLASH = f"""
{flash(count=3, dies=4, channels=2, pages_per_block=64, write_amplification=1.6, buffer="1 MiB")}
"""


def arms(rule: str) -> str:
    return f"""
{spinning(count=3, write_settle="1 ms", inner_rate="100 MB/s", queue_slots=4, scheduling=rule)}
"""


MEDIA = {
    "one server": servers_of_2_ms(""),
    "servers": servers_of_2_ms("servers = 2"),
    "sharing": servers_of_2_ms('discipline = "ps"'),
    "delay": servers_of_2_ms('discipline = "delay"'),
    "flash": Medium(FLASH, 150.0),
    "few slots": Medium(FLASH + "queue_slots = 2\n", 150.0),
    **{
        rule: Medium(arms(rule), 25.0)
        for rule in ("arrival order", "elevator", "shortest seek first", "shortest access first")
    },
}

SIZES = ('"8 KiB"', '"300 KiB"', '[{size = "4 KiB", share = 0.7}, {size = "100 KiB", share = 0.3}]')


@st.composite
def servers(draw: st.DrawFn, medium: str | None = None) -> tuple[str, float]:
    """The tables of a server, and the requests a second that it carries with ease."""
    media = MEDIA[medium or draw(st.sampled_from(sorted(MEDIA)))]
    stages = (draw(st.sampled_from(sorted(kinds.items()))) for kinds in (NETWORKS, CONTROLLERS, LANES))
    return "".join(text for _, text in stages) + media.text, media.rate_per_s


@st.composite
def classes(draw: st.DrawFn, rate_per_s: float) -> list[str]:
    """The tables of one to three classes, each with its own place, in order of name."""
    count = draw(st.integers(1, 3))
    told = []
    for number in range(count):
        clients = draw(st.integers(1, 4))
        if draw(st.booleans()):
            rate = draw(st.floats(0.2, 1.0)) * rate_per_s / count / clients
            arrivals = draw(st.sampled_from(["regular", "poisson", "bursty"]))
            load = [f'rate = "{rate} /s"', f'arrivals = "{arrivals}"']
            load += ["burstiness = 4"] if arrivals == "bursty" else []
            load += [f"priority = {draw(st.integers(0, 2))}"]
            load += [f'limit = "{2 * rate * clients} /s"'] if draw(st.booleans()) else []
        else:
            think = draw(st.sampled_from(['"0 s"', '"2 ms"', '"2 ms"\nthink = "constant"']))
            load = [f"queue_depth = {draw(st.integers(1, 3))}", f"think_time = {think}", "priority = 9"]
        told.append(
            "\n".join(
                [
                    "[[workload]]",
                    f'name = "class {number}"',
                    f"clients = {clients}",
                    *load,
                    f"request_size = {draw(st.sampled_from(SIZES))}",
                    f"read_share = {draw(st.sampled_from([0.0, 0.5, 1.0]))}",
                    f'pattern = "{draw(st.sampled_from(["random", "sequential"]))}"',
                    f"durable = {draw(st.sampled_from(['true', 'false']))}",
                    f'start = "{100 * number} GB"',
                    'span = "100 GB"',
                    "",
                ]
            )
        )
    return told


@st.composite
def scenarios(draw: st.DrawFn) -> str:
    server, rate_per_s = draw(servers())
    return server + "".join(draw(classes(rate_per_s)))


def run(text: str, engine: Engine, requests: int = 200, seed: int = 5, rows: int = 256) -> Observations:
    observed = runner(engine)(build_plan(parse(text), seed, 0, rows), requests, most_present=20_000)
    assert observed.complete
    return observed


def assert_alike(one: Observations, other: Observations, requests: int | None = None) -> None:
    """All that is known of the first requests is the same, to the last bit."""
    for name in COLUMNS:
        assert_equal(getattr(one, name)[:requests], getattr(other, name)[:requests], name)


engines = st.sampled_from(ENGINES)

# What holds in every run


@given(scenarios(), engines)
@few
def test_what_arrives_is_completed_once_and_times_of_stages_add_up(text: str, engine: Engine) -> None:
    observed = run(text, engine)
    assert len(observed) == 200
    assert (np.diff(observed.arrival_s) >= 0).all()
    assert (observed.completion_s >= observed.arrival_s).all()
    assert observed.wait_s.min() >= 0
    assert observed.service_s.min() >= 0
    total = (observed.wait_s + observed.service_s).sum(axis=1)
    assert total == pytest.approx(observed.latency_s, abs=1e-9)


class Stream(NamedTuple):
    """What one class, or one client of it that has a source of its own, is planned to ask for, in order.

    ``clients`` are those of the class that draw on it, once for each that it may have under way.
    """

    number: int
    clients: list[int]
    columns: dict[str, np.ndarray]


def planned(text: str, requests: int, seed: int = 5) -> list[Stream]:
    plan = build_plan(parse(text), seed, 0, 256)
    streams = []
    for place, source in enumerate((plan.open_source, *plan.closed), start=-1):
        if source is None:
            continue
        chunks = [source.next_chunk()]
        while sum(map(len, chunks)) < requests:
            chunks.append(source.next_chunk())
        of_rows = {
            name: np.concatenate([getattr(chunk, name) for chunk in chunks])
            for name in ("class_index", "client", "size_bytes", "kind", "gap_s")
        }
        of_rows["arrival_s"] = np.cumsum(of_rows["gap_s"])
        for number in np.unique(of_rows["class_index"]).tolist():
            mine = of_rows["class_index"] == number
            columns = {name: of_rows[name][mine] for name in ("size_bytes", "kind")}
            if place < 0:
                columns |= {name: of_rows[name][mine] for name in ("client", "arrival_s")}
                clients = sorted(set(columns["client"].tolist()))
            else:
                clients = [client for owner, client in plan.slots if owner == place]
            streams.append(Stream(number, clients, columns))
    return streams


def of_stream(observed: Observations, stream: Stream) -> np.ndarray:
    """Which requests came from a stream."""
    return (observed.class_index == stream.number) & np.isin(observed.client, stream.clients)


def assert_as_planned(observed: Observations, text: str) -> None:
    """Each class, or client with a source of its own, got the first so many requests planned for it, and no other.

    They come in the order planned, in open classes also when and from whom. Not quite so where closed clients think
    for different times, or start at different times: a request is drawn when thinking begins, and those in whose place
    others think shorter come later. Then no more can be out of place than there are thinking.
    """
    workloads = sorted(parse(text).workload, key=lambda each: each.name)
    seen = 0
    for stream in planned(text, len(observed)):
        mine = of_stream(observed, stream)
        count = int(mine.sum())
        seen += count
        workload = workloads[stream.number]
        slots = len(stream.clients)
        for name, column in stream.columns.items():
            found = getattr(observed, name)[mine]
            if workload.is_open or slots == 1 or workload.think == "constant":
                assert (found == column[:count]).all()
                continue
            for value in np.unique(column):
                excess = np.cumsum(found == value) - np.cumsum(column[:count] == value)
                assert np.abs(excess).max(initial=0) <= slots
    assert seen == len(observed)


@given(scenarios(), engines)
@few
def test_every_class_gets_the_requests_that_are_planned_for_it_and_no_other(
    text: str, engine: Engine
) -> None:
    assert_as_planned(run(text, engine), text)


@given(scenarios(), engines)
@few
def test_the_same_seed_gives_the_same_bytes_and_another_seed_others(text: str, engine: Engine) -> None:
    # With requests that come by chance: constant thinking and constant costs leave nothing for a seed to decide.
    text += '[[workload]]\nname = "chance"\nrate = "10 /s"\nrequest_size = "8 KiB"\nstart = "300 GB"\nspan = "9 GB"\n'
    once, other = run(text, engine), run(text, engine, seed=6)
    assert_alike(once, run(text, engine))
    assert any(first_difference(getattr(once, name), getattr(other, name)) for name in COLUMNS)


@given(scenarios(), engines)
@few
def test_a_run_is_the_beginning_of_a_longer_one(text: str, engine: Engine) -> None:
    assert_alike(run(text, engine, 150), run(text, engine, 300), 150)


@pytest.mark.whole
@given(scenarios(), engines, st.sampled_from([1, 7, 64, 1000]))
@few
def test_the_size_of_the_blocks_in_which_a_run_is_planned_changes_nothing(
    text: str, engine: Engine, rows: int
) -> None:
    assert_alike(run(text, engine, rows=rows), run(text, engine))


@given(st.data(), engines)
@few
def test_the_order_of_the_classes_in_the_file_changes_nothing_where_each_has_its_start(
    data: st.DataObject, engine: Engine
) -> None:
    server, rate_per_s = data.draw(servers())
    told = data.draw(classes(rate_per_s))
    shuffled = data.draw(st.permutations(told))
    assert_alike(run(server + "".join(told), engine), run(server + "".join(shuffled), engine))


@given(st.data(), engines)
@few
def test_two_designs_compared_at_one_seed_see_the_same_requests(data: st.DataObject, engine: Engine) -> None:
    # Common random numbers. Clients with links of their own are left out: each then has a source of its own.
    told = "".join(data.draw(classes(25.0)))
    one, other = (data.draw(servers().map(lambda drawn: drawn[0]).filter(shares_links)) for _ in range(2))
    assert_as_planned(run(other + told, engine), one + told)


def shares_links(server: str) -> bool:
    return "client_rate" not in server


@given(scenarios(), engines)
@few
def test_no_client_has_more_under_way_than_its_queue_depth(text: str, engine: Engine) -> None:
    observed = run(text, engine)
    for number, workload in enumerate(parse(text).workload):
        if workload.is_open:
            continue
        for client in range(workload.clients):
            mine = (observed.class_index == number) & (observed.client == client)
            arrival, completion = observed.arrival_s[mine], np.sort(observed.completion_s[mine])
            gone = np.searchsorted(completion, arrival, side="right")
            depth = workload.queue_depth or 1
            assert (np.arange(1, arrival.size + 1) - gone <= depth).all()
            if workload.think_time == 0.0:
                # all but the first ones come at the very instant of a completion
                assert np.count_nonzero(~np.isin(arrival, completion)) <= depth


# One station, against oracles


LAWS = (
    '{law = "exponential", mean = "1 ms"}',
    '{law = "constant", value = "1 ms"}',
    '{law = "hyperexponential", mean = "1 ms", scv = 9}',
)


def station(law: str, load: float, servers: int, discipline: str, priorities: tuple[int, ...] = (0,)) -> str:
    rates = load * 1000 * servers / len(priorities)
    return f"{generic(service=law, servers=servers, discipline=discipline)}\n" + "".join(
        f'[[workload]]\nname = "class {number}"\nrate = "{rates} /s"\nrequest_size = "8 KiB"\n'
        f"priority = {priority}\n"
        for number, priority in enumerate(priorities)
    )


def in_order_of_arrival(arrival: np.ndarray, service: np.ndarray, servers: int) -> np.ndarray:
    """Completions at a station in order of arrival, each by the server that is free first.

    J. Kiefer and J. Wolfowitz, On the theory of queues with many servers, Trans. AMS 78, 1955 (from memory).
    """
    free = [0.0] * servers
    completions = []
    for at, work in zip(arrival.tolist(), service.tolist(), strict=True):
        first = free.index(min(free))
        free[first] = max(at, free[first]) + work
        completions.append(free[first])
    return np.array(completions)


stations = st.tuples(st.sampled_from(LAWS), st.floats(0.2, 1.2), st.integers(1, 4))


@given(stations, engines)
@few
def test_servers_in_order_of_arrival_work_whenever_somebody_waits_and_nobody_overtakes(
    of: tuple[str, float, int], engine: Engine
) -> None:
    law, load, servers = of
    observed = run(station(law, load, servers, "fcfs"), engine, 400)
    expected = in_order_of_arrival(observed.arrival_s, observed.service_s[:, Stage.MEDIA], servers)
    assert observed.completion_s == pytest.approx(expected, rel=1e-12)
    start = observed.arrival_s + observed.wait_s[:, Stage.MEDIA]
    assert (np.diff(start) >= -1e-12).all()
    if servers == 1:
        assert (np.diff(observed.completion_s) > 0).all()


@given(stations, st.permutations([0, 1, 2]), engines)
@few
def test_with_priorities_the_server_works_as_long_and_nobody_starts_before_a_higher_one_that_waits(
    of: tuple[str, float, int], priorities: list[int], engine: Engine
) -> None:
    law, load, _ = of
    # at most 0.9: with more, the last class might never be served
    text = station(law, min(load, 0.9), 1, "fcfs", tuple(priorities))
    observed = run(text, engine, 400)
    service = observed.service_s[:, Stage.MEDIA]
    start = observed.arrival_s + observed.wait_s[:, Stage.MEDIA]
    rank = np.array(priorities)[observed.class_index]
    waits = (observed.arrival_s[None, :] < start[:, None] - 1e-12) & (start[None, :] > start[:, None] + 1e-12)
    assert not (waits & (rank[None, :] < rank[:, None])).any()
    earlier = (observed.arrival_s[:, None] < observed.arrival_s[None, :]) & (rank[:, None] == rank[None, :])
    assert not (earlier & (start[:, None] > start[None, :])).any()
    # Work conservation: until the last busy period, which later requests may stretch, the server is busy and idle when
    # it would be in order of arrival.
    plain = in_order_of_arrival(observed.arrival_s, service, 1)
    idle = np.flatnonzero(observed.arrival_s[1:] > plain[:-1])
    for last in idle.tolist():
        assert observed.completion_s[: last + 1].max() == pytest.approx(plain[last], rel=1e-12)


def shared(arrival: np.ndarray, work: np.ndarray, servers: int) -> np.ndarray:
    """Completions at a shared station: each of n present gets the rate min(1, servers / n), step by step."""
    left: dict[int, float] = {}
    completion = np.zeros(arrival.size)
    now, following = 0.0, 0
    while left or following < arrival.size:
        rate = min(1.0, servers / len(left)) if left else 0.0
        ends = now + min(left.values()) / rate if left else np.inf
        comes = float(arrival[following]) if following < arrival.size else np.inf
        step = min(ends, comes) - now
        left = {request: rest - step * rate for request, rest in left.items()}
        now += step
        if ends <= comes:
            done = min(left, key=left.__getitem__)
            completion[done] = now
            del left[done]
        else:
            left[following] = float(work[following])
            following += 1
    return completion


@given(stations, engines)
@few
def test_a_shared_station_gives_each_of_those_present_an_equal_share(
    of: tuple[str, float, int], engine: Engine
) -> None:
    law, load, servers = of
    observed = run(station(law, load, servers, "ps"), engine, 300)
    # later requests slow the last ones down: these have the longest run's arrivals as well
    longer = run(station(law, load, servers, "ps"), engine, 900)
    expected = shared(longer.arrival_s, longer.service_s[:, Stage.MEDIA], servers)
    within = observed.completion_s < longer.arrival_s[-1]
    assert within.sum() > 0.5 * within.size
    assert observed.completion_s[within] == pytest.approx(expected[:300][within], rel=1e-9)
