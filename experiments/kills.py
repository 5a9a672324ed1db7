"""Does a study lose anything when it is killed again and again?

One study after another is begun, killed by SIGKILL at a random instant, and begun again, until so many kills have
happened. After each the store must open and hold all that it held before; every study that comes to its end must have
the rows of one that was never killed.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd

from record import ROOT, Record, arguments
from tailrace.study.store import Store

KILLS = 1000
EARLIEST_S, LATEST_S = 0.1, 2.5
STUDY = """
import sys
from tailrace.scenario.read import parse
from tailrace.study.sweep import sweep
scenario = parse(open(sys.argv[1]).read())
frame = sweep(scenario, ["workload.booking.rate=200 /s..1800 /s by 200 /s"], store=sys.argv[2], engine="reference")
frame.to_csv(sys.argv[3], index=False)
"""
SCENARIO = """
[server.media]
kind = "generic"
servers = 2
service = {law = "exponential", mean = "1 ms"}
[[workload]]
name = "booking"
rate = "1000 /s"
request_size = "8 KiB"
[run]
seed = 3
requests = 2000
replications = 6
"""


def study(directory: Path, store: Path, table: Path) -> list[str]:
    """The command of one study."""
    return [sys.executable, "-c", STUDY, str(directory / "scenario.toml"), str(store), str(table)]


def measured(seed: int, kills: int) -> pd.DataFrame:
    environment = os.environ | {"PYTHONPATH": os.pathsep.join([str(ROOT / "src"), *sys.path])}
    rng = np.random.default_rng(seed)
    rows = []
    with tempfile.TemporaryDirectory() as name:
        directory = Path(name)
        (directory / "scenario.toml").write_text(SCENARIO)
        calm = directory / "calm.csv"
        command = study(directory, directory / "calm.store", calm)
        subprocess.run(command, check=True, env=environment)
        expected = calm.read_bytes()
        store, kept, done = directory / "0.store", 0, 0
        table = directory / "killed.csv"
        while done < kills:
            process = subprocess.Popen(study(directory, store, table), env=environment)
            delay = float(rng.uniform(EARLIEST_S, LATEST_S))
            if done % 2:  # one in two begins to count when the store is there, so that it falls into the runs
                while process.poll() is None and not store.exists():
                    time.sleep(0.01)
            try:
                process.wait(timeout=delay)
                was_killed = False
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
                was_killed = True
            done += was_killed
            held = kept
            if store.exists() and store.stat().st_size > 0:
                with Store(store) as opened:
                    held = opened.task_count()
            row = {"kill": done, "after_s": delay, "killed": was_killed, "tasks_before": kept, "tasks": held}
            row["lost"] = held < kept
            row["identical"] = None
            kept = held
            if not was_killed:
                row["identical"] = process.returncode == 0 and table.read_bytes() == expected
                store, kept = directory / f"{len(rows)}.store", 0
            rows.append(row)
        ended = subprocess.run(study(directory, store, table), check=False, env=environment)
        identical = ended.returncode == 0 and table.read_bytes() == expected
        row = {
            "kill": done,
            "after_s": None,
            "killed": False,
            "tasks_before": kept,
            "tasks": kept,
            "lost": False,
        }
        rows.append(row | {"identical": identical})
    return pd.DataFrame(rows)


def picture(frame: pd.DataFrame) -> plt.Figure:
    figure, axes = plt.subplots(figsize=(8.2, 4.4))
    killed = frame[frame.killed]
    axes.plot(killed.after_s, killed.tasks - killed.tasks_before, ".", color="#4477aa", markersize=4)
    axes.set_xlabel("killed after, s")
    axes.set_ylabel("tasks finished in between and kept")
    axes.set_title(f"{len(killed)} kills, {int(frame.lost.sum())} stores that lost a task", fontsize=11)
    axes.grid(alpha=0.3)
    figure.tight_layout()
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
