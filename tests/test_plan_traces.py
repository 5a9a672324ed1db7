"""The path of one request, step by step, against lists traced by hand, for each kind of media and operation.

The servers here have round numbers: 1 byte a nanosecond on the network, the lanes and the buses.
"""

from collections.abc import Sequence

import numpy as np
import pytest

from drives import controller, flash, generic, spinning
from tailrace.physics.read_ahead import A_WRITE
from tailrace.plan.build import build_plan
from tailrace.plan.columns import DETACH, END, GIVE, SPLIT, TAKE, TAKE_RANKED, VISIT, Chunk
from tailrace.plan.stations import Discipline, Stations
from tailrace.scenario import parse

WORDS = (
    *("end", "visit", "take", "give", "split", "branch", "detach", "take ranked", "lap"),
    *("collect", "release", "draw", "quorum", "choose", "jump"),
)
"""The operations of steps, by their numbers."""
KIB = 1024
US = 1e-6

NETWORK = """
[server.network]
ports = 2
rate = "8 Gbit/s"
round_trip = "60 us"
frame_payload = "1000 B"
frame_overhead = "100 B"
message_payload = "100 B"
"""
CONTROLLER = f"""
{controller(cores=2, copy_rate="8.192 GB/s")}
"""
LANES = """
[server.lanes]
rate = "10 Gbit/s"
payload_share = 1.0
"""
FLASH = "\n" + flash(
    count=2,
    capacity="1 GB",
    dies=4,
    channels=2,
    channel_rate="1 GB/s",
    cell_read="50 us",
    cell_program="500 us",
    pages_per_block=1_000_000,
    buffer="1 MiB",
    flush_after="2 s",
)
SPINNING = "\n" + spinning(
    count=2,
    capacity="1 GB",
    rpm="6000 rpm",
    seek_adjacent="1 ms",
    seek_average="8 ms",
    seek_full="16 ms",
    write_settle="2 ms",
    outer_rate="100 MB/s",
    command_rate="20000 /s",
)
GENERIC = "\n" + generic("constant", "90 us", count=2, capacity="1 GB")
WORKLOAD = """
[[workload]]
name = "booking"
rate = "100 /s"
request_size = "8 KiB"
start = "0 B"
span = "8 KiB"
"""

Step = tuple[str, ...]


def planned(text: str, *changes: str, rows: int = 64) -> tuple[Chunk, Stations]:
    """A block of rows of a scenario, and its stations."""
    scenario = parse(text, overrides=changes)
    plan = build_plan(scenario, seed=7, replication=0, rows=rows)
    source = plan.open_source or plan.closed[0]
    return source.next_chunk(), plan.stations


def station(stations: Stations, number: int) -> str:
    bank = stations.bank_of(number)
    return bank.name if bank.count == 1 else f"{bank.name} {number - bank.first}"


def trace(chunk: Chunk, stations: Stations, row: int) -> list[Step]:
    """The steps of a row in words; a visit in microseconds."""
    ends = np.append(chunk.first[1:], chunk.steps.op.size)
    told: list[Step] = []
    for at in range(chunk.first[row], ends[row]):
        op, arg, work = int(chunk.steps.op[at]), int(chunk.steps.arg[at]), float(chunk.steps.work[at])
        word = WORDS[op]
        if op == VISIT:
            told.append((word, station(stations, arg), f"{work / US:.6g}"))
        elif op == TAKE_RANKED:  # ranks have a test of their own
            told.append(("take", station(stations, arg), "1"))
        elif op in (TAKE, GIVE):
            told.append((word, station(stations, arg), f"{work:g}"))
        else:
            told.append((word,) if op == END else (word, str(arg)))
    return told


def path(told: str) -> list[Step]:
    """A trace written line by line: the operation, then the station and what is asked of it, by commas."""
    lines = [line.strip() for line in told.strip().splitlines()]
    return [tuple(part.strip() for part in line.replace(" ", ",", 1).split(",")) for line in lines]


def first_trace(text: str, *changes: str) -> list[Step]:
    chunk, stations = planned(text, *changes)
    return trace(chunk, stations, 0)


