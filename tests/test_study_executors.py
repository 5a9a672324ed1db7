"""Who carries out the tasks does not matter to what comes out, and a worker that is lost costs time only."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from studies import counter
from tailrace.crew import crew as crew_module
from tailrace.crew.crew import Crew, Interrupted, LostWorkersError
from tailrace.crew.progress import Progress
from tailrace.crew.store import Store
from tailrace.errors import SettingError
from tailrace.replicate.task import Task
from tailrace.replicate.written import written

TESTS = Path(__file__).parent


def bag(count: int = 6, requests: int = 1500) -> list[Task]:
    scenario = counter()
    return [Task(scenario, 3, number, requests, "reference") for number in range(count)]


def documents(crew: Crew, tasks: list[Task]) -> list[bytes]:
    return [written(each) for each in crew.run(tasks, "Answer")]


@pytest.fixture(scope="module")
def expected() -> list[bytes]:
    with Crew() as crew:
        return documents(crew, bag())


def test_processes_give_the_same_outcomes_in_the_same_order(
    expected: list[bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(crew_module, "WORTH_STARTING_S", 0.0)
    with Crew(2) as crew:
        assert documents(crew, bag()) == expected


def test_a_killed_process_costs_nothing_but_its_own_task(
    expected: list[bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(crew_module, "WORTH_STARTING_S", 0.0)
    killed = []

    def watch(progress: Progress) -> None:
        if progress.done == 3 and not killed:
            process = next(iter(crew.executors.executor()._processes))  # type: ignore[attr-defined]
            os.kill(process, signal.SIGKILL)
            killed.append(process)

    with Crew(2, watch=watch) as crew:
        assert documents(crew, bag()) == expected
    assert killed


@pytest.mark.whole
def test_workers_that_are_lost_again_and_again_end_the_study_with_an_error(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(crew_module, "WORTH_STARTING_S", 0.0)
    monkeypatch.setattr(crew_module, "timed", end_the_process)
    monkeypatch.setattr(crew_module, "MOST_LOSSES", 1)
    with Crew(2) as crew:
        crew.executors.executor()
        with pytest.raises(LostWorkersError, match="lost 2 times"):
            crew.run(bag(), "Answer")


def end_the_process(task: Task) -> None:
    os._exit(1)


def test_what_the_store_has_is_not_done_again(
    expected: list[bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Store(tmp_path / "a.store") as store:
        with Crew(store=store) as first:
            assert documents(first, bag(4)) == expected[:4]
        with Crew(store=store) as second:
            assert documents(second, bag(6)) == expected
        assert (second.tally.found, second.tally.performed) == (4, 2)


def test_an_interrupted_study_says_what_is_kept_and_goes_on(expected: list[bytes], tmp_path: Path) -> None:
    def stop(progress: Progress) -> None:
        if progress.done == 3:
            raise KeyboardInterrupt

    with Store(tmp_path / "a.store") as store:
        kept = r"3 of 6 replications of the answer .* kept in .*a\.store: the same command goes on"
        with Crew(store=store, watch=stop) as crew, pytest.raises(Interrupted, match=kept) as stopped:
            crew.run(bag(), "Answer")
        assert [written(each) for each in stopped.value.finished.values()] == expected[:3]
        assert list(stopped.value.finished) == [0, 1, 2]
        assert store.task_count() == 3
        with Crew(store=store) as crew:
            assert documents(crew, bag()) == expected
    said = "--store FILE would keep it"
    with Crew(watch=stop, unkept=said) as crew, pytest.raises(Interrupted, match=said):
        crew.run(bag(), "Answer")


def test_what_comes_after_the_one_that_ends_a_bag_is_not_asked_for(
    expected: list[bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(crew_module, "WORTH_STARTING_S", 0.0)
    last = expected[2]
    for workers in (1, 2):
        with Crew(workers) as crew:
            found = crew.run(bag(), "Answer", until=lambda each: written(each) == last)
            assert [written(each) for each in found] == expected[:3]


def test_an_error_in_a_task_comes_out_as_it_is(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(task: Task) -> None:
        raise ZeroDivisionError("told")

    monkeypatch.setattr(crew_module, "timed", fail)
    with Crew() as crew, pytest.raises(ZeroDivisionError, match="told"):
        crew.run(bag(2), "Answer")


def test_no_workers_and_no_scheduler_are_said_at_once() -> None:
    with pytest.raises(SettingError, match="accepted: 1 or more"):
        Crew(0)


@contextmanager
def cluster() -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """A scheduler and two worker processes of one thread each, on loopback."""
    environment = os.environ | {
        "PYTHONPATH": os.pathsep.join([*sys.path, str(TESTS)]),
        "PYTHONWARNINGS": "ignore",
    }
    dask = [sys.executable, "-m", "distributed.cli.dask_scheduler"]
    hush = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "env": environment}
    address_file = Path(environment.get("PYTEST_TMP", "/tmp")) / f"scheduler-{os.getpid()}.json"
    address_file.unlink(missing_ok=True)
    started = [
        subprocess.Popen(
            [
                *dask,
                "--host",
                "127.0.0.1",
                "--port",
                "0",
                "--no-dashboard",
                "--scheduler-file",
                str(address_file),
            ],
            **hush,  # type: ignore[call-overload]
        )
    ]
    try:
        worker = [sys.executable, "-m", "distributed.cli.dask_worker", "--nthreads", "1", "--no-dashboard"]
        command = [*worker, "--no-nanny", "--host", "127.0.0.1", "--scheduler-file", str(address_file)]
        started += [subprocess.Popen(command, **hush) for _ in range(2)]  # type: ignore[call-overload]
        yield str(address_file), started[1:]
    finally:
        for process in started:
            process.kill()
        for process in started:
            process.wait()
        address_file.unlink(missing_ok=True)


@pytest.mark.whole
@pytest.mark.filterwarnings("ignore")
def test_a_cluster_that_loses_a_worker_gives_the_same_bytes(expected: list[bytes]) -> None:
    pytest.importorskip("distributed", reason="needs the extra 'cluster'")
    import json

    with cluster() as (address_file, workers):
        deadline = time.monotonic() + 60
        while not Path(address_file).exists() or not Path(address_file).read_text().endswith("}"):
            assert time.monotonic() < deadline, "the scheduler did not start"
            assert workers[0].poll() is None
        address = json.loads(Path(address_file).read_text())["address"]
        killed = []

        def watch(progress: Progress) -> None:
            if progress.done == 2 and not killed:
                workers[0].kill()
                killed.append(workers[0])

        with Crew(1, address, watch=watch) as crew:
            crew.executors._client.wait_for_workers(2, timeout=60)
            assert crew.executors.width == 2
            assert documents(crew, bag()) == expected
            assert killed
            assert crew.executors.width == 1


@pytest.mark.filterwarnings("ignore")
def test_an_address_where_nobody_listens_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed", reason="needs the extra 'cluster'")
    monkeypatch.setattr("tailrace.crew.executors.SCHEDULER_WAIT", "500ms")
    with pytest.raises(SettingError, match="nobody answers"):
        Crew(1, "tcp://127.0.0.1:9")


@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
def test_a_worker_goes_when_its_parent_is_killed() -> None:
    program = (
        "import time\n"
        "from tailrace.crew.executors import process_pool\n"
        "pool = process_pool(1)\n"
        "pool.submit(print, 'begun', flush=True).result()\n"
        "pool.submit(time.sleep, 3600).result()\n"
    )
    command = [sys.executable, "-c", program]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as parent:
        assert parent.stdout is not None
        assert parent.stdout.readline() == "begun\n"
        parent.kill()
        # The worker has the same standard output: that ends when the last who could write to it is gone.
        parent.communicate(timeout=60)


def test_until_the_first_task_is_finished_the_pilots_speed_says_how_long_it_takes() -> None:
    told: list[Progress] = []
    crew = Crew(watch=told.append)
    with crew:
        crew.run([Task(counter(), 1, 0, 500, "reference")], "Pilot")
        assert told[0].seconds_left is None
        rate = crew.tally.work_s / crew.tally.requests
        told.clear()
        crew.run([Task(counter(), 1, number, 1000, "reference") for number in range(2)], "Answer")
    assert told[0].done == 0
    assert told[0].seconds_left == pytest.approx(2000 * rate)
