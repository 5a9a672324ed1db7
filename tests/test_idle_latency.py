"""One request at a time on an idle server: its latency is the sum of its parts, done by hand, for each kind of part.

Rates of links and their sources: shared/published/links.toml. Nothing waits; what a test does not name costs nothing.
"""

import math
from typing import Any

import numpy as np
import pytest

from drives import controller, flash, generic, lanes, spinning
from tailrace.engine.observations import Observations
from tailrace.plan.columns import Stage
from tailrace.scenario import parse
from through import observe, published

LINKS = published("links")
FRAMES = 550 / 600
"""Share of a serial link's data rate that is payload (common practice, no source)."""
KIB = 1024
US = 1e-6

SERVE_1_US = f"""
{generic("constant", "1 us")}
"""

READ, WRITE = "read_share = 1.0", "read_share = 0.0"


def alone(server: str, size: int, kind: str = READ, workload: str = "", requests: int = 200) -> Observations:
    """Requests of one client that has one under way at a time; nothing of the server is ever waited for."""
    scenario = parse(f"""{server}
[[workload]]
name = "booking"
think_time = "1 s"
request_size = "{size} B"
{kind}
{workload}
""")
    observed = observe(scenario, requests)
    assert (observed.client == 0).all()
    assert (observed.arrival_s[1:] >= observed.completion_s[:-1]).all()
    assert observed.wait_s.max() < 1e-12
    assert observed.service_s.sum(axis=1) == pytest.approx(observed.latency_s, abs=1e-11)
    return observed


def always(observed: Observations, stage: Stage | None = None) -> float:
    """The latency of all requests, or their service at a stage, which must be one and the same."""
    values = observed.latency_s if stage is None else observed.service_s[:, stage]
    assert values == pytest.approx(np.full(values.size, values[0]), abs=1e-11)
    return float(np.median(values))


# Lanes


def lane_rate(lanes: str, size: int, kind: str = READ) -> float:
    """What a request of so many bytes finds the link to the drive to carry, in bytes a second."""
    server = f'[server.lanes]\n{lanes}\n{SERVE_1_US}[server.layout]\nstripe_unit = "{size} B"\n'
    observed = alone(server, size, kind)
    assert always(observed, Stage.MEDIA) == pytest.approx(US)
    assert always(observed) == pytest.approx(US + always(observed, Stage.LANE), abs=1e-11)
    return size / (always(observed) - US)


def efficiency(max_payload: int) -> float:
    row = LINKS["pcie_packet"]
    return float(row["efficiency"][row["max_payload_bytes"].index(max_payload)])


@pytest.mark.parametrize("kind", [READ, WRITE])
@pytest.mark.parametrize("generation", [1, 2, 3, 4, 5, 6])
def test_one_pcie_lane_carries_what_its_generation_is_published_to_less_packet_headers(
    generation: int, kind: str
) -> None:
    # L1, L4
    row = LINKS["pcie_lane"]
    raw = row["gb_per_s"][row["generation"].index(generation)] * 1e9
    found = lane_rate(f"pcie_generation = {generation}\nwidth = 1", 1024 * KIB, kind)
    assert found == pytest.approx(raw * efficiency(256), rel=1e-4)


@pytest.mark.parametrize("place", range(5))
def test_several_pcie_lanes_carry_their_multiple(place: int) -> None:
    # L2
    row = LINKS["pcie_link"]
    lanes = f"pcie_generation = {row['generation'][place]}\nwidth = {row['width'][place]}"
    assert lane_rate(lanes, 1024 * KIB) == pytest.approx(
        row["gb_per_s"][place] * 1e9 * efficiency(256), rel=2e-4
    )


@pytest.mark.parametrize("place", range(3))
def test_the_payload_of_a_packet_decides_what_four_lanes_of_generation_3_carry(place: int) -> None:
    # L4
    row = LINKS["pcie_packet"]
    lanes = f'pcie_generation = 3\nwidth = 4\nmax_payload = "{row["max_payload_bytes"][place]} B"'
    assert lane_rate(lanes, 1024 * KIB) == pytest.approx(
        row["generation_3_four_lanes_gb_per_s"][place] * 1e9, rel=2e-4
    )


def test_a_packet_costs_between_five_and_seven_double_words_more_than_it_carries() -> None:
    # L3. rate(P) = raw P / (P + h) at two payloads gives h.
    lanes = 'pcie_generation = 3\nwidth = 4\nmax_payload = "{} B"'
    small, large = (lane_rate(lanes.format(payload), 1024 * KIB) for payload in (128, 512))
    overhead = (large - small) / (small / 128 - large / 512)
    row = LINKS["pcie_packet_overhead"]
    assert row["least_bytes"] <= overhead <= row["most_bytes"]


