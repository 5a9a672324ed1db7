"""Several groups of drives in one server: each with its own media, lanes and layout, chosen by the classes."""

import numpy as np
import pytest

import tailrace
from drives import generic, spinning
from tailrace.errors import ScenarioError
from tailrace.forecast.saturation import offered_load
from tailrace.plan.build import build_plan, sample_requests
from tailrace.plan.columns import VISIT
from tailrace.report.sentences import binding_sentence
from tailrace.scenario import parse

POOLS = f"""
[server.controller]
cores = 4
per_request = "5 us"
variability = 0

[[server.pool]]
name = "log"
{generic("constant", "100 us", name="server.pool.media", count=2, capacity="1 MiB")}

[[server.pool]]
name = "data"
[server.pool.lanes]
rate = "6 Gbit/s"
{spinning(name="server.pool.media", count=4)}
[server.pool.layout]
stripe_unit = "1 MiB"

[[workload]]
name = "manifest log"
pool = "log"
rate = "1000 /s"
request_size = "4 KiB"
read_share = 0

[[workload]]
name = "booking"
pool = "data"
rate = "100 /s"
request_size = "8 KiB"
span = "100 GiB"

[[workload]]
name = "cameras"
pool = "data"
rate = "1 /s"
request_size = "1 MiB"
pattern = "sequential"
"""


def refused(text=POOLS, *changes):
    with pytest.raises(ScenarioError) as error:
        parse(text, overrides=changes)
    return [str(problem) for problem in error.value.problems]


def test_spans_lie_one_after_the_other_within_each_pool_and_fill_it_by_default():
    log, booking, cameras = parse(POOLS).spans()
    assert log == (0, 2 * 2**20)
    assert booking == (0, 100 * 2**30)
    usable = 10**12 // 2**20 * 2**20 * 4
    assert cameras == (100 * 2**30, usable - 100 * 2**30)


def test_a_class_visits_the_drives_of_its_own_pool_only():
    stations, chunks = sample_requests(parse(POOLS), seed=1)
    banks = {bank.name: range(bank.first, bank.first + bank.count) for bank in stations.banks}
    assert [name for name in banks if name.startswith("log: ")] == ["log: drive"]
    assert {"data: lane", "data: queue slots", "data: arm", "cores"} <= set(banks)
    for name, mine, other in (("manifest log", "log", "data"), ("booking", "data", "log")):
        steps = chunks[name].steps
        visited = set(steps.arg[steps.op == VISIT].tolist())
        assert any(visited & set(numbers) for bank, numbers in banks.items() if bank.startswith(mine))
        assert not any(visited & set(numbers) for bank, numbers in banks.items() if bank.startswith(other))


def test_what_happens_in_one_pool_does_not_depend_on_another_or_on_their_order():
    first, second = POOLS.index("[[server.pool]]"), POOLS.rindex("[[server.pool]]")
    end = POOLS.index("[[workload]]")
    swapped = POOLS[:first] + POOLS[second:end] + POOLS[first:second] + POOLS[end:]
    one, two = (
        tailrace.simulate(parse(text + "[run]\nrequests = 1000\nreplications = 2"), seed=3)
        for text in (POOLS, swapped)
    )
    for name in ("manifest log", "booking", "cameras"):
        assert one.class_named(name).all.latency_s["mean"] == two.class_named(name).all.latency_s["mean"]


def test_one_pool_with_a_name_is_the_short_form_with_names_of_stations_in_front():
    short = """
    [server.media]
    kind = "generic"
    count = 3
    service = {law = "exponential", mean = "1 ms"}
    [[workload]]
    name = "booking"
    rate = "100 /s"
    request_size = "64 KiB"
    """
    named = short.replace("[server.media]", '[[server.pool]]\nname = "data"\n[server.pool.media]')
    one, two = (build_plan(parse(text), 5, 0) for text in (short, named))
    assert [bank.name for bank in two.stations.banks] == [f"data: {bank.name}" for bank in one.stations.banks]
    chunks = [plan.open_source.next_chunk() for plan in (one, two)]
    assert np.array_equal(chunks[0].steps.work, chunks[1].steps.work)
    assert np.array_equal(chunks[0].steps.arg, chunks[1].steps.arg)
    theory = [tailrace.estimate(parse(text)) for text in (short, named)]
    assert theory[0].classes == theory[1].classes


