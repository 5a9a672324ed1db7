"""Does a study lose anything when it is killed again and again?

One study after another is begun, killed by SIGKILL at a random instant, and begun again, until so many kills have
happened. After each the store must open and hold all that it held before; every study that comes to its end must have
the rows of one that was never killed.
"""

from __future__ import annotations

import multiprocessing
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

import drawn
from record import Record, arguments
from simulated import one_station
from tailrace.crew.store import Store
from tailrace.report.pictures import style
from tailrace.scenario.reading.variant import Variants
from tailrace.study.sweep import sweep

KILLS = 1000
VALUES = "workload.booking.rate=200 /s..1800 /s by 200 /s"
RUN = ["run.seed=3", "run.requests=1000", "run.replications=4"]


def study(store: Path, table: Path) -> None:
    """One study, to its end if it is left alone."""
    scenario = Variants(one_station(2, '{law = "exponential", mean = "1 ms"}', 1000.0)).with_keys(RUN)
    frame = sweep(scenario, [VALUES], store=store, engine="reference").table
    frame.to_csv(table, index=False)


def measured(seed: int, kills: int) -> pd.DataFrame:
    """Kill copies of this very process, which have all they need in memory and are at work from the first instant."""
    rng = np.random.default_rng(seed)
    copies = multiprocessing.get_context("fork")
    rows = []
    with tempfile.TemporaryDirectory() as name:
        directory = Path(name)
        calm, table = directory / "calm.csv", directory / "killed.csv"
        started = time.perf_counter()
        study(directory / "calm.store", calm)
        calm_s = time.perf_counter() - started
        expected = calm.read_bytes()
        store, kept, done = directory / "0.store", 0, 0
        while True:
            # After the last kill the study is left alone, and has to come to its end.
            delay = float(rng.uniform(0.0, calm_s / 2)) if done < kills else None
            process = copies.Process(target=study, args=(store, table))
            process.start()
            process.join(delay)
            process.kill()
            process.join()
            was_killed = process.exitcode != 0
            done += was_killed
            held = kept
            if store.exists() and store.stat().st_size > 0:
                with Store(store) as opened:
                    held = opened.task_count()
            row = {"kill": done, "after_s": delay, "killed": was_killed, "tasks_before": kept, "tasks": held}
            row |= {"lost": held < kept, "identical": None}
            kept = held
            if not was_killed:
                row["identical"] = table.read_bytes() == expected
                table.unlink()
                store, kept = directory / f"{len(rows) + 1}.store", 0
            rows.append(row)
            if delay is None:
                return pd.DataFrame(rows)


def picture(frame: pd.DataFrame) -> Figure:
    figure, (axis,) = drawn.panels(1, 1, 4.0)
    killed, look = frame[frame.killed.astype(bool)], style.line(0)
    axis.plot(
        killed.after_s, killed.tasks - killed.tasks_before, look.marker, color=look.colour, markersize=3.5
    )
    axis.set_xlabel("killed after, s")
    axis.set_ylabel("tasks finished in between and kept")
    drawn.title(axis, f"{len(killed):,} kills, {int(frame.lost.sum())} stores that lost a task")
    return figure


def main() -> None:
    chosen = arguments(__doc__.splitlines()[0])
    record = Record("kills", chosen)
    frame = measured(chosen.seed, 8 if chosen.quick else KILLS)
    record.table(frame)
    record.picture(picture(frame))
    record.close()
    ended = frame.identical.dropna()
    print(
        f"{int(frame.killed.sum())} kills: {int(frame.lost.sum())} lost a task; {int(ended.sum())} of {len(ended)} "
        "studies that came to their end have the rows of one that was never killed"
    )
    assert not frame.lost.any()
    assert ended.astype(bool).all()


if __name__ == "__main__":
    main()
