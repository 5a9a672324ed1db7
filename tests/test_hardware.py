"""What each stage costs: service laws, processors, links, drives, and how requests fall apart over drives."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import stats

from tailrace.hardware.controller import ControllerCost
from tailrace.hardware.extents import Extents
from tailrace.hardware.flash import FlashCost
from tailrace.hardware.layout import Striping
from tailrace.hardware.network import NetworkCost
from tailrace.hardware.service import gamma_times, service_times
from tailrace.hardware.spinning import SpinningCost
from tailrace.physics.seek import mean_seek_s, seek_times_s
from tailrace.scenario import (
    Constant,
    Controller,
    Exponential,
    Flash,
    Gamma,
    Hyperexponential,
    Lanes,
    Law,
    Lognormal,
    Network,
    SeekPoint,
    Spinning,
    TwoPieceSeek,
    Uniform,
)
from tailrace.workload.streams import Purpose, Streams

KIB = 1024
EVENLY = (np.arange(1_000_000) + 0.5) / 1_000_000


def uniforms(count: int, purpose: Purpose = Purpose.MEDIA) -> NDArray[np.float64]:
    return Streams(7, 0, "hardware").uniforms(purpose, np.arange(count))


# Service laws

LAWS: list[Law] = [
    Constant(value=2e-3),
    Exponential(mean=2e-3),
    Uniform(low=1e-3, high=4e-3),
    Gamma(mean=2e-3, scv=0.25),
    Gamma(mean=2e-3, scv=1.0),
    Gamma(mean=2e-3, scv=3.0),
    Lognormal(mean=2e-3, scv=0.5),
    Lognormal(mean=2e-3, scv=4.0),
    Hyperexponential(mean=2e-3, scv=1.5),
    Hyperexponential(mean=2e-3, scv=9.0),
]
NAMES = [f"{law.law} {law.scv:g}" for law in LAWS]


@pytest.mark.parametrize("law", LAWS, ids=NAMES)
def test_times_have_the_mean_and_the_variability_that_their_law_states(law: Law) -> None:
    times = service_times(law, EVENLY)
    assert times.shape == EVENLY.shape
    assert np.all(times >= 0)
    assert times.mean() == pytest.approx(law.mean_s, rel=1e-4)
    assert times.var() / law.mean_s**2 == pytest.approx(law.scv, rel=5e-3, abs=1e-12)


def two_phases(mean: float, scv: float) -> Any:
    """Distribution function with balanced means: two rates 2p / mean and 2(1 - p) / mean (derived)."""
    p = 0.5 * (1 + np.sqrt((scv - 1) / (scv + 1)))
    quick, slow = stats.expon(scale=mean / 2 / p), stats.expon(scale=mean / 2 / (1 - p))
    return lambda t: p * quick.cdf(t) + (1 - p) * slow.cdf(t)


REFERENCE: dict[str, Any] = {
    "exponential 1": stats.expon(scale=2e-3).cdf,
    "uniform 0.12": stats.uniform(1e-3, 3e-3).cdf,
    "gamma 0.25": stats.gamma(4, scale=0.5e-3).cdf,
    "gamma 1": stats.gamma(1, scale=2e-3).cdf,
    "gamma 3": stats.gamma(1 / 3, scale=6e-3).cdf,
    "lognormal 0.5": stats.lognorm(np.sqrt(np.log(1.5)), scale=2e-3 / np.sqrt(1.5)).cdf,
    "lognormal 4": stats.lognorm(np.sqrt(np.log(5)), scale=2e-3 / np.sqrt(5)).cdf,
    "hyperexponential 1.5": two_phases(2e-3, 1.5),
    "hyperexponential 9": two_phases(2e-3, 9.0),
}


@pytest.mark.parametrize("law", LAWS[1:], ids=NAMES[1:])
def test_times_follow_their_law_and_the_check_would_notice_eight_per_cent(law: Law) -> None:
    cdf = REFERENCE[f"{law.law} {law.scv:g}"]
    times = service_times(law, uniforms(50_000))
    assert stats.kstest(times, cdf).pvalue > 1e-3
    assert stats.kstest(times * 1.08, cdf).pvalue < 1e-3


def test_constant_times_are_constant() -> None:
    assert service_times(Constant(value=2e-3), uniforms(100)).tolist() == [2e-3] * 100


@pytest.mark.parametrize("law", LAWS[1:8], ids=NAMES[1:8])
def test_a_larger_draw_never_gives_a_shorter_time(law: Law) -> None:
    assert np.all(np.diff(service_times(law, EVENLY[::1000])) > 0)


@pytest.mark.parametrize("law", LAWS, ids=NAMES)
def test_the_extreme_draws_give_finite_times(law: Law) -> None:
    assert np.all(np.isfinite(service_times(law, np.array([2.0**-53, 1 - 2.0**-53]))))


# Controller


def cost(**keys: Any) -> ControllerCost:
    return ControllerCost(Controller(cores=1, **keys))


@pytest.mark.parametrize("variability", [0.5, 1.0, 2.0])
def test_the_dispatch_of_several_operations_is_distributed_as_the_sum_of_so_many(variability: float) -> None:
    each = cost(per_disk_operation=1e-6, variability=variability)
    draws = uniforms(60_000)
    at_once = each.dispatch_s(np.full(20_000, 3), draws[:20_000])
    alone = gamma_times(1e-6, variability, draws).reshape(3, -1).sum(axis=0)
    assert stats.ks_2samp(at_once, alone).pvalue > 1e-3
    assert stats.ks_2samp(at_once * 1.05, alone).pvalue < 1e-3
    shape = 3 / variability
    assert stats.kstest(at_once, stats.gamma(shape, scale=3e-6 / shape).cdf).pvalue > 1e-3


@pytest.mark.parametrize("variability", [0.0, 0.5, 1.0, 2.0])
def test_what_a_dispatch_costs_does_not_depend_on_the_other_requests_of_the_block(variability: float) -> None:
    each = cost(per_disk_operation=1e-6, variability=variability)
    operations = np.tile([1, 2, 12, 1], 50)
    together = each.dispatch_s(operations, uniforms(200))
    alone = [each.dispatch_s(operations[k : k + 1], uniforms(200)[k : k + 1])[0] for k in range(200)]
    assert together.tolist() == alone


def test_without_variability_every_cost_is_its_mean() -> None:
    each = cost(per_request=7e-6, per_completion=2e-6, per_disk_operation=1e-6, variability=0.0)
    assert each.intake_s(uniforms(3)).tolist() == [7e-6] * 3
    assert each.completion_s(uniforms(3)).tolist() == [2e-6] * 3
    assert each.dispatch_s(np.array([1, 4, 12]), uniforms(3)).tolist() == [1e-6, 4e-6, 12e-6]


def test_processor_times_have_the_mean_and_variability_of_the_controller() -> None:
    each = cost(per_request=7e-6, per_completion=2e-6, variability=0.5)
    for times, mean in ((each.intake_s(EVENLY), 7e-6), (each.completion_s(EVENLY), 2e-6)):
        assert times.mean() == pytest.approx(mean, rel=1e-4)
        assert times.var() / mean**2 == pytest.approx(0.5, rel=1e-3)


def test_what_costs_nothing_takes_no_time_at_any_variability() -> None:
    free = cost(variability=2.0)
    assert free.intake_s(uniforms(3)).tolist() == [0.0] * 3
    assert free.dispatch_s(np.array([1, 2, 3]), uniforms(3)).tolist() == [0.0] * 3


def test_copying_moves_bytes_at_the_rate_of_a_core_and_is_free_without_one() -> None:
    sizes = np.array([8192, 65536])
    assert cost(copy_rate=8e9).copy_s(sizes) == pytest.approx([1.024e-6, 8.192e-6], rel=1e-12)
    assert cost().copy_s(sizes).tolist() == [0.0, 0.0]


# Network and lanes


def test_network_times_are_those_of_ethernet_frames() -> None:
    # IEEE 802.3: 38 B around each frame, 40 B of IP and TCP header inside it; 8 KiB are six frames of 1460 B.
    network = NetworkCost(
        Network(rate=1.25e9, frame_payload=1460, frame_overhead=78, message_payload=72, round_trip=60e-6)
    )
    size = np.array([8192, 1460, 1461])
    assert network.data_s(size, 1.25e9) == pytest.approx([6.928e-6, 1.2304e-6, 1.2936e-6], rel=1e-9)
    assert network.data_s(size[:1], 3.125e9) == pytest.approx([2.7712e-6], rel=1e-9)
    assert network.header_s(1.25e9) == pytest.approx(150 / 1.25e9, rel=1e-12)
    assert network.half_trip_s == 30e-6


def test_drive_links_carry_what_the_standards_say() -> None:
    # PCI Express: 16 GT/s with 128b/130b a lane of generation 4, 256 of 280 B of a packet are payload.
    two_lanes = Lanes(pcie_generation=4, width=2, max_payload=256)
    assert two_lanes.bytes_per_s == pytest.approx(2 * 16e9 * 128 / 130 / 8 * 256 / 280, rel=1e-12)
    # T10 SAS 12 Gbit/s and SATA 6 Gbit/s: ten bits a byte; SAS 22.5 Gbit/s: 150 bits for 16 bytes.
    # Of these, frames leave 550 of 600 (common practice, no source).
    assert Lanes(rate=1.5e9).bytes_per_s == pytest.approx(1.1e9, rel=1e-12)
    assert Lanes(rate=0.75e9).bytes_per_s == pytest.approx(0.55e9, rel=1e-12)
    assert Lanes(rate=22.5e9 / 8, coding="128b/150b").bytes_per_s == pytest.approx(2.2e9, rel=1e-12)
    assert Lanes(rate=0.75e9, payload_share=1.0).bytes_per_s == pytest.approx(0.6e9, rel=1e-12)


def test_an_uplink_is_a_link_of_its_own_and_none_without_an_adapter() -> None:
    lanes = Lanes(rate=1.5e9, drives_per_adapter=8, adapter_generation=3, adapter_width=8)
    assert lanes.uplink_bytes_per_s == pytest.approx(8 * 8e9 * 128 / 130 / 8 * 256 / 280, rel=1e-12)
    assert Lanes(rate=1.5e9).uplink_bytes_per_s is None


# Flash

FLASH: dict[str, Any] = {
    "capacity": 10**12,
    "dies": 64,
    "channels": 8,
    "channel_rate": 1.2e9,
    "cell_read": 65e-6,
    "cell_program": 700e-6,
    "cell_erase": 5e-3,
    "command_rate": 500_000.0,
}


def flash(**keys: Any) -> FlashCost:
    return FlashCost.of(Flash(**{**FLASH, **keys}), None)


def test_flash_costs_are_those_of_the_datasheet() -> None:
    drive = flash(page=16384, buffer=16 * 2**20)
    assert drive.command_s == 2e-6
    assert drive.bus_s(16384) == pytest.approx(13.653e-6, rel=1e-4)  # 16 KiB at 1,200 MB/s
    assert drive.bus_s(np.array([4096, 1])) == pytest.approx([4096 / 1.2e9, 1 / 1.2e9], rel=1e-12)
    assert drive.units_per_program == 4
    assert drive.buffer_units == 4096
    assert drive.units(np.array([1, 4096, 4097, 131072])).tolist() == [1, 1, 2, 32]


@pytest.mark.parametrize("amplification", [1.0, 1.25, 2.0, 2.48, 5.5])
def test_copies_are_write_amplification_less_one_and_differ_by_one_at_most(amplification: float) -> None:
    copies = flash(write_amplification=amplification).copies_drawn(EVENLY, random=True)
    assert copies.mean() == pytest.approx(amplification - 1, abs=1e-5)
    assert set(copies) <= {int(amplification - 1), int(amplification - 1) + 1}


def test_what_is_written_sequentially_needs_no_copies() -> None:
    assert not flash(write_amplification=2.48).copies_drawn(EVENLY, random=False).any()


def test_one_program_in_as_many_as_a_block_has_pages_is_followed_by_an_erase() -> None:
    times = flash(pages_per_block=250).program_and_erase_s(EVENLY)
    assert set(times) == {700e-6, 700e-6 + 5e-3}
    assert np.mean(times > 700e-6) == 1 / 250


# Spinning


def spinning(**keys: Any) -> Spinning:
    seeks = {"seek_adjacent": 0.6e-3, "seek_average": 8.5e-3, "seek_full": 17e-3}
    if "seek_curve" in keys:
        seeks = {}
    base = {"capacity": 2 * 10**12, "rpm": 120.0, "outer_rate": 200e6, "inner_rate": 100e6}
    return Spinning(**{**base, **seeks, **keys})


def test_a_drive_of_one_rate_transfers_at_that_rate_everywhere() -> None:
    drive = SpinningCost.of(spinning(outer_rate=190e6, inner_rate=190e6))
    address = np.array([0, 10**12, 2 * 10**12 - 2**20])
    assert drive.transfer_s(address, np.full(3, 2**20)) == pytest.approx(2**20 / 190e6, rel=1e-9)
    target, _ = drive.position(address)
    assert target[:2] == pytest.approx([0.0, 0.5], abs=1e-5)


def test_a_zoned_drive_is_fastest_at_the_outer_edge_and_takes_its_turns_to_read_in_full() -> None:
    drive = SpinningCost.of(spinning())
    ends = np.array([0, 2 * 10**12 - 4096])
    assert drive.transfer_s(ends, np.full(2, 4096)) == pytest.approx([4096 / 200e6, 4096 / 100e6], rel=1e-6)
    # Time to read it all is capacity over the plain mean of both rates: each turn takes the same time (derived).
    whole = drive.transfer_s(np.zeros(1, dtype=np.int64), np.full(1, 2 * 10**12))
    assert whole == pytest.approx(2e12 / 150e6, rel=1e-9)


def test_the_angle_of_an_address_is_the_time_to_reach_it_from_the_edge_in_turns() -> None:
    drive = SpinningCost.of(spinning())
    address = np.array([123_456_789, 10**12 + 512, 2 * 10**12 - 512])
    _, angle = drive.position(address)
    turns = drive.transfer_s(np.zeros(3, dtype=np.int64), address) * 120.0
    distance = np.abs(angle - turns % 1)
    assert np.minimum(distance, 1 - distance) == pytest.approx(0.0, abs=1e-6)
    assert drive.turns_per_s == 120.0
    assert SpinningCost.of(spinning(rpm="7200 rpm")).turns_per_s == pytest.approx(120.0, rel=1e-12)


def test_each_form_of_the_seek_curve_is_understood() -> None:
    three = SpinningCost.of(spinning()).curve
    assert mean_seek_s(three) == pytest.approx(8.5e-3, rel=1e-9)
    assert seek_times_s(1.0, three) == pytest.approx(17e-3, rel=1e-9)
    points = (SeekPoint(share=0.1, time=2e-3), SeekPoint(share=1.0, time=11e-3))
    assert seek_times_s(
        [0.05, 0.1, 0.55], SpinningCost.of(spinning(seek_curve=points)).curve
    ) == pytest.approx([2e-3, 2e-3, 6.5e-3], rel=1e-9)
    # Ruemmler and Wilkes, An introduction to disk drive modeling, 1994, drive of 1962 cylinders (second-hand).
    pieces = TwoPieceSeek(cylinders=1962, boundary=383, near=(3.24e-3, 0.4e-3), far=(8e-3, 8e-6))
    curve = SpinningCost.of(spinning(seek_curve=pieces)).curve
    assert seek_times_s(np.array([1, 382, 383, 1961]) / 1961, curve) == pytest.approx(
        [3.64e-3, 11.058e-3, 11.064e-3, 23.688e-3], rel=1e-4
    )


def test_a_drive_without_an_inner_rate_has_one_rate() -> None:
    drive = Spinning(
        capacity=10**12, rpm=120.0, seek_adjacent=1e-3, seek_average=8e-3, seek_full=16e-3, outer_rate=190e6
    )
    assert SpinningCost.of(drive).inner_rate == 190e6


# Layout and extents, against a count byte by byte

Byte = tuple[int, int]
"""Drive and address."""


def striped(address: int, size: int, drives: int, unit: int) -> list[Byte]:
    """Where each byte of a request lies: unit k on drive k mod drives, row k // drives."""
    return [
        (byte // unit % drives, byte // unit // drives * unit + byte % unit)
        for byte in range(address, address + size)
    ]


def covered(extents: Extents, owner: int) -> list[list[Byte]]:
    """The bytes of each extent of an owner."""
    return [
        [(int(extents.drive[k]), byte) for byte in range(start, start + int(extents.size_bytes[k]))]
        for k in np.flatnonzero(extents.owner == owner)
        for start in [int(extents.address[k])]
    ]


REQUESTS = st.lists(st.tuples(st.integers(0, 200), st.integers(1, 90)), max_size=6)


def columns(pairs: list[tuple[int, int]]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    both = np.array(pairs, dtype=np.int64).reshape(-1, 2)
    return both[:, 0].copy(), both[:, 1].copy()


@settings(max_examples=300)
@given(requests=REQUESTS, drives=st.integers(1, 5), unit=st.integers(1, 12))
def test_striping_puts_every_byte_where_a_count_byte_by_byte_does(
    requests: list[tuple[int, int]], drives: int, unit: int
) -> None:
    extents = Striping(drives, unit).operations(*columns(requests))
    assert extents.owner.tolist() == np.repeat(np.arange(len(requests)), extents.counts).tolist()
    for owner, (address, size) in enumerate(requests):
        parts = covered(extents, owner)
        assert len(parts) == extents.counts[owner]
        assert all(parts)
        assert sorted(byte for part in parts for byte in part) == sorted(striped(address, size, drives, unit))
        touched = [part[0][0] for part in parts]
        assert len(set(touched)) == len(touched)  # one operation a drive
        assert parts[0][0] == striped(address, 1, drives, unit)[0]  # and the first one holds the first byte


@settings(max_examples=300)
@given(
    requests=REQUESTS,
    drives=st.integers(1, 5),
    unit=st.integers(1, 12),
    grain=st.integers(1, 20),
    only_larger=st.booleans(),
)
def test_cutting_keeps_every_byte_in_order_and_crosses_no_boundary(
    requests: list[tuple[int, int]], drives: int, unit: int, grain: int, only_larger: bool
) -> None:
    whole = Striping(drives, unit).operations(*columns(requests))
    cut = whole.cut(grain, only_larger)
    assert cut.owner.tolist() == np.repeat(np.arange(len(whole)), cut.counts).tolist()
    for owner in range(len(whole)):
        start, size = int(whole.address[owner]), int(whole.size_bytes[owner])
        parts = covered(cut, owner)
        assert all(parts)
        flat = [byte for part in parts for byte in part]
        assert flat == [(int(whole.drive[owner]), byte) for byte in range(start, start + size)]
        if only_larger and size <= grain:
            assert len(parts) == 1
        else:  # as few parts as the boundaries allow
            assert len(parts) == len({byte // grain for _, byte in flat})
            assert all(len({byte // grain for _, byte in part}) == 1 for part in parts)


def test_no_extents_at_all_can_be_striped_and_cut() -> None:
    nothing = np.empty(0, dtype=np.int64)
    assert len(Striping(3, 8).operations(nothing, nothing).cut(4)) == 0
