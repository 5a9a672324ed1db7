"""Nothing is left out that would make a server look better: neither the time before a late issue nor the slow ones."""

import numpy as np
import pytest

from drives import generic
from plans import plan, rows, station, stations, visit
from tailrace.engine.reference import run_reference
from tailrace.replicate.boiled import replicate
from tailrace.scenario import parse
from through import ENGINE, observe, one_station

STALL_S = 10.0


def test_a_stall_counts_against_every_request_that_was_due_meanwhile() -> None:
    # One request a second of 0.1 s; the one due at 10 s takes 10 s. Those due during the stall queue behind it.
    services_s = [0.1] * 10 + [STALL_S] + [0.1] * 29
    server = stations(station("fcfs"))
    paths = [[visit(0, seconds)] for seconds in services_s]
    observed = run_reference(plan(server, open_rows=rows([1.0] * 40, paths)), 40)
    # by hand: due at 12 s, the stall ends at 21 s, one request of 0.1 s goes before it
    by_due_time = observed.latency_s
    assert by_due_time[11] == pytest.approx(9.1)
    assert by_due_time[12] == pytest.approx(8.2)
    # A client that issues one request at a time issues late what is due during the stall, and sees one slow request.
    arrivals_s, completion_s = observed.arrival_s, 0.0
    from_issue = []
    for due_s, seconds in zip(arrivals_s, services_s, strict=True):
        issued_s = max(due_s, completion_s)
        completion_s = issued_s + seconds
        from_issue.append(completion_s - issued_s)
    assert np.count_nonzero(by_due_time > 1.5) == 10
    assert np.count_nonzero(np.array(from_issue) > 1.5) == 1
    assert np.quantile(by_due_time, 0.9) > 40 * np.quantile(from_issue, 0.9)


def test_a_closed_clients_latency_counts_from_its_issue_which_is_when_it_was_meant() -> None:
    server = stations(station("fcfs"))
    listed = rows([0.0, 0.0, 0.0], [[visit(0, 5.0)], [visit(0, 1.0)], [visit(0, 1.0)]])
    observed = run_reference(plan(server, closed_rows=[listed]), 3)
    assert observed.latency_s.tolist() == [5.0, 1.0, 1.0]


def test_dropping_what_is_in_flight_at_the_end_would_bias_p99() -> None:
    # M/M/1 at 0.95 with exponential times of 1 ms: a run ends wherever it ends, often in the middle of a long queue.
    scenario = one_station('{law = "exponential", mean = "1 ms"}', 950.0)
    kept, dropped = [], []
    for replication in range(60):
        observed = observe(scenario, 3000, seed=5, replication=replication)
        assert np.isfinite(observed.completion_s).all()
        ends_s = observed.arrival_s[-1]  # the window closes as the last of them arrives
        kept.append(observed.latency_s)
        dropped.append(observed.latency_s[observed.completion_s <= ends_s])
    # the worst are lost first: of the slowest one in a hundred more is dropped than of all
    every, finished = np.concatenate(kept), np.concatenate(dropped)
    slow = np.quantile(every, 0.99)
    lost = 1 - finished.size / every.size
    lost_slow = 1 - np.count_nonzero(finished >= slow) / np.count_nonzero(every >= slow)
    assert lost_slow > 2 * lost
    assert np.quantile(finished, 0.99) < np.quantile(every, 0.99)


def test_every_request_that_arrives_in_the_window_is_measured() -> None:
    scenario = parse(f"""
{generic("exponential")}
[[workload]]
name = "booking"
rate = "900 /s"
request_size = "8 KiB"
""")
    sample = replicate(scenario, 3, 0, 5000, ENGINE, 10**6)
    assert sample.kinds["booking"]["all"].requests == 4500
    assert sample.issued["booking"] == 5000