@pytest.mark.parametrize("kind", [READ, WRITE])
@pytest.mark.parametrize("place", range(4))
def test_a_serial_link_carries_what_code_and_frames_leave_of_its_line_rate(place: int, kind: str) -> None:
    # L5 and its frames, half duplex up to 6 Gbit/s, full above: the same to one request alone
    row = LINKS["serial_8b10b"]
    lanes = f'rate = "{row["line_gbit_per_s"][place]} Gbit/s"'
    assert lane_rate(lanes, 1024 * KIB, kind) == pytest.approx(
        row["mb_per_s"][place] * 1e6 * FRAMES, rel=1e-9
    )


def test_the_fastest_serial_link_has_another_code() -> None:
    # L6
    row = LINKS["serial_128b150b"]
    lanes = f'rate = "{row["line_gbit_per_s"]} Gbit/s"\ncoding = "128b/150b"'
    assert lane_rate(lanes, 1024 * KIB) == pytest.approx(row["mb_per_s"] * 1e6 * FRAMES, rel=1e-9)


def test_drives_behind_an_adapter_cross_its_uplink_as_well() -> None:
    lanes = """
[server.lanes]
rate = "12 Gbit/s"
drives_per_adapter = 4
adapter_generation = 3
adapter_width = 8
"""
    row, serial = LINKS["pcie_link"], LINKS["serial_8b10b"]
    uplink = row["gb_per_s"][1] * 1e9 * efficiency(256)
    latency = always(alone(lanes + SERVE_1_US, 64 * KIB))
    assert latency == pytest.approx(
        US + 65536 / (serial["mb_per_s"][3] * 1e6 * FRAMES) + 65536 / uplink, rel=1e-4
    )


# Network


def network_s(settings: str, size: int, kind: str) -> float:
    """Seconds on the wire for the message with the data: what the network costs less the other message."""
    plain = f"""
[server.network]
message_payload = "1 B"
{settings}
"""
    return always(alone(plain + SERVE_1_US, size, kind), Stage.NETWORK)


@pytest.mark.parametrize("kind", [READ, WRITE])
@pytest.mark.parametrize("place", range(4))
def test_long_messages_reach_the_published_share_of_the_line_rate(place: int, kind: str) -> None:
    # L7. The message the other way is one byte in a frame of its own.
    row = LINKS["ethernet_tcp"]
    payload = row["frame_payload_bytes"][place]
    overhead = row["wire_bytes_per_frame"][place] - payload
    size = 1000 * payload
    frames = f'rate = "10 Gbit/s"\nframe_payload = "{payload} B"\nframe_overhead = "{overhead} B"'
    seconds = network_s(frames, size, kind) - (1 + overhead) / 1.25e9
    assert size / seconds / 1.25e9 == pytest.approx(row["efficiency"][place], abs=0.5e-6)


@pytest.mark.parametrize("kind", [READ, WRITE])
@pytest.mark.parametrize("place", range(3))
def test_a_message_takes_the_published_time_on_the_wire(place: int, kind: str) -> None:
    # L9
    row: dict[str, Any] = LINKS["serialisation"][place]
    rate = row["gbit_per_s"] * 1e9 / 8
    settings = (
        f'rate = "{row["gbit_per_s"]} Gbit/s"\nframe_payload = "{row["frame_payload_bytes"]} B"\n'
        f'frame_overhead = "{row["frame_overhead_bytes"]} B"'
    )
    seconds = network_s(settings, row["payload_bytes"], kind) - (1 + row["frame_overhead_bytes"]) / rate
    assert seconds / US == pytest.approx(row["time_us"], abs=0.0005)


@pytest.mark.parametrize("place", range(2))
def test_the_least_frames_pass_at_the_published_rate(place: int) -> None:
    # L9: two least frames, one each way
    row = LINKS["least_frame"]
    settings = (
        f'rate = "{row["gbit_per_s"][place]} Gbit/s"\nframe_payload = "1460 B"\n'
        f'frame_overhead = "{row["overhead_bytes"]} B"'
    )
    rate = row["gbit_per_s"][place] * 1e9 / 8
    answer_s = (1 + row["overhead_bytes"]) / rate
    seconds = network_s(settings, row["payload_bytes"], WRITE) - answer_s
    assert 1 / seconds == pytest.approx(row["frames_per_s"][place], abs=0.5)


