"""What is left of a spinning drive's sequential rate when several streams read from it at once?

One drive of the catalogue on a serial link. Each stream reads 64 KiB after 64 KiB through its own part of the drive and
asks for the next when it has the one before, at once or after 100 ms: throughput over the number of streams, with and
without read-ahead, beside as many clients that read 64 KiB anywhere. The arm reads on only while nothing waits
for it, so read-ahead helps streams that leave it such time; where several ask without a pause, only a queue of the
stream's own would.
"""

from __future__ import annotations

import pandas as pd
from matplotlib.figure import Figure

import drawn
from record import recorded
from simulated import Runs, by_runs, row
from tailrace.report.pictures import style
from tailrace.scenario.reading.read import parse
from tailrace.scenario.tables.scenario import Scenario

DRIVE = """
[server]
lanes = "serial-12"
media = {part = "spinning-7200", segments = 16, READ_AHEAD}
[server.layout]
stripe_unit = "1 MiB"
[[workload]]
name = "manifests"
clients = STREAMS
queue_depth = 1
request_size = "64 KiB"
pattern = "PATTERN"
"""

PAUSE = 'think_time = "100 ms"\nthink = "constant"'
AHEAD, NONE = 'read_ahead = "1 MiB"', 'read_ahead = "1 B"'
WAYS = {
    "no pause, read-ahead of 1 MiB": (AHEAD, "sequential", ""),
    "no pause, no read-ahead": (NONE, "sequential", ""),
    "no pause, random": (NONE, "random", ""),
    "pauses of 100 ms, read-ahead of 1 MiB": (AHEAD, "sequential", PAUSE),
    "pauses of 100 ms, no read-ahead": (NONE, "sequential", PAUSE),
}


def scenario(way: str, streams: int) -> Scenario:
    read_ahead, pattern, pause = WAYS[way]
    text = DRIVE.replace("READ_AHEAD", read_ahead).replace("PATTERN", pattern)
    return parse(text.replace("STREAMS", str(streams)) + pause)


def measured(runs: Runs) -> pd.DataFrame:
    counts = (1, 4, 16) if runs.quick else (1, 2, 4, 8, 12, 16, 24, 32, 64)
    requests = 4000 if runs.quick else 12_000
    rows = []
    for way in WAYS:
        for streams in counts:
            found, _ = runs.figures(scenario(way, streams), requests)
            throughput = found["manifests"].throughput_bytes_per_s
            rows.append(
                {"way": way, "streams": streams, "quantity": "throughput_bytes_per_s"} | row(throughput)
            )
    return pd.DataFrame(rows)


def picture(frame: pd.DataFrame) -> Figure:
    figure, (axis,) = drawn.panels(1, 1, 4.6)
    for place, (way, part) in enumerate(frame.groupby("way", sort=False)):
        # From two streams on the first lies where the second does: a ring shows both.
        drawn.marks(axis, part.streams, part, place, way, 1e-6, joined=True, ring=place == 0)
    counts = sorted(frame.streams.unique())
    style.power_axis(axis.xaxis, counts, [str(count) for count in counts])
    style.log_axis(axis.yaxis, (1.0, 2.0, 5.0))
    axis.set_xlabel("streams that read from the drive at once")
    axis.set_ylabel("throughput of the drive, MB/s")
    drawn.legend(figure, [axis], f"simulated; {drawn.BARS}")
    return figure


def main() -> None:
    recorded("streams", __doc__.splitlines()[0], by_runs(measured), picture)


if __name__ == "__main__":
    main()
