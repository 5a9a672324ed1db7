"""The store: what is finished stays, whatever happens to the process, and what is no store stays as it is."""

import os
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest

from studies import counter
from tailrace.crew.store import Store
from tailrace.errors import StoreError
from tailrace.replicate.replication import Replication
from tailrace.replicate.task import Task, TaskKey, perform
from tailrace.replicate.written import read, written

KILLS = 8

STUDY = """
import sys
import studies
from tailrace.study.sweep import sweep
found = sweep(studies.counter(), ["workload.booking.clients=2..14 by 2"], store=sys.argv[1], engine="reference")
found.table.to_csv(sys.argv[2], index=False)
"""


@pytest.fixture(scope="module")
def task() -> Task:
    scenario = counter()
    return Task(scenario, 3, 8, 2000, "reference")


@pytest.fixture(scope="module")
def outcome(task: Task) -> Replication:
    return perform(task)


def study(store: Path, table: Path) -> list[str]:
    return [sys.executable, "-c", STUDY, str(store), str(table)]


def test_an_outcome_is_read_back_as_it_was_written(outcome: Replication) -> None:
    again = read(written(outcome))
    assert written(again) == written(outcome)
    for kind, part in outcome.kinds["booking"].items():
        other = again.kinds["booking"][kind]
        assert (other.requests, other.total_s) == (part.requests, part.total_s)
        assert part.kept is not None
        assert other.kept is not None
        assert np.array_equal(other.kept.own_s, part.kept.own_s)
        assert np.array_equal(other.kept.excursions, part.kept.excursions)
        assert np.array_equal(other.kept.spectrum.low, part.kept.spectrum.low)
        assert np.array_equal(other.stages.wait_s, part.stages.wait_s)
        assert np.array_equal(other.slowest.service_s, part.slowest.service_s)
    assert np.array_equal(again.stations.busy_s, outcome.stations.busy_s, equal_nan=True)
    assert np.array_equal(again.warming_s["booking"], outcome.warming_s["booking"])
    assert again.issued == outcome.issued


def test_a_finished_task_is_found_by_all_that_decides_its_outcome(
    tmp_path: Path, task: Task, outcome: Replication
) -> None:
    with Store(tmp_path / "a.store") as store:
        store.keep(task.key, outcome, 0.5)
        found = store.find(task.key)
        assert found is not None
        assert written(found[0]) == written(outcome)
        key = task.key
        for other in (
            TaskKey("x", key.seed, key.replication, key.requests, key.version),
            TaskKey(key.digest, 4, key.replication, key.requests, key.version),
            TaskKey(key.digest, key.seed, 9, key.requests, key.version),
            TaskKey(key.digest, key.seed, key.replication, 2001, key.version),
            TaskKey(key.digest, key.seed, key.replication, key.requests, "other"),
        ):
            assert store.find(other) is None


def test_two_may_write_one_store_and_the_first_outcome_stays(
    tmp_path: Path, task: Task, outcome: Replication
) -> None:
    with Store(tmp_path / "a.store") as one, Store(tmp_path / "a.store") as two:
        one.keep(task.key, outcome, 0.5)
        two.keep(task.key, outcome, 0.7)
        found = two.find(task.key)
        assert found is not None
        assert found[1] == 0.5
        assert one.task_count() == two.task_count() == 1


