"""Writes the requests that an open class of a scenario makes as a trace: how shared/traces/ came about.

python experiments/trace_of.py shared/scenarios/booking-flash.toml booking 4000 7 shared/traces/booking-monday.csv.gz
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd

from tailrace.scenario.reading.read import load
from tailrace.scenario.tables.scenario import Scenario
from tailrace.workload.arrivals import ArrivalStream
from tailrace.workload.requests import RequestStream
from tailrace.workload.streams import Streams


def trace_of(scenario: Scenario, name: str, rows: int, seed: int) -> pd.DataFrame:
    """The first ``rows`` requests: when (us), op (R or W), sector (of 512 B), bytes, desk."""
    workload, streams = scenario.workload_named(name), Streams(seed, 0, name)
    place = [each.name for each in scenario.workload].index(name)
    arrivals = ArrivalStream(workload, scenario.load, streams)
    times, clients = arrivals.until(1.5 * rows / arrivals.rate_per_s)
    times, clients = times[:rows], clients[:rows]
    requests = RequestStream(workload, *scenario.spans()[place], streams)
    drawn = requests.requests(np.arange(times.size), clients)
    return pd.DataFrame(
        {
            "when": np.rint(times * 1e6).astype(np.int64),
            "op": np.where(drawn.read, "R", "W"),
            "sector": drawn.address // 512,
            "bytes": drawn.size_bytes,
            "desk": [f"desk{client}" for client in clients],
        }
    )


def main() -> None:
    scenario, name, rows, seed, out = sys.argv[1:]
    frame = trace_of(load(scenario), name, int(rows), int(seed))
    Path(out).parent.mkdir(parents=True, exist_ok=True)
    frame.to_csv(
        out, index=False, compression={"method": "gzip", "mtime": 0} if out.endswith(".gz") else None
    )


if __name__ == "__main__":
    main()