@pytest.mark.parametrize(("discipline", "client_links"), [("ps", 0), ("fcfs", 0), ("ps", 2), ("fcfs", 2)])
@pytest.mark.parametrize("kind", [READ, WRITE])
def test_a_network_costs_both_messages_on_every_link_and_the_round_trip(
    discipline: str, client_links: int, kind: str
) -> None:
    # 8 KiB in six frames of 1,448 B at most, 90 B each; the other message is 72 B in one frame
    own = 'client_rate = "10 Gbit/s"' if client_links else ""
    server = f"""
[server.network]
ports = 2
rate = "25 Gbit/s"
round_trip = "60 us"
discipline = "{discipline}"
{own}
"""
    wire = (8192 + 6 * 90) + (72 + 90)
    exact = 60 * US + wire / 3.125e9 + (wire / 1.25e9 if client_links else 0.0) + US
    assert always(alone(server + SERVE_1_US, 8 * KIB, kind)) == pytest.approx(exact, rel=1e-9)


def test_pieces_in_turn_take_as_long_as_the_whole_but_for_the_frames_that_they_fill_badly() -> None:
    # 100 KiB in pieces of 32 KiB: three of 23 frames and one of 4 KiB in three frames, where the whole has 71
    server = """
[server.network]
rate = "10 Gbit/s"
discipline = "fcfs"
transfer_piece = "32 KiB"
"""
    wire = 100 * KIB + (3 * 23 + 3) * 90 + (72 + 90)
    assert always(alone(server + SERVE_1_US, 100 * KIB)) == pytest.approx(wire / 1.25e9 + US, rel=1e-9)


# Controller


@pytest.mark.parametrize("kind", [READ, WRITE])
@pytest.mark.parametrize("size", [8 * KIB, 64 * KIB, 200 * KIB])
def test_the_controller_costs_its_times_and_every_byte_copied_once(size: int, kind: str) -> None:
    server = f"""
{controller()}
"""
    exact = 11 * US + size / 8e9
    one_operation = '[server.layout]\nstripe_unit = "1 MiB"\n'
    assert always(alone(server + SERVE_1_US + one_operation, size, kind)) == pytest.approx(exact, rel=1e-9)


def test_a_request_over_several_drives_pays_for_each_operation_and_waits_for_the_slowest() -> None:
    # 256 KiB over four drives side by side: four times 1 us at the controller, 1 us at the media
    server = f"""
[server.controller]
cores = 4
per_disk_operation = "1 us"
variability = 0.0
{generic("constant", "1 us", count=4)}
[server.layout]
stripe_unit = "64 KiB"
"""
    assert always(alone(server, 256 * KIB)) == pytest.approx(5 * US, rel=1e-9)


def test_a_rate_limit_costs_nothing_to_one_who_keeps_below_it() -> None:
    steady = 'think = "constant"\nlimit = "10 /s"'
    assert always(alone(SERVE_1_US, 8 * KIB, workload=steady)) == pytest.approx(US, rel=1e-9)


# Flash


def flash_drives(pages_per_block: int) -> str:
    return f"""
{lanes()}
{flash(count=2, capacity="3.84 TB", page="16 KiB", pages_per_block=pages_per_block, buffer_time="10 us")}
[server.layout]
stripe_unit = "1 MiB"
"""


LANE_4X2 = 2 * LINKS["pcie_lane"]["gb_per_s"][3] * 1e9 * 256 / 280
BUS = 1.2e9
RARE_ERASES = flash_drives(1_000_000)


def test_a_small_read_from_flash_is_command_cell_bus_and_lane() -> None:
    # 2 us of command; only the bytes asked for cross the bus
    exact = 2 * US + 65 * US + 8192 / BUS + 8192 / LANE_4X2
    assert always(alone(RARE_ERASES, 8 * KIB)) == pytest.approx(exact, rel=1e-5)


def test_the_pages_of_a_read_come_from_their_dies_side_by_side() -> None:
    # 64 KiB are four pages on four dies and buses: as one page, then 64 KiB over the lane
    exact = 67 * US + 16384 / BUS + 65536 / LANE_4X2
    assert always(alone(RARE_ERASES, 64 * KIB)) == pytest.approx(exact, rel=1e-5)


def test_a_large_read_overlaps_medium_and_lane_piece_by_piece() -> None:
    # 256 KiB are two pieces of eight pages. Buses: one page of each piece, the second piece right behind the first.
    # The lane is shared from then on, and busy until both have crossed: it is slower than the buses together.
    tail = 2 * 131072 / LANE_4X2
    assert 131072 / LANE_4X2 > 16384 / BUS
    scenario = parse(
        RARE_ERASES + '[[workload]]\nname = "booking"\nthink_time = "1 s"\nrequest_size = "256 KiB"\n'
    )
    assert always(observe(scenario, 100)) == pytest.approx(67 * US + 16384 / BUS + tail, rel=1e-5)


def test_a_small_write_to_flash_is_command_lane_and_buffer_whatever_goes_on_behind() -> None:
    exact = 2 * US + 8192 / LANE_4X2 + 10 * US
    assert always(alone(RARE_ERASES, 8 * KIB, WRITE)) == pytest.approx(exact, rel=1e-5)


