"""How long does a choice among a thousand designs and more take?

By the clock, with all cores, from reading the file to the answer: designs of the ready choice with more ports and cores
to choose from, in three conditions and in one; and drives fed at random with a promise that few of them can keep.
"""

from __future__ import annotations

import time
from argparse import Namespace
from collections.abc import Iterator, Sequence

import pandas as pd
from matplotlib.figure import Figure

from choose import KINDS, box
from choose_offer import OFFER, SHORT
from record import recorded
from tailrace.crew.executors import available_cores
from tailrace.report.pictures import style
from tailrace.scenario.reading.read import load
from tailrace.scenario.tables.scenario import Scenario
from tailrace.study.choose import choose

PARTS = "server.media.part=flash-serial-6,flash-two-lanes,flash-four-lanes,spinning-7200,spinning-10000"
WIDE = [
    PARTS,
    "server.media.count=4..24 by 4",
    'server.layout.redundancy="mirror","single parity"',
    "server.network.ports=1,2,3,4",
    "server.controller.cores=16,24,32,48,64",
]
QUICK = [PARTS, "server.media.count=4,8", "server.network.ports=1,2"]
LIMIT_S = 12e-3


def cases(quick: bool) -> Iterator[tuple[str, Sequence[Scenario], Sequence[str]]]:
    """What to call it, the files, and what varies."""
    short = SHORT if quick else []
    axes = QUICK if quick else WIDE
    yield "ready choice, three conditions", [load(OFFER, overrides=short)], axes
    yield "ready choice, one condition", [load(OFFER, overrides=short, condition="in three years")], axes
    servers = range(1, 3 if quick else 6)
    drives = "server.media.count=1..4" if quick else "server.media.count=1..40"
    yield "drives fed at random", [box(kind, each, LIMIT_S) for kind in KINDS for each in servers], [drives]


def measured(given: Namespace) -> pd.DataFrame:
    """A row a case."""
    rows = []
    for name, designs, vary in cases(given.quick):
        began = time.perf_counter()
        found = choose(designs, vary, least="price", seed=given.seed, workers=available_cores())
        rows.append(
            {
                "case": name,
                "designs": len(found.offers),
                "can_be": len(found.offers) - len(found.impossible),
                "simulated": sum(bool(each.tried and each.tried.requests) for each in found.offers),
                "looks": found.looks,
                "requests": found.requests,
                "seconds": time.perf_counter() - began,
                "chosen": found.chosen is not None,
            }
        )
    return pd.DataFrame(rows)


def picture(frame: pd.DataFrame) -> Figure:
    """Seconds of each case."""
    figure, (axes,) = style.canvas("wide", 2.6)
    axes.barh(frame.case, frame.seconds, color=style.COLOURS[0])
    axes.invert_yaxis()
    axes.set_xlabel("seconds by the clock")
    style.title(axes, f"Choices among {frame.designs.min():,} to {frame.designs.max():,} designs", "wide")
    return figure


def main() -> None:
    recorded("choose_speed", __doc__.splitlines()[0], measured, picture)


if __name__ == "__main__":
    main()