def on(media: str, *others: str) -> str:
    return "".join((*others, media, WORKLOAD))


FULL = (NETWORK, CONTROLLER, LANES)


def placed(start: str, size: str) -> tuple[str, ...]:
    """Settings by which every request of the class is one of that size at that address."""
    return (
        f'workload.booking.start="{start}"',
        f'workload.booking.span="{size}"',
        f'workload.booking.request_size="{size}"',
    )


WRITES = "workload.booking.read_share=0.0"


# Flash


def test_a_small_read_from_flash() -> None:
    # 200 B of header in; 8,192 B and nine frames of 100 B out; 8,192 B copied at 8.192 GB/s take 1 us.
    assert first_trace(on(FLASH, *FULL)) == path("""
        visit network in, 0.2
        visit round trip, 30
        visit cores, 8
        take queue slots 0, 1
        visit command processor 0, 2
        take die 0, 1
        visit cell, 50
        visit bus 0, 8.192
        give die 0, 1
        visit lane out 0, 8.192
        give queue slots 0, 1
        visit cores, 3
        visit network out, 9.092
        visit round trip, 30
        end""")


def test_a_read_that_crosses_a_stripe_unit_and_a_page() -> None:
    # Bytes 48 to 88 KiB: the last page of the first unit on drive 0, one and a half pages of the next on drive 1.
    assert first_trace(on(FLASH, CONTROLLER, LANES), *placed("48 KiB", "40 KiB")) == path("""
        visit cores, 9
        split 2
        branch 9
        take queue slots 0, 1
        visit command processor 0, 2
        take die 3, 1
        visit cell, 50
        visit bus 1, 16.384
        give die 3, 1
        visit lane out 0, 16.384
        give queue slots 0, 1
        end
        branch 18
        take queue slots 1, 1
        visit command processor 1, 2
        split 2
        branch 5
        take die 4, 1
        visit cell, 50
        visit bus 2, 16.384
        give die 4, 1
        end
        branch 5
        take die 5, 1
        visit cell, 50
        visit bus 3, 8.192
        give die 5, 1
        end
        visit lane out 1, 24.576
        give queue slots 1, 1
        end
        visit cores, 7
        end""")


def test_a_large_read_leaves_the_drive_in_pieces_side_by_side() -> None:
    settings = ("server.media.count=1", 'server.lanes.transfer_piece="16 KiB"')
    assert first_trace(on(FLASH, LANES), *settings, *placed("16 KiB", "32 KiB")) == path("""
        take queue slots, 1
        visit command processor, 2
        split 2
        branch 6
        take die 1, 1
        visit cell, 50
        visit bus 1, 16.384
        give die 1, 1
        visit lane out, 16.384
        end
        branch 6
        take die 2, 1
        visit cell, 50
        visit bus 0, 16.384
        give die 2, 1
        visit lane out, 16.384
        end
        give queue slots, 1
        end""")


def program_of_whole_page(told: Sequence[Step]) -> int:
    """The die on which a trace's first program runs, which is left to chance."""
    inside = told[[step[0] for step in told].index("detach") :]
    return int(next(step[1] for step in inside if step[0] == "take").removeprefix("die "))


def test_a_write_of_a_whole_page_into_the_buffer_with_its_program_and_one_copy_behind_it() -> None:
    # Sixteen kibibytes are seventeen frames; amplification 2 copies one page for each page written, on the next die.
    told = first_trace(
        on(FLASH, *FULL), WRITES, "server.media.write_amplification=2.0", *placed("0 B", "16 KiB")
    )
    die = program_of_whole_page(told)
    following = (die + 1) % 4
    assert told == path(f"""
        visit network in, 18.084
        visit round trip, 30
        visit cores, 10
        take queue slots 0, 1
        visit command processor 0, 2
        take write buffer 0, 4
        visit lane in 0, 16.384
        detach 16
        take die {die}, 1
        visit bus {die % 2}, 16.384
        visit cell, 500
        give die {die}, 1
        give write buffer 0, 4
        detach 9
        take die {following}, 1
        visit cell, 50
        visit bus {following % 2}, 16.384
        give die {following}, 1
        take die {following}, 1
        visit bus {following % 2}, 16.384
        visit cell, 500
        give die {following}, 1
        end
        end
        visit cell, 10
        give queue slots 0, 1
        visit cores, 2
        visit network out, 0.2
        visit round trip, 30
        end""")


