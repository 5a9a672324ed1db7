"""Every single latency of an answer, raw and counted."""

import numpy as np
import pandas as pd
import pytest

import tailrace
from studies import counter
from tailrace.errors import SettingError

LENGTH = ["run.requests=2000", "run.replications=4"]


@pytest.fixture(scope="module")
def table() -> pd.DataFrame:
    return tailrace.latencies(counter(*LENGTH), requests=2000, replications=4)


def test_latencies_are_those_of_the_answer_of_the_same_length(table: pd.DataFrame) -> None:
    answer = tailrace.simulate(counter(*LENGTH)).class_named("booking")
    assert len(table) == answer.all.requests
    assert table.latency_s.mean() == pytest.approx(answer.all.latency_s["mean"].value, rel=1e-12)
    reads = table[table["kind"] == "read"]
    assert len(reads) == answer.kinds["read"].requests
    assert sorted(table.replication.unique()) == [0, 1, 2, 3]
    assert table.attrs["digest"] == counter(*LENGTH).digest
    assert table.attrs["seed"] == 3


def test_histograms_keep_every_request_in_its_class_and_add_up(table: pd.DataFrame) -> None:
    found = tailrace.histogram(table)
    assert found["count"].sum() == len(table)
    assert np.allclose(found.high_s / found.low_s, 10**0.01)
    one = table[(table["replication"] == 2) & (table["kind"] == "read")].latency_s
    mine = found[(found["replication"] == 2) & (found["kind"] == "read")]
    for row in mine.itertuples():
        assert row.count == ((one >= row.low_s) & (one < row.high_s)).sum()
    # By halves and added up: the same classes.
    parts = [tailrace.histogram(part) for part in (table[table.index % 2 == 0], table[table.index % 2 == 1])]
    keys = ["class", "kind", "replication", "low_s", "high_s"]
    again = pd.concat(parts).groupby(keys)["count"].sum()
    assert again.equals(found.set_index(keys)["count"].sort_index())


def test_a_server_that_cannot_keep_up_has_no_latencies() -> None:
    with pytest.raises(SettingError, match="accepted: a load that the server can carry"):
        tailrace.latencies(counter("load=3"))
