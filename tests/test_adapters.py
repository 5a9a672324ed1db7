"""Drives behind shared uplinks: the answer names what binds, lane, uplink or drive, at the rate reckoned by hand.

P5 and P6 are common practice, no source: 32 flash drives on two lanes of generation 3 each are quoted at 64 GB/s,
thirty spinning drives read about 7 GB/s in sequence. The rates of the links are those of the open standard: 8 GT/s a
lane, coded 128b/130b.
"""

import pytest

import tailrace
from drives import generic, lanes, spinning
from tailrace.report.sentences import binding_sentence
from tailrace.scenario import parse

LANE_3 = 8e9 * 128 / 130 / 8  # bytes/s
PACKETS = 256 / 280  # a packet of 256 B costs 24 B more


def quick_drives(rate, uplink="", kind=""):
    return f"""
{lanes(pcie_generation=3)}
{uplink}
{generic("constant", "1 us", count=32)}
[[workload]]
name = "manifests"
rate = "{rate} /s"
request_size = "64 KiB"
{kind}
[run]
requests = 2000
replications = 2
"""


def slow_drives(rate, uplink):
    return f"""
[server.lanes]
rate = "{rate}"
{uplink}
{spinning(count=30, capacity="2 TB", outer_rate="233 MB/s", queue_slots=8)}
[server.layout]
stripe_unit = "2 TB"
[[workload]]
name = "cameras"
clients = 30
queue_depth = 4
request_size = "1 MiB"
pattern = "sequential"
[run]
requests = 1500
replications = 2
"""


def uplink(width, drives=8, generation=3):
    return f"drives_per_adapter = {drives}\nadapter_generation = {generation}\nadapter_width = {width}"


@pytest.mark.parametrize(
    ("width", "kind", "station", "bytes_per_s"),
    [
        (None, "read_share = 1.0", "lane out", 64 * LANE_3 * PACKETS),
        (None, "read_share = 0.0", "lane in", 64 * LANE_3 * PACKETS),
        (8, "read_share = 1.0", "adapter out", 4 * 8 * LANE_3 * PACKETS),
        (8, "read_share = 0.0", "adapter in", 4 * 8 * LANE_3 * PACKETS),
        (16, "read_share = 1.0", "lane out", 64 * LANE_3 * PACKETS),
    ],
)
def test_two_lanes_of_generation_3_or_the_uplink_of_eight_such_drives_bind(width, kind, station, bytes_per_s):
    text = quick_drives(100_000, uplink(width) if width else "", kind)
    binding = tailrace.estimate(parse(text)).saturation
    assert binding.load_factor * 100_000 * 65536 == pytest.approx(bytes_per_s, rel=0.03)
    if width == 16:  # an uplink as wide as its lanes: both bind alike
        assert binding.station in ("lane out", "adapter out")
    else:
        assert (binding.station, binding.stage) == (station, "lane")


def test_32_drives_on_two_lanes_of_generation_3_are_63_gb_per_s_before_packets():
    total = 32 * 2 * LANE_3
    assert total == pytest.approx(63e9, rel=0.001)


def test_a_run_beyond_the_uplink_says_so_in_words():
    text = quick_drives(1_000_000, uplink(8))
    said = binding_sentence(tailrace.simulate(parse(text), seed=1))
    assert said.startswith("The adapters of the lane, outbound, cannot keep up (found before the run)")
    pooled = text.replace("[server.lanes]", '[[server.pool]]\nname = "data"\n[server.pool.lanes]')
    said = binding_sentence(
        tailrace.simulate(parse(pooled.replace("server.media", "server.pool.media")), seed=1)
    )
    assert said.startswith("The adapters of the lane of pool data, outbound, cannot keep up")


@pytest.mark.parametrize(
    ("rate", "up", "station", "bytes_per_s"),
    [
        pytest.param("12 Gbit/s", "", "arm", 30 * 233e6, marks=pytest.mark.whole),
        ("12 Gbit/s", uplink(2, drives=15), "adapter out", 2 * 2 * LANE_3 * PACKETS),
        ("1.5 Gbit/s", "", "lane", 30 * 150e6 * 550 / 600),
    ],
)
def test_thirty_spinning_drives_in_sequence_are_bound_by_themselves_their_links_or_the_uplink(
    rate, up, station, bytes_per_s
):
    """P6: about 7 GB/s from the drives, each read by a client of its own; less through what is slower."""
    pytest.importorskip("numba")  # each request of 1 MiB keeps an arm choosing often: half a minute without
    result = tailrace.simulate(parse(slow_drives(rate, up)), seed=1, engine="compiled")
    moved = result.class_named("cameras").all.throughput_bytes_per_s.value
    busiest = max((s for s in result.stations if s.discipline != "token"), key=lambda s: s.utilisation or 0)
    assert busiest.name == station
    assert moved == pytest.approx(bytes_per_s, rel=0.02)