def test_small_writes_gather_and_every_fourth_of_them_sets_the_program_of_a_page_in_motion() -> None:
    chunk, stations = planned(on(FLASH, LANES), WRITES, *placed("0 B", "4 KiB"))
    told = [trace(chunk, stations, row) for row in range(12)]
    filling = [k for k, steps in enumerate(told) if ("detach", "6") in steps]
    assert len(filling) == 3
    assert np.diff(filling).tolist() == [4, 4]
    gathered = path("""
        take queue slots 0, 1
        visit command processor 0, 2
        take write buffer 0, 1
        visit lane in 0, 4.096
        give write buffer 0, 1
        visit cell, 10
        give queue slots 0, 1
        end""")
    for k, steps in enumerate(told):
        if k not in filling:
            assert steps == gathered
            continue
        die = program_of_whole_page(steps)
        assert steps == path(f"""
            take queue slots 0, 1
            visit command processor 0, 2
            take write buffer 0, 4
            visit lane in 0, 4.096
            detach 6
            take die {die}, 1
            visit bus {die % 2}, 16.384
            visit cell, 500
            give die {die}, 1
            give write buffer 0, 4
            end
            visit cell, 10
            give queue slots 0, 1
            end""")


def test_a_large_write_takes_room_piece_by_piece() -> None:
    settings = ("server.media.count=1", 'server.lanes.transfer_piece="16 KiB"', WRITES)
    told = first_trace(on(FLASH, LANES), *settings, *placed("0 B", "40 KiB"))
    room = [
        (k, step) for k, step in enumerate(told) if step[:2] in (("take", "write buffer"), ("split", "3"))
    ]
    assert [step for _, step in room[:1]] == [("split", "3")]
    transfers = [step for step in told if step[1:2] == ("lane in",)]
    assert transfers == path("visit lane in, 16.384\n visit lane in, 16.384\n visit lane in, 8.192")
    # Ten units fill two pages, or three where two units were there before.
    takes = [int(step[2]) for _, step in room[1:]]
    assert takes in ([4, 4, 2], [4, 4, 4])


def test_a_durable_write_waits_for_the_program_of_every_page_that_it_touches() -> None:
    # Bytes 8 to 32 KiB: half of page 0 and all of page 1.
    settings = (WRITES, "workload.booking.durable=true", *placed("8 KiB", "24 KiB"))
    told = first_trace(on(FLASH, LANES), *settings)
    one = int(next(step[1] for step in told if step[1:2] and step[1].startswith("die")).removeprefix("die "))
    two = (one + 1) % 4
    assert told == path(f"""
        take queue slots 0, 1
        visit command processor 0, 2
        visit lane in 0, 24.576
        split 2
        branch 5
        take die {one}, 1
        visit bus {one % 2}, 8.192
        visit cell, 500
        give die {one}, 1
        end
        branch 5
        take die {two}, 1
        visit bus {two % 2}, 16.384
        visit cell, 500
        give die {two}, 1
        end
        give queue slots 0, 1
        end""")


# Spinning


def access(chunk: Chunk, row: int) -> list[tuple[float, ...]]:
    """What the arm is told in each visit of a row: target, angle, settle, start, end, bytes to be read on."""
    assert chunk.steps.access is not None
    ends = np.append(chunk.first[1:], chunk.steps.op.size)
    places = [at for at in range(chunk.first[row], ends[row]) if chunk.steps.access.end[at] >= 0]
    return [tuple(float(column[at]) for column in chunk.steps.access.columns()) for at in places]