def test_the_station_that_binds_is_named_with_its_pool():
    scenario = parse(POOLS, overrides=['workload."manifest log".rate="12000 /s"', "run.requests=1000"])
    binding = offered_load(scenario, 1).binding
    assert (binding.station, binding.stage) == ("log: drive", "media")
    assert binding.load_factor == pytest.approx(20_000 / 12_000, rel=0.02)
    result = tailrace.simulate(parse(POOLS, overrides=["run.requests=1000", "run.replications=2"]), seed=1)
    assert binding_sentence(result).startswith("The arms of the media of pool data bind first")


def test_a_pool_is_set_and_named_in_errors_by_its_name():
    changed = parse(POOLS, overrides=["server.pool.data.media.count=7"])
    assert changed.server.pools[1].media.count == 7
    (said,) = refused(POOLS, "server.pool.data.media.count=0")
    assert "server.pool.data.media.count" in said


@pytest.mark.parametrize(
    ("changes", "key", "wrong"),
    [
        (['server.media={kind="generic", service={law="constant", value="1 s"}}'], "server.media", "given beside pool"),
        (["server.layout={}"], "server.layout", "given beside pool"),
        (["server.lanes={pcie_generation=4}"], "server.lanes", "given beside pool"),
        (["workload.booking.pool=log2"], "workload.booking.pool", "no pool of this name; accepted: one of log, data"),
        (['server.pool.log.name="data"'], "server.pool[1].name", "a second pool of this name"),
        (['workload."manifest log".span="2049 KiB"'], 'workload."manifest log".span', "beyond the usable capacity"),
        (['server.pool.log.media.capacity="1 KiB"'], "server.pool.log.media.capacity", "less than one stripe unit"),
        (['workload.booking.span="4 TiB"'], "workload.booking.span", "beyond the usable capacity"),
    ],
)  # fmt: skip
def test_what_is_wrong_with_pools_is_said_once_and_at_its_key(changes, key, wrong):
    said = refused(POOLS, *changes)
    assert any(key in each and wrong in each for each in said), said


def test_with_several_pools_every_class_says_which():
    (said,) = refused(POOLS.replace('pool = "log"\n', ""))
    assert '"manifest log".pool' in said
    assert "missing: there are several pools" in said


def test_a_class_can_name_no_pool_where_there_are_none():
    text = POOLS[: POOLS.index("[[server.pool]]")] + (f"{generic()}\n")
    workload = '[[workload]]\nname = "a"\nrate = "1 /s"\nrequest_size = "4 KiB"\npool = "log"\n'
    (said,) = refused(text + workload)
    assert "workload.a.pool" in said
    assert "the server has no pools" in said


def test_a_server_without_drives_is_told_both_forms():
    (said,) = refused(
        '[server.controller]\ncores = 1\n[[workload]]\nname = "a"\nrate = "1 /s"\nrequest_size = "4 KiB"\n'
    )
    assert "neither media nor pool" in said
    assert "[[server.pool]]" in said


def test_an_unused_pool_of_arms_and_a_closed_class_beside_an_open_one_are_reckoned_with():
    closed = POOLS.replace('rate = "100 /s"', "queue_depth = 2").replace('rate = "1 /s"', "queue_depth = 1")
    theory = tailrace.estimate(parse(closed))
    assert set(theory.classes) == {"manifest log", "booking", "cameras"}
    unused = POOLS[: POOLS.index('[[workload]]\nname = "booking"')]
    assert tailrace.estimate(parse(unused)).saturation.station == "log: drive"
