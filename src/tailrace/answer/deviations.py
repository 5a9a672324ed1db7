"""What does each replication of an answer say by itself? That from which the intervals come, as a table."""

from __future__ import annotations

from importlib.metadata import version
from typing import TYPE_CHECKING

from tailrace.answer.answers import answered
from tailrace.answer.bench import bench_for
from tailrace.answer.figures import LEVEL
from tailrace.answer.pilot import ANSWER, lengths
from tailrace.answer.run import least_requests
from tailrace.crew.progress import Watch
from tailrace.errors import SettingError
from tailrace.quantity import RATES, Quantity
from tailrace.scenario.reading.read import Given, given

if TYPE_CHECKING:
    import pandas as pd


def deviations(
    scenario: Given,
    *,
    seed: int | None = None,
    engine: str = "auto",
    workers: int | None = None,
    progress: Watch | None = None,
) -> pd.DataFrame:
    """How every replication of an answer lies about its figures: a row a class, kind, quantity and replication.

    The replications are those of `simulate` with the same scenario and seed. Columns: class; kind (all, read, write);
    quantity, with its SI unit; replication; ``requests``, those of the kind in this replication; ``deviation``, by how
    much the replication lies off the pooled figure, weighted by its size (see `measure.section`); ``value``, ``low``
    and ``high`` of that figure, NaN where it is not known; seed, version and digest. Deviations d of R replications
    give the interval of 95 %: the value, and on either side the quantile of Student's t for R - 1 times
    sqrt(sum(d^2) / (R - 1) / R), wider where the answer says so.

    Args:
        scenario: what to simulate; a scenario or a file.
        seed: of all random streams, over the scenario's.
        engine: "auto", "reference" or "compiled".
        workers: number of processes; this one alone if left out.
        progress: called as replications finish.

    Raises:
        ScenarioError: the file of a scenario cannot be read.
        SettingError: a ValueError: the server is overloaded, or as `simulate`.
    """
    import pandas as pd

    known = given(scenario)
    with bench_for(known, seed, engine, workers, progress, least_requests(known)) as bench:
        evidence = answered(bench, [known], lengths(bench, [known], ANSWER))[0]
        made = {"seed": bench.seed, "version": version("tailrace"), "digest": known.digest}
    if evidence.overload is not None:
        raise SettingError(
            f"{evidence.overloaded} cannot keep up; accepted: a load that the server can carry"
        )
    sample, parts = evidence.sample, []
    for name in (each.name for each in known.workload):
        for kind in sample.kinds(name):
            requests = [each.requests for each in sample.totals(name, kind)]
            for statistic in (*RATES, "mean", *sample.quantiles):
                quantity = Quantity.of(kind, statistic)
                section = evidence.section(name, quantity)
                estimate = section.estimate(LEVEL)
                columns = {
                    "class": name,
                    "kind": kind,
                    "quantity": Quantity(statistic).column,
                    "replication": range(len(sample)),
                    "requests": requests,
                    "deviation": section.deviations,
                    "value": estimate.value,
                    "low": estimate.low,
                    "high": estimate.high,
                }
                parts.append(pd.DataFrame(columns | made))
    table = pd.concat(parts, ignore_index=True)
    table[["value", "low", "high"]] = table[["value", "low", "high"]].astype(float)
    return table