def test_a_durable_write_to_flash_is_command_lane_bus_and_program_and_now_and_then_an_erase() -> None:
    observed = alone(flash_drives(4), 8 * KIB, WRITE, "durable = true", requests=1000)
    exact = 2 * US + 8192 / LANE_4X2 + 8192 / BUS + 700 * US
    erased = observed.latency_s > 3e-3
    # lane rate printed to five digits
    assert observed.latency_s[~erased] == pytest.approx(np.full((~erased).sum(), exact), rel=1e-5)
    assert observed.latency_s[erased] == pytest.approx(np.full(erased.sum(), exact + 5e-3), rel=1e-5)
    # one in four of 1,000, a binomial spread of 1.4 %
    assert abs(erased.mean() - 0.25) < 4 * math.sqrt(0.25 * 0.75 / 1000)


# Spinning

DRIVE = spinning(
    capacity="1 GB",
    rpm="6000 rpm",
    seek_curve='[{share = 0.0, time = "1 ms"}, {share = 1.0, time = "11 ms"}]',
    write_settle="1.3 ms",
    outer_rate="100 MB/s",
    command_rate="1000 /s",
    scheduling="arrival order",
)
SPINNING = f"""
[server.lanes]
rate = "12 Gbit/s"
{DRIVE}
[server.layout]
stripe_unit = "1 MiB"
"""


@pytest.mark.parametrize("kind", [READ, WRITE])
def test_an_access_to_a_spinning_drive_is_seek_settling_rotation_and_transfer(kind: str) -> None:
    # 100 turns a second of 1 MB each, 1,000 turns in all. Two classes at one place each: megabyte 100 and megabyte 600,
    # half a stroke apart, both at a quarter of a turn. They think so long that they never meet.
    scenario = parse(
        SPINNING
        + "".join(
            f"""
[[workload]]
name = "{name}"
think_time = "{think}"
think = "constant"
request_size = "8 KiB"
{kind}
start = "{start} B"
span = "8 KiB"
"""
            for name, think, start in (("inner", "3 s", 600_250_000), ("outer", "3.5 s", 100_250_000))
        )
    )
    observed = observe(scenario, 40)
    assert observed.wait_s.max() < 1e-12
    lane = 8192 / 1.2e9 / FRAMES
    settle = 1.3e-3 if kind == WRITE else 0.0
    begin = observed.completion_s - 8192 / 100e6 - (lane if kind == READ else 0.0)
    ready = observed.arrival_s + 1e-3 + (lane if kind == WRITE else 0.0)
    # The same sector comes under the head a whole number of turns apart.
    turns = (begin - begin[0]) * 100
    assert turns == pytest.approx(np.round(turns), abs=1e-6)
    moved = np.diff(observed.class_index, prepend=-1) != 0
    seek = np.where(moved, 1e-3 + 10e-3 * 0.5, 0.0)
    rotation = begin - ready - seek - settle
    assert rotation[1:].min() >= -1e-9
    assert rotation[1:].max() < 10e-3 + 1e-9
    assert moved[1:].any()
    assert not moved[1:].all()


def test_a_large_read_from_a_spinning_drive_overlaps_transfer_and_lane() -> None:
    # 1 MiB in eight pieces of 128 KiB that continue each other: the lane, twelve times as fast, adds only the last.
    scenario = parse(
        SPINNING.replace("write_settle", "queue_slots = 32\nwrite_settle")
        + """
[[workload]]
name = "booking"
think_time = "1 s"
request_size = "1 MiB"
"""
    )
    observed = observe(scenario, 50)
    rest = observed.latency_s - 1e-3 - 1048576 / 100e6 - 131072 / 1.2e9 / FRAMES
    # what is left is seek (up to 11 ms) and rotation (up to 10 ms)
    assert rest.min() >= -1e-9
    assert rest.max() < 21e-3


# All of it


def test_the_whole_way_of_a_read_and_of_a_write_is_the_sum_of_its_stages() -> None:
    # The flash box of the ready scenarios with constant processor times.
    server = (
        f"""
[server.network]
ports = 2
rate = "25 Gbit/s"
round_trip = "60 us"
{controller(cores=16)}
"""
        + RARE_ERASES
    )
    network = 60 * US + (8192 + 6 * 90 + 72 + 90) / 3.125e9
    processor = 10 * US + 8192 / 8e9
    lane = 8192 / LANE_4X2
    read, write = alone(server, 8 * KIB, READ), alone(server, 8 * KIB, WRITE)
    for observed, media in ((read, 67 * US + 8192 / BUS), (write, 12 * US)):
        stages = [always(observed, stage) for stage in Stage]
        assert stages == pytest.approx([network, processor, lane, media], rel=1e-5)
        assert always(observed) == pytest.approx(network + processor + lane + media, rel=1e-5)
