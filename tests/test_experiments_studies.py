"""The experiments that make whole studies run in their small versions, and find what they claim."""

from pathlib import Path

import pytest

from quick import Quick

pytestmark = pytest.mark.whole


def test_the_brackets_hold_what_brute_force_finds(quick: Quick) -> None:
    frame = quick("headroom")
    assert frame.holds.all()
    # the small version tries 12 values where the full one tries 64
    assert (frame.requests < frame.brute_force_requests * 64 / 12 / 4).all()


def test_killed_studies_lose_nothing(quick: Quick) -> None:
    frame = quick("kills")
    assert frame.killed.sum() == 8
    assert not frame.lost.any()
    assert frame.identical.dropna().astype(bool).all()
    assert len(frame.identical.dropna())


def test_plain_division_promises_more_clients_than_the_target_allows(quick: Quick) -> None:
    frame = quick("client_density")
    assert len(frame) == 2
    assert (frame.met < 0.8 * frame.plain).all()
    assert (frame.met < frame.missed).all()


def test_larger_flash_drives_do_more_until_the_link_binds(quick: Quick) -> None:
    frame = quick("capacity_scaling")
    rate = frame.pivot_table("rate_per_s", "capacity_tb", ["link", "pattern"])
    random = [column for column in rate.columns if column[1].startswith("random")]
    pcie, serial = (next(rate[c] for c in random if c[0].startswith(name)) for name in ("PCI", "serial"))
    assert pcie.iloc[-1] > 10 * pcie.iloc[0]
    assert serial.iloc[-1] < 3 * serial.iloc[0]
    # 6 Gbit/s with 8b/10b carry 600 MB/s, 550 of them payload: 134,000 times 4 KiB
    assert serial.iloc[-1] < 1.05 * 550e6 / 4096


def test_a_drive_that_is_down_lengthens_the_p99(quick: Quick) -> None:
    frame = quick("degraded")
    p99 = frame[frame.state != "rebuilding"].pivot_table("p99_ms", "redundancy", "state")
    assert (p99["one down"] > 1.05 * p99["all well"]).all()
    worst = frame[frame.state == "rebuilding"].groupby("redundancy").p99_ms.max()
    assert (worst >= 0.95 * p99["one down"]).all()


def test_the_architects_question_is_answered_from_verdict_to_another_design(
    quick: Quick, tmp_path: Path
) -> None:
    frame = quick("database_target")
    said = (tmp_path / "database_target.txt").read_text()
    assert "Missed: p99 of booking" in said
    assert "Each resource doubled" in said
    room = frame.groupby("scenario").met.first()
    assert room["6 flash drives"] > 10 * room["36 spinning drives"]
