"""The models: values in SI, defaults, laws, identity, and where the spans lie."""

import copy
import json
import math
import os
import pickle
import random
import subprocess
import sys
import tomllib
from typing import get_args

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError
from scipy import integrate, stats

from drives import by_parts, spinning
from tailrace.scenario import (
    Constant,
    Exponential,
    Flash,
    Gamma,
    Generic,
    Hyperexponential,
    Lanes,
    LawStage,
    Lognormal,
    Network,
    Run,
    Scenario,
    SeekPoint,
    Server,
    SizeShare,
    Spinning,
    Target,
    Uniform,
    Workload,
    parse,
    starter,
)
from tailrace.scenario.tables.arrivals import ARRIVAL_LAWS, ArrivalName

SPINNING = f"""
{spinning(count=24, capacity="2 TB")}
[[workload]]
name = "manifests"
queue_depth = 4
request_size = [{{size = "8 KiB", share = 0.75}}, {{size = "64 KiB", share = 0.25}}]
"""


def generic(*workloads, capacity=10**9, count=1):
    media = Generic(service=Exponential(mean=1e-3), capacity=capacity, count=count)
    return Scenario(server=Server(media=media), workload=workloads)


def booking(**keys):
    return Workload(**{"name": "booking", "rate": 50.0, "request_size": 8192} | keys)


def test_everything_inside_is_si():
    scenario = parse(by_parts())
    network, media, workload = scenario.server.network, scenario.server.media, scenario.workload[0]
    assert isinstance(network, Network)
    assert isinstance(media, Flash)
    assert network.rate == 25e9 / 8
    assert network.round_trip == 60e-6
    assert media.capacity == 3_840_000_000_000
    assert media.command_rate == 500_000
    assert workload.request_size == (SizeShare(size=8192, share=1.0),)
    assert workload.span == 16 * 2**40
    assert workload.target is not None
    assert workload.target.limits == (("p99", 1e-3),)
    assert scenario.run.seed == 7


def test_a_spinning_drive_turns_at_the_written_speed_and_its_inner_rate_is_the_outer_one_if_left_out():
    media = parse(SPINNING).server.media
    assert isinstance(media, Spinning)
    assert media.rpm == 120
    assert media.inner_rate == media.outer_rate == 200e6


def test_the_default_frame_is_that_of_the_standards():
    # IEEE 802.3: preamble and delimiter 8, addresses and type 14, check sequence 4, gap 12; payload 1500.
    # Headers: RFC 791 20, RFC 9293 20, RFC 7323 timestamps 10 padded to 12.
    network = Network(rate=1.25e9)
    assert network.frame_payload == 1500 - 20 - 20 - 12
    assert network.frame_overhead == 8 + 14 + 4 + 12 + 20 + 20 + 12


@pytest.mark.parametrize(
    ("keys", "depth", "think"),
    [
        ({"queue_depth": 4}, 4, 0.0),
        ({"think_time": 0.002}, 1, 0.002),
        ({"queue_depth": 4, "think_time": 1.0}, 4, 1.0),
    ],
)
def test_a_closed_class_may_leave_out_its_depth_or_its_thinking(keys, depth, think):
    workload = Workload(name="scan", request_size=4096, **keys)
    assert (workload.queue_depth, workload.think_time, workload.is_open) == (depth, think, False)


def test_mean_and_largest_size_follow_the_shares():
    workload = parse(SPINNING).workload[0]
    assert workload.mean_size == 0.75 * 8192 + 0.25 * 65536
    assert workload.largest_size == 65536


LAWS = [
    (Exponential(mean=2e-3), stats.expon(scale=2e-3)),
    (Uniform(low=1e-3, high=4e-3), stats.uniform(1e-3, 3e-3)),
    (Gamma(mean=2e-3, scv=0.25), stats.gamma(4, scale=0.5e-3)),
    (Lognormal(mean=2e-3, scv=3.0), stats.lognorm(math.sqrt(math.log(4)), scale=1e-3)),
]


@pytest.mark.parametrize(("law", "reference"), LAWS, ids=[law.law for law, _ in LAWS])
def test_mean_and_variability_of_a_law_are_those_of_the_reference_distribution(law, reference):
    assert law.mean_s == pytest.approx(reference.mean(), rel=1e-12)
    assert law.scv == pytest.approx(reference.var() / reference.mean() ** 2, rel=1e-12)


def test_constant_times_do_not_vary_and_hyperexponential_ones_as_written():
    assert (Constant(value=3e-3).mean_s, Constant(value=3e-3).scv) == (3e-3, 0)
    assert (Hyperexponential(mean=3e-3, scv=9).mean_s, Hyperexponential(mean=3e-3, scv=9).scv) == (3e-3, 9)


