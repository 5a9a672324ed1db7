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


def test_deviations_are_those_that_give_the_intervals_of_the_answer(tmp_path) -> None:
    table = tailrace.deviations(counter(*LENGTH))
    result = tailrace.simulate(counter(*LENGTH))
    booking = result.class_named("booking")
    assert set(table["kind"]) == {"all", "read", "write"}
    assert sorted(table["replication"].unique()) == list(range(result.replications))
    for quantity, expected in (
        ("rate_per_s", booking.all.rate_per_s),
        ("mean_s", booking.all.latency_s["mean"]),
    ):
        rows = table[(table["kind"] == "all") & (table["quantity"] == quantity)]
        assert rows["requests"].sum() == booking.all.requests
        assert set(rows["value"]) == {expected.value}
        # Student's t for three degrees of freedom, from a table (from memory)
        half = 3.182446 * np.sqrt((rows["deviation"] ** 2).sum() / 3 / 4)
        assert half == pytest.approx((expected.high - expected.low) / 2, rel=1e-6)
    # Whole replications alone: the mean of each, weighted by its size.
    raw = tailrace.latencies(counter(*LENGTH), requests=2000, replications=4)
    own = raw.groupby("replication").latency_s.agg(["mean", "size"])
    weight = own["size"] / own["size"].mean()
    mean = table[(table["kind"] == "all") & (table["quantity"] == "mean_s")].set_index("replication")
    expected = weight * (own["mean"] - raw.latency_s.mean())
    assert np.allclose(mean["deviation"], expected, rtol=1e-9, atol=1e-15)
    table.to_csv(tmp_path / "deviations.csv", index=False)
    again = pd.read_csv(tmp_path / "deviations.csv")
    assert set(again["seed"]) == {3}
    assert set(again["digest"]) == {result.digest}
    assert set(again["version"]) == {result.version}
    with pytest.raises(SettingError, match="accepted: a load that the server can carry"):
        tailrace.deviations(counter("load=3"))
