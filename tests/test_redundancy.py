"""Mirrors and parity: where bytes lie, what each request does to the drives, and what that costs.

Counts of drive operations: R1 (Stallings, Computer Organization and Architecture, p. 203, read second-hand for single
parity; Chen, Lee, Gibson, Katz and Patterson, ACM Computing Surveys 26(2), 1994, from memory), R5 and R6 (derived, by
enumeration over every place of the failed drive).
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drives import generic
from tailrace.errors import ScenarioError
from tailrace.hardware.geometry import Geometry
from tailrace.hardware.rows import Touched, row_reads, row_writes
from tailrace.plan.build import sample_requests
from tailrace.plan.columns import VISIT
from tailrace.scenario import parse

UNIT = 4096


def server(drives, layout, unit=UNIT, capacity=None, more=""):
    capacity = capacity or 64 * unit
    return f"""
{generic(count=drives, capacity=f"{capacity} B")}
    [server.layout]
    stripe_unit = "{unit} B"
    {layout}
    {more}
    """


def workload(size=UNIT, read_share=0.0, more=""):
    return f"""
    [[workload]]
    name = "booking"
    rate = "10 /s"
    request_size = "{size} B"
    read_share = {read_share}
    {more}
    """


def geometry(drives, layout, **more):
    return Geometry.of(parse(server(drives, layout, **more) + workload()).server.pools[0])


def operations(layout, drives, size=UNIT, read_share=0.0, more=""):
    """Drive operations of each of many requests at random places, from the plan itself."""
    scenario = parse(server(drives, layout, capacity=840 * UNIT) + workload(size, read_share, more))
    stations, chunks = sample_requests(scenario, seed=5)
    (bank,) = [each for each in stations.banks if each.name == "drive"]
    chunk = chunks["booking"]
    at = np.flatnonzero(chunk.steps.op == VISIT)
    on_drives = (chunk.steps.arg[at] >= bank.first) & (chunk.steps.arg[at] < bank.first + bank.count)
    row = np.searchsorted(chunk.first, at[on_drives], side="right") - 1
    return np.bincount(row, minlength=len(chunk))


# R1


@pytest.mark.parametrize(
    ("layout", "count"),
    [
        ('redundancy = "none"', 1),
        ('redundancy = "mirror"', 2),
        ('redundancy = "mirror"\ncopies = 3', 3),
        ('redundancy = "single parity"', 4),
        ('redundancy = "single parity"\ngroup = 4', 4),
        ('redundancy = "double parity"', 6),
        ('redundancy = "double parity"\ngroup = 6', 6),
    ],
)
def test_a_small_write_takes_as_many_drive_operations_as_the_textbook_says(layout, count):
    assert set(operations(layout, 12)) == {count}
    assert set(operations(layout, 12, read_share=1.0)) == {1}


@pytest.mark.parametrize(
    ("layout", "drives", "data"),
    [
        ('redundancy = "single parity"', 8, 7),
        ('redundancy = "double parity"', 8, 6),
        ('redundancy = "single parity"\ngroup = 4', 8, 3),
    ],
)
def test_a_write_of_a_whole_row_reads_nothing_and_writes_every_drive_once(layout, drives, data):
    size = data * UNIT
    group = drives if "group" not in layout else 4
    assert set(operations(layout, drives, size)) == {group}
    # Two rows: in one group their units are adjacent on each drive, in two groups they are on other drives.
    assert set(operations(layout, drives, 2 * size)) == {drives if group == drives else 2 * group}


@pytest.mark.parametrize(
    ("units", "count"),
    [(1, 4), (2, 6), (3, 8), (4, 3 + 5), (5, 2 + 6), (6, 1 + 7), (7, 8)],
)
def test_a_reconstruct_write_is_chosen_where_it_touches_fewer_drives(units, count):
    """Single parity on 8 drives: 2 (u + 1) by read-modify-write, (7 - u) + (u + 1) = 8 by reconstruct-write."""
    rows = row_writes(*touching(geometry(8, 'redundancy = "single parity"'), 0, units * UNIT))
    assert rows.reads.entry.size + rows.writes.entry.size == count
    assert rows.reads.entry.size == (units + 1 if units <= 3 else 7 - units)


def touching(layout, address, size):
    return layout, Touched.of(layout, np.array([address]), np.array([size]))


# R5, R6


@pytest.mark.parametrize("drives", [5, 8, 10])
def test_degraded_reads_and_small_writes_take_the_operations_of_the_enumeration(drives):
    """R5: 2 (G - 1) / G reads a read. R6: failed data G - 1, failed parity 1, any other 4 operations a write."""
    layout = 'redundancy = "single parity"\nfailed = [2]'
    placed = geometry(drives, layout)
    reads, writes, survivors = [], [], np.zeros(drives)
    for k in range(drives * (drives - 1)):  # every place of the failed drive in its row, equally often
        read, _ = row_reads(*touching(placed, k * UNIT, UNIT))
        reads.append(read.entry.size)
        survivors += np.bincount(read.drive, minlength=drives)
        written = row_writes(*touching(placed, k * UNIT, UNIT))
        writes.append(written.reads.entry.size + written.writes.entry.size)
        assert 2 not in (*read.drive, *written.reads.drive, *written.writes.drive)
    assert sorted(set(writes)) == sorted({1, 4, drives - 1})
    assert np.mean(reads) == pytest.approx(2 * (drives - 1) / drives)
    assert np.mean(writes) == pytest.approx((5 * drives - 8) / drives)
    # Every survivor reads exactly twice what it reads in a healthy group.
    assert np.delete(survivors, 2).tolist() == [2 * (drives - 1)] * (drives - 1)


def test_double_parity_with_one_and_two_failed_drives_by_hand():
    """Six drives, four data units a row. Row 0: data on drives 1 to 4, P on 5, Q on 0."""
    one, two = (geometry(6, f'redundancy = "double parity"\nfailed = {down}') for down in ("[1]", "[1, 2]"))

    def counts(placed, unit, of):
        work = row_writes(*touching(placed, unit * UNIT, UNIT))
        read, _ = row_reads(*touching(placed, unit * UNIT, UNIT))
        return {
            "read": read.drive.tolist(),
            "write": (work.reads.drive.tolist(), work.writes.drive.tolist()),
        }[of]

    assert geometry(6, 'redundancy = "double parity"').places(np.array([0])).tolist() == [[1, 2, 3, 4, 5, 0]]
    # A lost unit: the other data and P; with two lost, the other data and both parities.
    assert counts(one, 0, "read") == [2, 3, 4, 5]
    assert counts(two, 0, "read") == [3, 4, 5, 0]
    # Writing a lost unit: reconstruct-write reads the rest; with another unit lost all that is left must be read.
    assert counts(one, 0, "write") == ([2, 3, 4], [5, 0])
    assert counts(two, 0, "write") == ([3, 4, 5, 0], [5, 0])
    # Writing a unit that is there: read-modify-write, whatever else is lost.
    assert counts(one, 1, "write") == ([2, 5, 0], [2, 5, 0])
    assert counts(two, 2, "write") == ([3, 5, 0], [3, 5, 0])
    # Row 1 keeps P on 4 and Q on 5, row 4 P on 1 and Q on 2: there both parities are lost, and nothing is read.
    assert counts(two, 16, "write") == ([], [3])


def test_parity_covers_the_bytes_that_change():
    placed = geometry(8, 'redundancy = "single parity"')
    rows = row_writes(*touching(placed, 5 * UNIT + 512, 1024))
    assert set(rows.reads.size_bytes) == {1024}
    assert set(zip(rows.writes.drive, rows.writes.address, rows.writes.size_bytes, strict=True)) == {
        (5, 512, 1024),
        (7, 512, 1024),
    }
    # Over the border of two units the parity of both ends is in one operation.
    rows = row_writes(*touching(placed, 5 * UNIT - 512, 1024))
    assert rows.writes.size_bytes.tolist() == [512, 512, UNIT]
    assert rows.reads.size_bytes.tolist() == [512, 512, UNIT]


def test_a_reconstruct_write_reads_the_rest_of_a_unit_that_is_partly_overwritten():
    placed = geometry(4, 'redundancy = "single parity"')  # three data units, on 0, 1 and 2 in row 0
    rows = row_writes(*touching(placed, 512, 3 * UNIT - 1024))
    read = set(zip(rows.reads.drive, rows.reads.address, rows.reads.size_bytes, strict=True))
    assert read == {(0, 0, 512), (2, UNIT - 512, 512)}
    assert rows.writes.size_bytes.tolist() == [UNIT - 512, UNIT, UNIT - 512, UNIT]


# Where bytes lie

LAYOUTS = [
    (6, 'redundancy = "none"'),
    (6, 'redundancy = "mirror"'),
    (6, 'redundancy = "mirror"\ncopies = 3'),
    (6, 'redundancy = "single parity"'),
    (6, 'redundancy = "single parity"\ngroup = 3'),
    (8, 'redundancy = "double parity"\ngroup = 4'),
    (7, 'redundancy = "single parity"\nspares = 1\nfailed = 1\nrebuild_rate = "1 MB/s"\nrebuilt = 0.4'),
]  # fmt: skip


@pytest.mark.parametrize(("drives", "layout"), LAYOUTS)
def test_every_logical_unit_has_one_place_and_redundancy_lies_on_other_drives(drives, layout):
    placed = geometry(drives, layout, capacity=30 * UNIT)
    units = 30 * placed.groups * placed.data
    row, group = np.divmod(np.arange(30 * placed.groups), placed.groups)
    places = placed.places(row)
    if placed.copies > 1:
        assert {frozenset(places_of) for places_of in places.tolist()} == {frozenset(range(placed.size))}
        return
    drive = placed.drive[placed.part(row)[:, np.newaxis], group[:, np.newaxis], places]
    assert all(len(set(each)) == placed.size for each in drive.tolist())
    homes = {
        (d, r) for each, r in zip(drive[:, : placed.data].tolist(), row.tolist(), strict=True) for d in each
    }
    assert len(homes) == units
    if placed.parities:  # parity is spread over all drives of a group alike
        share = np.bincount(places[:, placed.data :].ravel(), minlength=placed.size)
        assert share.max() - share.min() <= placed.groups * placed.parities


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_a_request_reads_and_writes_exactly_its_bytes_and_never_on_a_failed_drive(data):
    parities = data.draw(st.sampled_from([1, 2]))
    size = data.draw(st.integers(parities + 2, 9))
    groups = data.draw(st.integers(1, 2))
    down = data.draw(st.sets(st.integers(0, size - 1), max_size=parities))
    name = {1: "single parity", 2: "double parity"}[parities]
    placed = geometry(size * groups, f'redundancy = "{name}"\ngroup = {size}\nfailed = {sorted(down)}')
    length = 64 * groups * placed.data * UNIT
    begin = data.draw(st.integers(0, length - 512))
    count = data.draw(st.integers(1, min(length - begin, 6 * placed.data * UNIT)))
    placed_at, touched = touching(placed, begin, count)

    def homes(address):
        """Drive and address of logical bytes, by the rules alone."""
        unit, inside = np.divmod(address, UNIT)
        stripe, column = np.divmod(unit, placed.data)
        row, group = np.divmod(stripe, groups)
        p = (size - 1 - row % size) % size
        return group * size + (p + parities + column) % size, row * UNIT + inside

    grain = np.unique(np.concatenate([np.arange(begin, begin + count, 256), [begin, begin + count - 1]]))
    drive, address = homes(grain)

    def covers(work, d, a):
        return ((work.drive == d) & (work.address <= a) & (a < work.address + work.size_bytes)).any()

    read, _ = row_reads(placed_at, touched)
    rows = row_writes(placed_at, touched)
    for work in (read, rows.reads, rows.writes):
        assert not set(work.drive.tolist()) & down
        pairs = list(zip(work.entry.tolist(), work.drive.tolist(), strict=True))
        assert len(set(pairs)) == len(pairs)
    for d, a in zip(drive.tolist(), address.tolist(), strict=True):
        if d not in down:
            assert covers(read, d, a)
            assert covers(rows.writes, d, a)
    # Written data are exactly the bytes asked for; what else is written is parity, at most a unit each and row.
    written = sum(
        int(w) for e, d, w in zip(rows.writes.entry, rows.writes.drive, rows.writes.size_bytes, strict=True)
        if is_data(placed, touched, e, d)
    )  # fmt: skip
    lost = sum(lost_bytes(placed, touched, e, down) for e in range(touched.owner.size))
    assert written == count - lost


def is_data(placed, touched, entry, drive):
    row, group = divmod(int(touched.stripe[entry]), placed.groups)
    places = placed.places(np.array([row]))[0] + group * placed.size
    return int(np.flatnonzero(places == drive)[0]) < placed.data


def lost_bytes(placed, touched, entry, down):
    row, group = divmod(int(touched.stripe[entry]), placed.groups)
    places = placed.places(np.array([row]))[0] + group * placed.size
    low, high = int(touched.begin[entry]), int(touched.end[entry])
    return sum(
        max(min(high, (column + 1) * UNIT) - max(low, column * UNIT), 0)
        for column in range(placed.data)
        if int(places[column]) in down
    )


@settings(max_examples=80, deadline=None)
@given(data=st.data())
def test_what_a_write_reads_and_knows_is_enough_to_compute_every_parity_that_it_writes(data):
    """As linear equations over the reals: units and parities of a row (Vandermonde), at each byte that changes."""
    parities = data.draw(st.sampled_from([1, 2]))
    size = data.draw(st.integers(parities + 2, 8))
    down = data.draw(st.sets(st.integers(0, size - 1), max_size=parities))
    name = {1: "single parity", 2: "double parity"}[parities]
    placed = geometry(size, f'redundancy = "{name}"\nfailed = {sorted(down)}')
    row = data.draw(st.integers(0, size - 1))
    width = placed.data * UNIT
    begin = data.draw(st.integers(0, width // 512 - 1)) * 512
    count = data.draw(st.integers(1, (width - begin) // 512)) * 512
    rows = row_writes(*touching(placed, row * width + begin, count))
    places = placed.places(np.array([row]))[0].tolist()
    coefficients = np.array([[1.0] * placed.data, list(range(1, placed.data + 1))])[:parities]
    for byte in range(0, UNIT, 512):
        new = {c for c in range(placed.data) if begin <= c * UNIT + byte < begin + count}
        # Unknowns: old value of every data unit. Known: what is read. New values are known by themselves.
        known = [c for c in range(size) if covered(rows.reads, places[c], row * UNIT + byte)]
        equations = [
            np.eye(placed.data)[c] if c < placed.data else coefficients[c - placed.data] for c in known
        ]
        system = np.array(equations).reshape(-1, placed.data)
        for p in range(parities):
            if places[placed.data + p] in down:
                continue
            if not covered(rows.writes, places[placed.data + p], row * UNIT + byte):
                assert not new
                continue
            old_part = np.array([0.0 if c in new else coefficients[p][c] for c in range(placed.data)])
            assert in_span(old_part, system), (new, known)


def covered(work, drive, address):
    return bool(
        ((work.drive == drive) & (work.address <= address) & (address < work.address + work.size_bytes)).any()
    )


def in_span(vector, rows):
    rank = np.linalg.matrix_rank(rows) if rows.size else 0
    return np.linalg.matrix_rank(np.vstack([rows, vector])) == rank


# What cannot be


@pytest.mark.parametrize(
    ("drives", "layout", "key", "wrong"),
    [
        (8, 'redundancy = "single parity"\ngroup = 3', "group", "group does not divide the 8 drives"),
        (9, 'redundancy = "single parity"\ngroup = 4\nspares = 2', "group", "the 7 drives beside the spares"),
        (7, 'redundancy = "mirror"', "redundancy", "the copies do not divide the 7 drives"),
        (8, 'redundancy = "mirror"\ncopies = 3', "copies", "the copies do not divide the 8 drives"),
        (9, 'redundancy = "mirror"\ncopies = 3\ngroup = 1', "group", "holds no whole number of copies"),
        (2, 'redundancy = "single parity"', "redundancy", "single parity on 2 drives"),
        (9, 'redundancy = "double parity"\ngroup = 3', "group", "double parity on 3 drives"),
        (8, "copies = 2", "copies", "without a mirror"),
        (8, 'redundancy = "mirror"\nparity_rate = "1 GB/s"', "parity_rate", "without parity"),
        (8, 'redundancy = "single parity"\nparity_rate = "1 GB/s"', "parity_rate", "no cores to compute it"),
        (8, "spares = 8", "spares", "no drive is left to use"),
        (8, 'redundancy = "mirror"\nfailed = 9', "failed", "more failed drives than drives"),
        (8, 'redundancy = "mirror"\nfailed = [8]', "failed", "no such drive"),
        (8, 'redundancy = "mirror"\nfailed = [2, 2]', "failed", "a drive more than once"),
        (8, "failed = 1", "failed", "data lost"),
        (8, 'redundancy = "mirror"\nfailed = [4, 5]', "failed", "data lost: 2 of the drives 4 to 5 have failed"),
        (8, 'redundancy = "mirror"\nfailed = 5', "failed", "data lost"),
        (8, 'redundancy = "single parity"\nfailed = 2', "failed", "failed, and single parity survives 1"),
        (8, 'redundancy = "single parity"\ngroup = 4\nfailed = 3', "failed", "data lost: 2 of the drives 0 to 3"),
        (8, 'redundancy = "double parity"\nfailed = [0, 3, 6]', "failed", "data lost: 3 of"),
        (9, 'redundancy = "mirror"\nspares = 1\nrebuild_rate = "50 MB/s"', "rebuild_rate", "no drive has failed"),
        (8, 'redundancy = "mirror"\nfailed = 1\nrebuild_rate = "50 MB/s"', "rebuild_rate", "no spare to rebuild on"),
        (9, 'redundancy = "mirror"\nspares = 1\nfailed = 1\nrebuilt = 0.5', "rebuilt", "nothing is being rebuilt"),
    ],
)  # fmt: skip
def test_a_layout_that_contradicts_itself_is_refused_in_one_plain_sentence(drives, layout, key, wrong):
    with pytest.raises(ScenarioError) as refused:
        parse(server(drives, layout) + workload())
    (problem,) = refused.value.problems
    assert problem.key == f"server.layout.{key}"
    assert wrong in problem.message


def test_failed_drives_are_spread_over_the_groups_first():
    def failed(drives, layout):
        return parse(server(drives, layout) + workload()).server.layout.failed_drives(drives)

    assert failed(12, 'redundancy = "single parity"\ngroup = 4\nfailed = 3') == (0, 4, 8)
    assert failed(8, 'redundancy = "double parity"\ngroup = 4\nfailed = 3') == (0, 4, 1)
    assert failed(8, 'redundancy = "mirror"\nfailed = 4') == (0, 2, 4, 6)
    assert failed(8, 'redundancy = "mirror"\nfailed = [3, 7]') == (3, 7)


@pytest.mark.parametrize(
    ("layout", "share"),
    [
        ('redundancy = "none"\nspares = 2', 6),
        ('redundancy = "mirror"', 4),
        ('redundancy = "mirror"\ncopies = 3\nspares = 2', 2),
        ('redundancy = "single parity"\ngroup = 4', 6),
        ('redundancy = "double parity"', 6),
        ('redundancy = "double parity"\nspares = 2', 4),
    ],
)
def test_the_usable_capacity_is_that_of_the_data_units(layout, share):
    assert parse(server(8, layout) + workload()).server.pools[0].usable_capacity == share * 64 * UNIT