@given(st.floats(0, 1))
@settings(deadline=None)
def test_three_seek_times_are_accepted_exactly_if_a_rising_curve_goes_through_them(share):
    # a + b√x + c·x; both means over pairs uniform in radius, whose distance has the density 2(1 - x)
    root, mean = (integrate.quad(lambda x, p=p: 2 * (1 - x) * x**p, 0, 1)[0] for p in (0.5, 1.0))
    assert (root, mean) == (pytest.approx(8 / 15), pytest.approx(1 / 3))
    adjacent, full = 0.6e-3, 17e-3
    average = adjacent + share * (full - adjacent)
    b, c = np.linalg.solve([[root, mean], [1, 1]], [share, 1])
    x = np.linspace(0, 1, 2001) ** 2
    steps = np.diff(b * np.sqrt(x) + c * x)
    if abs(steps).min() < 1e-6:  # too near to either end to tell
        return
    keys = {"seek_adjacent": adjacent, "seek_average": average, "seek_full": full}
    rises = bool((steps > 0).all())
    try:
        Spinning(capacity=10**12, rpm=120, outer_rate=2e8, **keys)
        accepted = True
    except ValidationError:
        accepted = False
    assert accepted == rises


def test_the_published_two_piece_curve_is_accepted():
    # Ruemmler and Wilkes, An introduction to disk drive modeling, IEEE Computer 27(3), 1994 (from memory)
    curve = {"cylinders": 1962, "boundary": 383, "near": [3.24e-3, 0.4e-3], "far": [8e-3, 8e-6]}
    media = Spinning(capacity=10**9, rpm=4002 / 60, outer_rate=2e6, seek_curve=curve)
    assert media.seek_curve.near == (3.24e-3, 0.4e-3)


def test_a_measured_curve_keeps_its_points():
    points = [{"share": 0.001, "time": 1e-3}, {"share": 1.0, "time": 9e-3}]
    media = Spinning(capacity=10**9, rpm=120, outer_rate=2e8, seek_curve=points)
    assert media.seek_curve == (SeekPoint(share=0.001, time=1e-3), SeekPoint(share=1.0, time=9e-3))


@pytest.mark.parametrize(
    ("lanes", "half", "slots"),
    [
        (None, None, 1024),
        (Lanes(pcie_generation=4), False, 1024),
        (Lanes(rate=0.75e9), True, 32),  # 6 Gbit/s
        (Lanes(rate=0.75e9, duplex="full"), False, 32),
        (Lanes(rate=1.5e9), False, 1024),  # 12 Gbit/s
        (LawStage(service=Constant(value=1e-6)), None, 1024),
    ],
)
def test_duplex_and_queue_slots_follow_the_link_where_they_are_left_out(lanes, half, slots):
    flash = parse(by_parts()).server.media
    assert Server(media=flash, lanes=lanes).pools[0].queue_slots == slots
    if half is not None:
        assert lanes.is_half_duplex == half


def test_precision_and_requests_have_defaults_of_their_own():
    assert (Run().wanted_precision, Run().budget, Run().fixed_length) == (0.1, 500_000, False)
    assert (Run(requests=2000).fixed_length, Run(requests=2000).budget) == (True, 2000)
    assert not Run(requests=2000, precision=0.05).fixed_length
    assert Run(precision=0.05).wanted_precision == 0.05


def test_limits_of_a_target_come_in_one_order_whatever_the_order_of_the_file():
    assert Target(rate=5.0, p99=0.1, mean=0.01).limits == (("mean", 0.01), ("p99", 0.1), ("rate", 5.0))


def test_a_class_is_found_by_its_name():
    scenario = generic(booking(), booking(name="scan"))
    assert scenario.workload_named("scan") is scenario.workload[1]
    with pytest.raises(KeyError):
        scenario.workload_named("cameras")


# ---- spans ------------------------------------------------------------------------------------


def test_usable_capacity_is_whole_rows_of_stripe_units():
    scenario = generic(booking(), capacity=1_000_000, count=3)
    assert scenario.server.pools[0].usable_capacity == 3 * 15 * 65536


def test_spans_lie_one_after_the_other_and_share_what_is_left():
    unit = 65536
    workloads = (
        booking(name="a", span=10 * unit),
        booking(name="b"),
        booking(name="c", start=3 * unit, span=5 * unit),
        booking(name="d"),
    )
    scenario = generic(*workloads, capacity=101 * unit)
    assert scenario.spans() == (
        (0, 10 * unit),
        (10 * unit, 45 * unit),
        (3 * unit, 5 * unit),
        (55 * unit, 45 * unit),
    )


def test_a_span_left_out_beside_a_start_reaches_to_the_end():
    scenario = generic(booking(start=65536 * 4), capacity=65536 * 10)
    assert scenario.spans() == ((65536 * 4, 65536 * 6),)