@pytest.mark.parametrize(
    "content", [b"rate,p99\n1,2\n", b"SQLite format 3\0" + bytes(200), bytes(range(256)) * 20]
)
def test_a_foreign_file_is_refused_and_stays_as_it_is(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "notes.txt"
    path.write_bytes(content)
    with pytest.raises(StoreError, match=r"notes\.txt: not a store"):
        Store(path)
    assert path.read_bytes() == content
    assert list(tmp_path.iterdir()) == [path]


def test_a_database_of_somebody_else_is_refused_and_stays_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "other.db"
    with sqlite3.connect(path) as other:
        other.execute("CREATE TABLE berth (ship TEXT)")
    other.close()
    before = path.read_bytes()
    with pytest.raises(StoreError, match="not a store"):
        Store(path)
    assert path.read_bytes() == before


def test_a_damaged_store_is_refused_and_stays_as_it_is(
    tmp_path: Path, task: Task, outcome: Replication
) -> None:
    path = tmp_path / "a.store"
    with Store(path) as store:
        for number in range(40):
            key = TaskKey(task.key.digest, 3, number, 2000, "v")
            store.keep(key, outcome, 0.1)
    content = bytearray(path.read_bytes())
    content[4096:-4096] = bytes(range(256)) * ((len(content) - 8192) // 256)
    path.write_bytes(content)
    with pytest.raises(StoreError, match="damaged"):
        Store(path)
    assert path.read_bytes() == content


def test_a_damaged_row_is_refused(tmp_path: Path, task: Task, outcome: Replication) -> None:
    path = tmp_path / "a.store"
    with Store(path) as store:
        store.keep(task.key, outcome, 0.1)
    with sqlite3.connect(path) as raw:
        raw.execute("UPDATE task SET outcome = zeroblob(20)")
    raw.close()
    with Store(path) as store, pytest.raises(StoreError, match="damaged row"):
        store.find(task.key)


def test_a_store_of_a_later_form_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.store"
    Store(path).close()
    with sqlite3.connect(path) as raw:
        raw.execute("PRAGMA user_version = 99")
    raw.close()
    with pytest.raises(StoreError, match="form 99"):
        Store(path)


def test_where_no_file_can_be_the_error_says_so(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="directory does not exist"):
        Store(tmp_path / "none" / "a.store")
    with pytest.raises(StoreError, match="not a file"):
        Store(tmp_path)
    with pytest.raises(StoreError, match="no such file"):
        Store(tmp_path / "a.store", must_exist=True)


def test_a_full_disk_loses_nothing_that_was_kept(tmp_path: Path, task: Task, outcome: Replication) -> None:
    path = tmp_path / "a.store"
    with Store(path) as store:
        # SQLite itself then says what it says of a full disk.
        store._file.execute("PRAGMA max_page_count = 12")
        with pytest.raises(StoreError, match="disk is full"):
            fill(store, task.key.digest, outcome)
        kept = store.task_count()
    assert kept > 0
    with Store(path) as store:
        assert store.task_count() == kept
        store.keep(TaskKey(task.key.digest, 3, 5000, 2000, "v"), outcome, 0.1)


def fill(store: Store, digest: str, outcome: Replication) -> None:
    for number in range(1000):
        store.keep(TaskKey(digest, 3, number, 2000, "v"), outcome, 0.1)


def test_deleting_a_study_keeps_what_others_use(tmp_path: Path, outcome: Replication) -> None:
    with Store(tmp_path / "a.store") as store:
        for name, digests in (("one", ["a", "b"]), ("two", ["b", "c"])):
            store.begin(name, "sweep", "Counter", {})
            store.part(name, [(digest, 3) for digest in digests])
        for digest in "abc":
            store.keep(TaskKey(digest, 3, 8, 2000, "v"), outcome, 0.1)
        assert [each.tasks for each in store.studies()] == [2, 2]
        assert store.delete(store.study("on").name) == 1
        assert [each.name for each in store.studies()] == ["two"]
        assert store.task_count() == 2
        with pytest.raises(StoreError, match="accepted: two"):
            store.study("one")


def test_a_decision_is_made_once(tmp_path: Path) -> None:
    with Store(tmp_path / "a.store") as store:
        store.begin("one", "sweep", "Counter", {})
        assert store.decided("one", "lengths") is None
        assert store.decide("one", "lengths", [1, 2]) == [1, 2]
        assert store.decide("one", "lengths", [3]) == [1, 2]
        assert store.decided("one", "lengths") == [1, 2]


def written_since(started_ns: int, store: Path) -> bool:
    """Whether the store, or the log beside it, has been written to."""
    files = (store, store.with_name(f"{store.name}-wal"))
    return any(file.exists() and file.stat().st_mtime_ns > started_ns for file in files)


@pytest.mark.whole
@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs SIGKILL")
def test_a_study_killed_again_and_again_ends_with_the_rows_of_one_that_was_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parent), prepend=os.pathsep)
    calm, store, table = tmp_path / "calm.csv", tmp_path / "a.store", tmp_path / "killed.csv"
    subprocess.run(study(tmp_path / "calm.store", calm), check=True, capture_output=True)
    rng = np.random.default_rng(11)
    kept, kills = 0, 0
    while kills < KILLS:
        process = subprocess.Popen(
            [*study(store, table)], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
        )
        started_ns = time.time_ns()
        while kills % 2 and process.poll() is None and not written_since(started_ns, store):
            # One in two begins to count when the store is written to, so that it falls into the runs.
            with suppress(subprocess.TimeoutExpired):
                process.wait(timeout=0.02)
        try:
            # Somewhere from the beginning of the imports to well into the runs.
            _, said = process.communicate(timeout=float(rng.uniform(0.2, 2.0)))
            assert process.returncode == 0, said
            if store.exists() and kills < KILLS:
                table.unlink()
                with Store(store) as again:
                    kept = max(kept, again.task_count())
                store = tmp_path / f"{kills}.store"
                kept = 0
        except subprocess.TimeoutExpired:
            process.kill()
            process.communicate()
        kills += 1
        if store.exists() and store.stat().st_size > 0:
            with Store(store) as again:
                assert again.task_count() >= kept
                kept = again.task_count()
    subprocess.run(study(store, table), check=True, capture_output=True)
    assert table.read_bytes() == calm.read_bytes()
