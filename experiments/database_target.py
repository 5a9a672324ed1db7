"""Will the booking database keep its promise on this server, and if not, what then?

The architect's question from start to answer: the verdict on the design at hand, how many booking servers it would
carry, which resource would mend it, and another design beside it on the same requests.
"""

from __future__ import annotations

import pandas as pd
from matplotlib.figure import Figure

import drawn
from record import Record, arguments
from studied import FLASH, SPINNING, options, text
from tailrace.answer.run import simulate
from tailrace.report.pictures import style
from tailrace.report.terminal.results import as_text
from tailrace.scenario.reading.read import parse
from tailrace.study.compare import compare
from tailrace.study.headroom import headroom
from tailrace.study.relief import relief
from tailrace.study.sweep import sweep

LIMIT, LIMIT_MS, RATE, CLIENTS = "20 ms", 20.0, 100.0, 40
KEY = "workload.booking.clients"
DESIGNS = {"36 spinning drives": (SPINNING, 36), "6 flash drives": (FLASH, 6)}


def measured(seed: int, quick: bool) -> tuple[pd.DataFrame, str]:
    run = "requests = 4000\nreplications = 8" if quick else "precision = 0.1\nrequests = 200000"
    designs = {
        name: parse(f'title = "Booking database on {name}"\n' + text(*design, CLIENTS, RATE, LIMIT, run))
        for name, design in DESIGNS.items()
    }
    how = options(seed, quick)
    first, second = designs.values()
    said = [as_text(simulate(first, seed, workers=how["workers"]))]
    rooms = {name: headroom(each, KEY, **how) for name, each in designs.items()}
    said += [as_text(each) for each in rooms.values()]
    said.append(as_text(relief(first, **how)))
    said.append(as_text(compare(first, second, names=list(designs), seed=seed, workers=how["workers"])))
    steps = "5..40 by *8" if quick else "5..2560 by *2"
    swept = sweep(list(designs.values()), [f"{KEY}={steps}"], names=list(designs), **how)
    frame = swept.table[["scenario", KEY, "verdict", *(f"p99_s{end}" for end in ("", "_low", "_high"))]]
    frame = frame.rename(columns={KEY: "clients"})
    for name, room in rooms.items():
        mine = frame.scenario == name
        frame.loc[mine, "met"], frame.loc[mine, "missed"] = room.met, room.missed
    return frame, "\n".join(said)


def picture(frame: pd.DataFrame) -> Figure:
    figure, (axis,) = drawn.panels(1, 1, 4.8)
    for place, (name, line) in enumerate(frame.groupby("scenario", sort=False)):
        p99 = [1e3 * line[f"p99_s{end}"] for end in ("", "_low", "_high")]
        drawn.band(axis, line.clients, *p99, place, name)
        met, missed = line.met.iloc[0], line.missed.iloc[0]
        if pd.notna(met) and pd.notna(missed):
            said = f"{name}: met up to {met:,.0f}"
            look = style.line(place)
            axis.axvspan(met, missed, facecolor=look.colour, alpha=0.3, hatch=style.HATCHES[place])
            # However narrow the bracket is, and however far from the points: a mark at the limit.
            at = {"marker": "D", "markersize": 7, "markerfacecolor": "none", "markeredgewidth": 1.6}
            axis.plot(
                [(met * missed) ** 0.5], [LIMIT_MS], color=look.colour, linestyle="none", label=said, **at
            )
    axis.axhline(
        LIMIT_MS, color=style.INK, linestyle=style.DASHES[1], linewidth=1, label=f"promised: {LIMIT}"
    )
    style.log_axis(axis.xaxis)
    style.log_axis(axis.yaxis)
    axis.set_xlabel(f"booking servers of {RATE:g} requests/s each")
    axis.set_ylabel("p99 latency, ms")
    drawn.legend(
        figure, [axis], "bands along the lines: 95 % intervals; upright: from surely met to surely missed"
    )
    return figure


def main() -> None:
    chosen = arguments(__doc__.splitlines()[0])
    record = Record("database_target", chosen)
    frame, said = measured(chosen.seed, chosen.quick)
    record.table(frame)
    record.text(said)
    record.picture(picture(frame))
    record.close()
    print(said)


if __name__ == "__main__":
    main()