def test_a_read_from_a_spinning_drive() -> None:
    # 100 MB/s at 100 turns a second are 1 MB a turn and 1,000 turns on 1 GB. Byte 25,165,824 of drive 1 lies in
    # turn 25, 0.165824 of a turn from its beginning.
    address = 384 * 64 * KIB
    chunk, stations = planned(on(SPINNING, LANES), *placed(f"{2 * address + 64 * KIB} B", "8 KiB"))
    assert trace(chunk, stations, 0) == path("""
        take queue slots 1, 1
        visit command processor 1, 50
        visit arm 1, 81.92
        visit lane out 1, 8.192
        give queue slots 1, 1
        end""")
    assert access(chunk, 0) == [pytest.approx((0.025, 0.165824, 0.0, address, address + 8192, 0.0), rel=1e-9)]


def test_a_large_read_from_a_spinning_drive_leaves_it_in_pieces_that_continue_each_other() -> None:
    settings = ('server.lanes.transfer_piece="16 KiB"', *placed("0 B", "40 KiB"))
    chunk, stations = planned(on(SPINNING, LANES), *settings)
    assert trace(chunk, stations, 0) == path("""
        take queue slots 0, 1
        visit command processor 0, 50
        split 3
        branch 3
        visit arm 0, 163.84
        visit lane out 0, 16.384
        end
        branch 3
        visit arm 0, 163.84
        visit lane out 0, 16.384
        end
        branch 3
        visit arm 0, 81.92
        visit lane out 0, 8.192
        end
        give queue slots 0, 1
        end""")
    assert [(start, end) for *_, start, end, _ in access(chunk, 0)] == [
        (0, 16 * KIB),
        (16 * KIB, 32 * KIB),
        (32 * KIB, 40 * KIB),
    ]


def test_a_write_to_a_spinning_drive_crosses_the_lane_first_and_settles() -> None:
    chunk, stations = planned(on(SPINNING, LANES), WRITES)
    assert trace(chunk, stations, 0) == path("""
        take queue slots 0, 1
        visit command processor 0, 50
        visit lane in 0, 8.192
        visit arm 0, 81.92
        give queue slots 0, 1
        end""")
    assert access(chunk, 0) == [pytest.approx((0.0, 0.0, 2e-3, 0, 8192, A_WRITE), abs=1e-12)]


# Generic media, and stages that follow a law


def test_a_read_and_a_write_of_generic_media_cross_the_lane_on_their_side_of_the_service() -> None:
    assert first_trace(on(GENERIC, LANES), *placed("64 KiB", "8 KiB")) == path("""
        visit drive 1, 90
        visit lane out 1, 8.192
        end""")
    assert first_trace(on(GENERIC, LANES), WRITES) == path("""
        visit lane in 0, 8.192
        visit drive 0, 90
        end""")


LAW_STAGES = """
[server.network]
service = {law = "constant", value = "10 us"}
servers = 3
[server.controller]
service = {law = "constant", value = "20 us"}
discipline = "ps"
[server.lanes]
service = {law = "constant", value = "30 us"}
discipline = "delay"
"""


def test_a_stage_that_follows_a_law_is_one_station_visited_once_the_lanes_by_each_operation() -> None:
    text = on(GENERIC, LAW_STAGES)
    told = path("""
        visit network, 10
        visit controller, 20
        visit lane, 30
        visit drive 0, 90
        end""")
    assert first_trace(text) == told
    assert first_trace(text, WRITES) == told
    assert first_trace(text, *placed("0 B", "128 KiB")) == path("""
        visit network, 10
        visit controller, 20
        split 2
        branch 3
        visit lane, 30
        visit drive 0, 90
        end
        branch 3
        visit lane, 30
        visit drive 1, 90
        end
        end""")
    _, stations = planned(text)
    told_banks = [(bank.name, bank.stage.name, bank.discipline, bank.servers) for bank in stations.banks]
    assert told_banks == [
        ("network", "NETWORK", Discipline.FCFS, 3),
        ("controller", "CONTROLLER", Discipline.PS, 1),
        ("lane", "LANE", Discipline.DELAY, 1),
        ("drive", "MEDIA", Discipline.FCFS, 1),
    ]


def test_a_law_of_the_lanes_is_passed_within_the_queue_slot() -> None:
    assert first_trace(on(SPINNING, LAW_STAGES))[2:6] == path("""
        take queue slots 0, 1
        visit lane, 30
        visit command processor 0, 50
        visit arm 0, 81.92""")


