"""What does a drive that is down do to the p99, and what does rebuilding it?

Eight spinning drives and a spare under single and double parity: all well, one drive down, and one being rebuilt at
several rates. The faster the rebuild, the shorter the time without protection, and the longer requests wait.
"""

from __future__ import annotations

import pandas as pd
from matplotlib.figure import Figure

import drawn
from record import recorded
from studied import SPINNING, options, text
from tailrace.report.pictures import style
from tailrace.scenario.reading.read import parse
from tailrace.study.sweep import sweep

DRIVES, CAPACITY_TB = 9, 2.0
RATES_MB = (5, 10, 20, 40, 60)
PARITIES = {"single parity": 200.0, "double parity": 200.0}


def measured(seed: int, quick: bool) -> pd.DataFrame:
    rows = []
    run = "requests = 4000\nreplications = 4" if quick else "requests = 60000\nreplications = 16"
    rates = RATES_MB[1::2] if quick else RATES_MB
    for parity, rate in PARITIES.items():
        base = text(SPINNING, DRIVES, 1, rate, "200 ms", run)
        layout = f'[server.layout]\nredundancy = "{parity}"\ngroup = 8\nspares = 1\n'
        base = base.replace("[[workload]]", f"{layout}FAILED\n[[workload]]")
        states = {"all well": "", "one down": "failed = 1"}
        states |= {f"{each}": f'failed = 1\nrebuild_rate = "{each} MB/s"' for each in rates}
        designs = [parse(base.replace("FAILED", keys)) for keys in states.values()]
        found = sweep(designs, {"load": [1]}, names=list(states), **options(seed, quick))
        for row in found.rows():
            rebuilding = row["scenario"] if row["scenario"].isdigit() else None
            hours = None if rebuilding is None else CAPACITY_TB * 1e6 / float(rebuilding) / 3600
            rows.append(
                {
                    "redundancy": parity,
                    "state": row["scenario"] if rebuilding is None else "rebuilding",
                    "rebuild_mb_per_s": rebuilding,
                    "hours_to_rebuild": hours,
                    "mean_ms": milliseconds(row["mean_s"]),
                    "p99_ms": milliseconds(row["p99_s"]),
                    "p99_low_ms": milliseconds(row["p99_s_low"]),
                    "p99_high_ms": milliseconds(row["p99_s_high"]),
                    "verdict": row["verdict"],
                }
            )
    return pd.DataFrame(rows)


def milliseconds(seconds: float | None) -> float | None:
    return None if seconds is None else 1e3 * seconds


def picture(frame: pd.DataFrame) -> Figure:
    figure, (axis,) = drawn.panels(1, 1, 5.2)
    for place, (parity, part) in enumerate(frame.groupby("redundancy", sort=False)):
        line = part[part.state == "rebuilding"].astype({"rebuild_mb_per_s": float})
        ends = (line.p99_low_ms.astype(float), line.p99_high_ms.astype(float))
        drawn.band(axis, line.rebuild_mb_per_s, line.p99_ms, *ends, place, f"{parity}, rebuilding")
        look = style.line(place)
        for state, dash in (("one down", style.DASHES[3]), ("all well", (0, (1.5, 1.5)))):
            value = part[part.state == state].p99_ms
            if value.notna().all():
                axis.axhline(
                    value.iloc[0],
                    color=look.colour,
                    linestyle=dash,
                    linewidth=1.3 + 0.7 * place,
                    label=f"{parity}, {state}",
                )
    axis.set_xlabel("rebuild rate, MB/s written onto the spare")
    axis.set_ylabel("p99 latency, ms")
    axis.set_ylim(bottom=0)
    above = axis.secondary_xaxis("top")
    rates = sorted(frame.rebuild_mb_per_s.dropna().astype(float).unique())
    above.set_xticks(rates, [f"{CAPACITY_TB * 1e6 / each / 3600:.0f}" for each in rates])
    above.set_xlabel(
        "hours until a drive of 2 TB is rebuilt", fontsize=style.TEXT_PT["wide"], color=style.INK
    )
    above.tick_params(labelsize=style.SMALL_PT["wide"], colors=style.FAINT, labelcolor=style.INK)
    drawn.legend(figure, [axis], "bands: 95 % intervals")
    return figure


def main() -> None:
    recorded(
        "degraded", __doc__.splitlines()[0], lambda chosen: measured(chosen.seed, chosen.quick), picture, None
    )


if __name__ == "__main__":
    main()