@given(st.lists(st.one_of(st.none(), st.integers(8192, 10**6)), min_size=1, max_size=6), st.integers(10, 60))
@settings(deadline=None)
def test_spans_without_a_start_never_overlap_nor_leave_the_capacity(lengths, units_per_drive):
    workloads = [booking(name=f"class {index}", span=length) for index, length in enumerate(lengths)]
    try:
        scenario = generic(*workloads, capacity=65536 * units_per_drive, count=2)
    except ValidationError:
        total = sum(length or 8192 for length in lengths)
        assert total > 2 * 65536 * units_per_drive - 65536 * len(lengths)  # no room, but for rounding
        return
    position = 0
    for (start, length), wanted in zip(scenario.spans(), lengths, strict=True):
        assert start == position
        assert length >= 8192
        assert wanted in (None, length)
        position += length
    assert position <= scenario.server.pools[0].usable_capacity


# ---- identity ---------------------------------------------------------------------------------


def test_models_are_frozen():
    scenario = parse(by_parts())
    for model, key in [(scenario, "load"), (scenario.server, "media"), (scenario.workload[0], "rate")]:
        with pytest.raises(ValidationError, match="frozen"):
            setattr(model, key, 1.0)


@pytest.mark.parametrize("text", [by_parts(), SPINNING], ids=["flash", "spinning"])
def test_a_scenario_survives_pickling_and_copying(text):
    scenario = parse(text)
    for other in (pickle.loads(pickle.dumps(scenario)), copy.deepcopy(scenario)):
        assert other == scenario
        assert other.digest == scenario.digest
        assert other.spans() == scenario.spans()
        assert hash(other) == hash(scenario)


def toml(table, shuffle, path=()):
    """A table as TOML, its keys in the order that `shuffle` gives."""
    keys = shuffle(list(table))
    plain = [key for key in keys if not isinstance(table[key], dict) and key != "workload"]
    lines = [f"{key} = {json.dumps(table[key])}" for key in plain]
    for key in keys:
        if isinstance(table[key], dict):
            lines += [f"[{'.'.join((*path, key))}]", toml(table[key], shuffle, (*path, key))]
        elif key == "workload":
            for item in table[key]:
                lines += ["[[workload]]", toml(item, shuffle, ("workload",))]
    return "\n".join(lines)


@given(st.randoms(use_true_random=False), st.integers(0, 2**63 - 1))
@settings(deadline=None)
def test_the_digest_does_not_depend_on_the_order_of_keys_nor_on_the_seed(order: random.Random, seed):
    table = tomllib.loads(by_parts())
    table["run"]["seed"] = seed

    def shuffle(keys):
        order.shuffle(keys)
        return keys

    assert parse(toml(table, shuffle)).digest == parse(by_parts()).digest


def test_the_digest_does_not_depend_on_spelling_nor_on_a_default_written_out():
    same = [
        'server.network.rate="3.125 GB/s"',
        "server.controller.variability=1",
        "load=1",
        'workload.booking.span="16384 GiB"',
    ]
    assert parse(by_parts(), overrides=same).digest == parse(by_parts()).digest


@pytest.mark.parametrize(
    "change",
    [
        "title=x",
        "load=1.5",
        "workload.booking.rate=51 /s",
        "server.media.count=13",
        "run.precision=0.05",
        "run.replications=8",
    ],
)
def test_the_digest_depends_on_everything_else(change):
    assert parse(by_parts(), overrides=[change]).digest != parse(by_parts()).digest


def test_the_digest_is_the_same_in_every_process():
    code = "from tailrace.scenario import parse, starter; print(parse(starter()).digest)"
    for hash_seed in ("0", "1"):
        environment = os.environ | {"PYTHONHASHSEED": hash_seed}
        run = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, check=True)
        assert run.stdout.decode().strip() == parse(starter()).digest


def test_code_may_give_numbers_in_si_and_is_held_to_the_same_rules():
    assert booking(rate="50 /s") == booking(rate=50.0)
    with pytest.raises(ValidationError, match="either rate"):
        booking(queue_depth=3)
    with pytest.raises(ValidationError, match="greater than 0"):
        booking(rate=0)
    with pytest.raises(ValidationError, match="finite"):
        booking(rate=math.nan)
    with pytest.raises(ValidationError, match="beyond the usable capacity"):
        generic(booking(span=10**10))


def test_every_arrival_law_can_be_written_and_asks_for_keys_that_a_class_has():
    assert {law.name for law in ARRIVAL_LAWS} == set(get_args(ArrivalName))
    assert {key for law in ARRIVAL_LAWS for key in law.own} <= set(Workload.model_fields)
    bursty = booking(arrivals="bursty", burstiness=9.0).arrival_law
    assert (bursty.gap_scv, bursty.is_poisson, bursty.caution is None) == (9.0, False, False)


def test_the_rate_of_a_class_is_that_of_all_its_clients_at_the_load_and_none_if_it_is_closed():
    assert booking(clients=4).rate_at(1.5) == 300.0
    assert booking(rate=None, queue_depth=2).rate_at(1.5) == 0.0