def test_stages_left_out_cost_nothing_and_are_not_there() -> None:
    assert first_trace(on(GENERIC)) == path("visit drive 0, 90\n end")


# Links


def test_a_first_come_first_served_network_sends_pieces_in_turn() -> None:
    settings = (
        'server.network.discipline="fcfs"',
        'server.network.transfer_piece="8 KiB"',
        *placed("0 B", "20 KiB"),
    )
    pieces = ["9.092", "9.092", "4.596"]
    assert first_trace(on(GENERIC, NETWORK), *settings) == [
        ("visit", "network in", "0.2"),
        ("visit", "round trip", "30"),
        ("visit", "drive 0", "90"),
        *[("visit", "network out", piece) for piece in pieces],
        ("visit", "round trip", "30"),
        ("end",),
    ]
    assert first_trace(on(GENERIC, NETWORK), WRITES, *settings) == [
        *[("visit", "network in", piece) for piece in pieces],
        ("visit", "round trip", "30"),
        ("visit", "drive 0", "90"),
        ("visit", "network out", "0.2"),
        ("visit", "round trip", "30"),
        ("end",),
    ]


def test_a_network_without_delay_has_no_delay_to_pass() -> None:
    told = first_trace(on(GENERIC, NETWORK), 'server.network.round_trip="0 s"')
    assert [step[1] for step in told[:-1]] == ["network in", "drive 0", "network out"]


def test_first_come_first_served_lanes_move_pieces_in_turn() -> None:
    settings = (
        'server.lanes.discipline="fcfs"',
        'server.lanes.transfer_piece="8 KiB"',
        *placed("0 B", "20 KiB"),
    )
    assert first_trace(on(GENERIC, LANES), WRITES, *settings) == path("""
        visit lane in 0, 8.192
        visit lane in 0, 8.192
        visit lane in 0, 4.096
        visit drive 0, 90
        end""")


def test_a_serial_link_of_6_gbit_per_s_carries_both_directions_on_one_station() -> None:
    half = on(GENERIC, LANES), 'server.lanes.rate="6 Gbit/s"'
    back = ("visit", "lane 0", f"{8192 / 600:.6g}")
    assert first_trace(*half) == [("visit", "drive 0", "90"), back, ("end",)]
    assert first_trace(*half, WRITES) == [back, ("visit", "drive 0", "90"), ("end",)]


def test_drives_behind_an_adapter_share_its_uplink_which_lies_between_them_and_the_server() -> None:
    # Two lanes of generation 1: 2 x 250 MB/s, 256 of 280 B.
    uplink = f"{8192 / (500 * 256 / 280):.6g}"
    settings = (
        "server.media.count=5",
        "server.lanes.drives_per_adapter=2",
        "server.lanes.adapter_generation=1",
        "server.lanes.adapter_width=2",
    )
    for drive in range(5):
        at = placed(f"{64 * drive} KiB", "8 KiB")
        assert first_trace(on(GENERIC, LANES), *settings, *at)[1:3] == [
            ("visit", f"lane out {drive}", "8.192"),
            ("visit", f"adapter out {drive // 2}", uplink),
        ]
        assert first_trace(on(GENERIC, LANES), WRITES, *settings, *at)[:2] == [
            ("visit", f"adapter in {drive // 2}", uplink),
            ("visit", f"lane in {drive}", "8.192"),
        ]


SECOND_CLASS = """
[[workload]]
name = "cameras"
clients = 2
rate = "100 /s"
request_size = "8 KiB"
read_share = 0.0
start = "1 MiB"
span = "8 KiB"
"""


def test_every_client_has_links_of_its_own_numbered_through_the_classes_in_order_of_name() -> None:
    text = on(GENERIC, NETWORK) + SECOND_CLASS
    settings = ('server.network.client_rate="4 Gbit/s"', "workload.booking.clients=3")
    chunk, stations = planned(text, *settings, rows=400)
    seen = set()
    for row in range(len(chunk)):
        number = int(chunk.client[row]) + (3 if chunk.class_index[row] == 1 else 0)
        seen.add(number)
        there, back = ("18.184", "0.4") if chunk.class_index[row] == 1 else ("0.4", "18.184")
        told = trace(chunk, stations, row)
        assert told[0] == ("visit", f"client link out {number}", there)
        assert told[1][1] == "network in"
        assert told[-2] == ("visit", f"client link in {number}", back)
    assert seen == set(range(5))


