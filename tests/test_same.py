"""How tests say that two runs are not the same: by their first difference, however long the runs are."""

from dataclasses import replace

import numpy as np
import pytest

from plans import plan, rows, station, stations, visit
from same import assert_equal, assert_same, first_difference
from tailrace.engine.reference import run_reference


def test_arrays_are_the_same_only_in_type_shape_and_every_value() -> None:
    ones = np.ones(3)
    assert first_difference(ones, ones.copy()) is None
    assert first_difference(np.array([np.nan, 1.0]), np.array([np.nan, 1.0])) is None
    assert (
        first_difference(ones, np.ones(3, dtype=np.int64)) == "float64 of shape (3,), but int64 of shape (3,)"
    )
    assert first_difference(ones, np.ones((3, 1))) == "float64 of shape (3,), but float64 of shape (3, 1)"
    assert first_difference(np.array([[1, 2], [3, 4]]), np.array([[1, 2], [5, 6]])) == (
        "2 of 4 differ, first [1, 0]: np.int64(3) and np.int64(5)"
    )
    assert "1 of 2 differ, first [0]" in str(first_difference(np.array([np.nan, 1.0]), np.array([0.0, 1.0])))


def test_a_million_differences_are_told_in_a_line() -> None:
    with pytest.raises(pytest.fail.Exception, match="completion_s: 1000000 of 1000000 differ") as raised:
        assert_equal(np.zeros(1_000_000), np.ones(1_000_000), "completion_s")
    assert len(str(raised.value)) < 150


def test_two_runs_that_differ_in_one_last_bit_are_not_the_same() -> None:
    def run(work_s: float) -> object:
        path = [visit(0, work_s)]
        return run_reference(plan(stations(station("fcfs")), rows([0.0, 1.0], [path, path])), 2, 3)

    one = run(1.0)
    assert_same(one, run(1.0))
    with pytest.raises(pytest.fail.Exception, match=r"completion_s: 2 of 2 differ, first \[0\]"):
        assert_same(one, run(np.nextafter(1.0, 2.0)))
    with pytest.raises(AssertionError):
        assert_same(one, replace(one, complete=False))
