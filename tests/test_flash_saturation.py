"""What flash drives can carry, dies held while they wait for their bus: by hand, and against runs of whole drives."""

import pytest

from tailrace.forecast.dies import stretch_of_dies
from tailrace.forecast.saturation import offered_load
from tailrace.plan.build import build_plan
from tailrace.scenario import Scenario, parse
from through import ENGINE, observe

ONE_DRIVE = """
[server]
lanes = "PART"
media = {part = "PART", count = 1}
[[workload]]
name = "booking"
request_size = "SIZE"
read_share = SHARE
"""

BY_HAND = """
[server.media]
kind = "flash"
capacity = "1 TB"
dies = 8
channels = 1
channel_rate = "0.1 GB/s"
cell_read = "50 us"
cell_program = "500 us"
cell_erase = "3 ms"
command_rate = "500000 /s"
[server.layout]
stripe_unit = "1 MiB"
[[workload]]
name = "booking"
rate = "100 /s"
request_size = "16 KiB"
"""


def first_die(scenario: Scenario) -> int:
    return next(bank.first for bank in build_plan(scenario, 1, 0).stations.banks if bank.name == "die")


def test_a_bus_that_is_always_busy_holds_every_die_for_the_turns_of_all() -> None:
    # 163.84 us a page on the bus: eight dies, away for 50 us, keep it busy, so each is held for eight passes.
    scenario = parse(BY_HAND)
    assert stretch_of_dies(scenario, 1, first_die(scenario)) == pytest.approx(8 * 163.84 / 213.84, rel=0.02)
    binding = offered_load(scenario, 1).binding
    assert binding is not None
    assert binding.load_factor * 100 == pytest.approx(1 / 163.84e-6, rel=0.002)


def test_dies_with_a_bus_of_their_own_never_wait_for_it() -> None:
    scenario = parse(BY_HAND, overrides=["server.media.channels=8"])
    assert stretch_of_dies(scenario, 1, first_die(scenario)) == pytest.approx(1.0, rel=1e-9)


@pytest.mark.skipif(ENGINE == "reference", reason="needs the compiled engine")
@pytest.mark.parametrize(
    ("part", "size", "share", "requests"),
    [
        pytest.param("flash-four-lanes", "16 KiB", 0.0, 120_000, marks=pytest.mark.whole),
        ("flash-two-lanes", "64 KiB", 0.0, 60_000),
        ("flash-serial-6", "4 KiB", 0.0, 200_000),
        ("flash-datasheet", "4 KiB", 0.0, 300_000),
        ("flash-datasheet", "4 KiB", 0.7, 500_000),
    ],
)
def test_what_the_dies_of_a_drive_carry_is_what_a_deep_queue_gets(
    part: str, size: str, share: float, requests: int
) -> None:
    text = ONE_DRIVE.replace("PART", part).replace("SIZE", size).replace("SHARE", str(share))
    binding = offered_load(parse(f'{text}rate = "1000 /s"\n'), 1).binding
    assert binding is not None
    assert binding.station == "die"
    # The second half, when the write buffer is long since full.
    closed = parse(f"{text}queue_depth = 1024\n")
    marks = observe(closed, requests).marks
    half = marks.time_s.size // 2
    done = marks.arrived - marks.present
    carried = (done[-1] - done[half]) / (marks.time_s[-1] - marks.time_s[half])
    assert 1000 * binding.load_factor == pytest.approx(carried, rel=0.01)


def sustained_per_s(part: str, work: str) -> float:
    text = ONE_DRIVE.replace("PART", part).replace("SIZE", work).replace("SHARE", "0.0")
    binding = offered_load(parse(f'{text}rate = "1000 /s"\n'), 1).binding
    assert binding is not None
    return 1000 * binding.load_factor


def test_drives_of_the_catalogue_sustain_the_writes_that_such_drives_do() -> None:
    # Common practice, no source: on four lanes 200,000 to 450,000 small writes a second at random and 4 to 6 GB/s in
    # sequence; on two lanes about half of that; on a link of 6 Gbit/s some 20,000 to 60,000.
    sequence = '128 KiB"\npattern = "sequential'
    assert 200_000 < sustained_per_s("flash-four-lanes", "4 KiB") < 450_000
    assert 4e9 < 131072 * sustained_per_s("flash-four-lanes", sequence) < 6e9
    assert 100_000 < sustained_per_s("flash-two-lanes", "4 KiB") < 270_000
    assert 20_000 < sustained_per_s("flash-serial-6", "4 KiB") < 60_000