# Controller


@pytest.mark.parametrize(
    ("share", "begin", "finish"), [(0.0, ["10.75", "8", "8"], ["2"]), (1.0, ["8"], ["8", "8", "4.75"])]
)
def test_data_are_copied_in_pieces_that_queue_again_for_writes_before_the_media_for_reads_after(
    share: float, begin: list[str], finish: list[str]
) -> None:
    # 150 KiB: two pieces of 64 KiB, 8 us each, and one of 22 KiB, 2.75 us, that goes with the rest of the work.
    settings = ("server.media.count=1", f"workload.booking.read_share={share}", *placed("0 B", "150 KiB"))
    told = first_trace(on(GENERIC, CONTROLLER), *settings)
    assert told == [
        *[("visit", "cores", work) for work in begin],
        ("visit", "drive", "90"),
        *[("visit", "cores", work) for work in finish],
        ("end",),
    ]


@pytest.mark.parametrize("share", [0.0, 1.0])
def test_without_a_copy_rate_data_do_not_pass_the_cores_again(share: float) -> None:
    text = on(GENERIC, CONTROLLER.replace('copy_rate = "8.192 GB/s"\n', ""))
    settings = ("server.media.count=1", f"workload.booking.read_share={share}", *placed("0 B", "150 KiB"))
    assert first_trace(text, *settings) == path("""
        visit cores, 8
        visit drive, 90
        visit cores, 2
        end""")


@pytest.mark.parametrize(("limit", "interval", "burst"), [("500 /s", "2000", 1), ("50000 /s", "20", 50)])
def test_a_limit_takes_an_allowance_that_comes_back_by_itself_at_the_rate_of_the_limit(
    limit: str, interval: str, burst: int
) -> None:
    chunk, stations = planned(on(GENERIC, NETWORK, CONTROLLER), f'workload.booking.limit="{limit}"')
    assert trace(chunk, stations, 0)[1:8] == path(f"""
        visit round trip, 30
        take allowance of booking, 1
        detach 3
        visit limit of booking, {interval}
        give allowance of booking, 1
        end
        visit cores, 8""")
    (allowance,) = [bank for bank in stations.banks if bank.name == "allowance of booking"]
    assert allowance.discipline == Discipline.TOKEN
    assert allowance.servers == burst  # what the limit grants in a millisecond, at least one
    assert allowance.stage.name == "CONTROLLER"


def test_the_stations_of_a_full_server() -> None:
    _, stations = planned(on(FLASH, *FULL))
    told = [
        (bank.name, bank.stage.name.lower(), bank.discipline.name, bank.servers, bank.count, bank.paces)
        for bank in stations.banks
    ]
    assert told == [
        ("network in", "network", "PS", 2, 1, True),
        ("network out", "network", "PS", 2, 1, True),
        ("round trip", "network", "DELAY", 1, 1, True),
        ("cores", "controller", "FCFS", 2, 1, True),
        ("lane in", "lane", "PS", 1, 2, True),
        ("lane out", "lane", "PS", 1, 2, True),
        ("queue slots", "media", "TOKEN", 1024, 2, False),
        ("command processor", "media", "FCFS", 1, 2, True),
        ("write buffer", "media", "TOKEN", 256, 2, False),
        ("die", "media", "TOKEN", 1, 8, True),
        ("bus", "media", "FCFS", 1, 4, True),
        ("cell", "media", "DELAY", 1, 1, True),
    ]


def told_ops(chunk: Chunk) -> set[int]:
    return set(chunk.steps.op.tolist())


def test_a_plan_of_small_reads_needs_no_split_and_nothing_behind() -> None:
    chunk, _ = planned(on(FLASH, *FULL))
    assert told_ops(chunk) & {SPLIT, DETACH} == set()
