"""Link rates against the values that the standards print (shared/published/links.toml)."""

import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tailrace.physics import links

PUBLISHED = tomllib.loads((Path(__file__).parent.parent / "shared/published/links.toml").read_text("utf-8"))


def test_a_pcie_lane_carries_the_published_rate_of_its_generation() -> None:
    lane = PUBLISHED["pcie_lane"]
    for generation, gb_per_s in zip(lane["generation"], lane["gb_per_s"], strict=True):
        assert links.pcie_lane_rate_bytes_per_s(generation) == pytest.approx(gb_per_s * 1e9, abs=0.5e4)


def test_a_pcie_link_carries_its_lanes_times_the_lane_rate() -> None:
    link = PUBLISHED["pcie_link"]
    for generation, width, gb_per_s in zip(link["generation"], link["width"], link["gb_per_s"], strict=True):
        rate = width * links.pcie_lane_rate_bytes_per_s(generation)
        assert rate == pytest.approx(gb_per_s * 1e9, abs=0.5e6)


def test_the_packet_overhead_lies_within_the_published_range() -> None:
    published = PUBLISHED["pcie_packet_overhead"]
    assert published["least_bytes"] <= links.PCIE_PACKET_OVERHEAD_BYTES <= published["most_bytes"]


def test_packet_efficiency_and_usable_rate_match_the_published_figures() -> None:
    packet = PUBLISHED["pcie_packet"]
    rows = zip(
        packet["max_payload_bytes"],
        packet["efficiency"],
        packet["generation_3_four_lanes_gb_per_s"],
        strict=True,
    )
    for payload, efficiency, gb_per_s in rows:
        assert links.pcie_packet_efficiency(payload) == pytest.approx(efficiency, abs=0.5e-4)
        assert links.pcie_rate_bytes_per_s(3, 4, payload) == pytest.approx(gb_per_s * 1e9, abs=0.5e6)


def test_serial_links_carry_the_published_rates_of_their_coding() -> None:
    old, new = PUBLISHED["serial_8b10b"], PUBLISHED["serial_128b150b"]
    for gbit, mb in zip(old["line_gbit_per_s"], old["mb_per_s"], strict=True):
        assert links.serial_rate_bytes_per_s(gbit * 1e9, "8b/10b") == pytest.approx(mb * 1e6, rel=1e-12)
    rate = links.serial_rate_bytes_per_s(new["line_gbit_per_s"] * 1e9, "128b/150b")
    assert rate == pytest.approx(new["mb_per_s"] * 1e6, rel=1e-12)


def test_full_ethernet_frames_have_the_published_efficiency() -> None:
    frames = PUBLISHED["ethernet_tcp"]
    rows = zip(
        frames["frame_payload_bytes"], frames["wire_bytes_per_frame"], frames["efficiency"], strict=True
    )
    for payload, wire, efficiency in rows:
        sent = 1000 * payload
        on_wire = int(links.wire_bytes(sent, payload, wire - payload))
        assert on_wire == 1000 * wire
        assert sent / on_wire == pytest.approx(efficiency, abs=0.5e-6)


def test_messages_take_the_published_time_on_the_wire() -> None:
    for row in PUBLISHED["serialisation"]:
        wire = links.wire_bytes(row["payload_bytes"], row["frame_payload_bytes"], row["frame_overhead_bytes"])
        time_us = float(wire) * 8 / (row["gbit_per_s"] * 1e9) * 1e6
        assert time_us == pytest.approx(row["time_us"], abs=0.5e-3)


def test_a_line_carries_the_published_number_of_least_frames() -> None:
    least = PUBLISHED["least_frame"]
    wire = float(links.wire_bytes(least["payload_bytes"], 1500, least["overhead_bytes"]))
    for gbit, frames_per_s in zip(least["gbit_per_s"], least["frames_per_s"], strict=True):
        assert int(gbit * 1e9 / 8 / wire) == frames_per_s


@given(
    payloads=st.lists(st.integers(0, 10**12), min_size=1, max_size=20),
    frame=st.integers(1, 10_000),
    overhead=st.integers(0, 500),
)
def test_wire_bytes_are_those_of_frames_filled_one_after_the_other(
    payloads: list[int], frame: int, overhead: int
) -> None:
    wire = links.wire_bytes(payloads, frame, overhead)
    assert wire.shape == (len(payloads),)
    for payload, on_wire in zip(payloads, wire.tolist(), strict=True):
        full, rest = divmod(payload, frame)
        assert on_wire == full * (frame + overhead) + (rest + overhead if rest else 0)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: links.pcie_lane_rate_bytes_per_s(7), "known are 1, 2, 3, 4, 5, 6"),
        (lambda: links.pcie_lane_rate_bytes_per_s(0), "generation 0"),
        (lambda: links.pcie_rate_bytes_per_s(4, 0, 256), "at least one lane"),
        (lambda: links.pcie_packet_efficiency(0), "positive payload"),
        (lambda: links.pcie_packet_efficiency(256, -1), "-1"),
        (lambda: links.serial_rate_bytes_per_s(6e9, "4b/5b"), "8b/10b, 128b/130b, 128b/150b"),
        (lambda: links.serial_rate_bytes_per_s(0.0, "8b/10b"), "positive"),
        (lambda: links.serial_rate_bytes_per_s(float("nan"), "8b/10b"), "nan"),
        (lambda: links.wire_bytes([1, -1], 1448, 90), "negative"),
        (lambda: links.wire_bytes(1, 0, 90), "at least 1 byte"),
        (lambda: links.wire_bytes(1, 1448, -90), "-90"),
    ],
)
def test_links_that_cannot_exist_are_refused_with_the_reason(call, says) -> None:
    with pytest.raises(ValueError, match=says):
        call()


def test_nothing_to_send_costs_nothing() -> None:
    assert np.array_equal(links.wire_bytes(np.zeros((2, 3)), 1448, 90), np.zeros((2, 3)))
