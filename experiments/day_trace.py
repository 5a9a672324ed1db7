"""Writes a recorded day: 24 hours of bookings in four spells whose rates and shares of reads are known.

python experiments/day_trace.py day.csv
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd

SPELLS = ((6.0, 0.05, 0.5), (3.0, 0.5, 0.8), (7.0, 1.0, 0.7), (8.0, 0.25, 0.9))
"""Hours, bookings a second and share of reads of each spell."""


def day(seed: int) -> pd.DataFrame:
    """Requests of a day: time in s, op (R or W), bytes, address."""
    rng = np.random.default_rng(seed)
    times, reads, begin = [], [], 0.0
    for hours, rate, share in SPELLS:
        lasts = 3600 * hours
        count = rng.poisson(rate * lasts)
        times.append(begin + np.sort(rng.uniform(0, lasts, count)))
        reads.append(rng.random(count) < share)
        begin += lasts
    time = np.concatenate(times)
    return pd.DataFrame(
        {
            "time": np.round(time, 6),
            "kind": np.where(np.concatenate(reads), "R", "W"),
            "size": 8192,
            "address": rng.integers(0, 2**26, time.size) * 8192,
        }
    )


def main() -> None:
    (out,) = sys.argv[1:]
    Path(out).parent.mkdir(parents=True, exist_ok=True)
    day(7).to_csv(out, index=False)


if __name__ == "__main__":
    main()
