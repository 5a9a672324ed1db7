"""How often is the wrong design chosen among 200, and how many requests does a choice take?

Designs of one to eight drives, each with one to five servers of one of five kinds, fed at random: every drive is an
M/M/c, so that its p99 is known. Limits are drawn anew for each choice. Wrong is a design that breaks the promise, and a
lesser one called missed or overloaded that keeps it. Brute force answers every design that can carry its load.
"""

from __future__ import annotations

import math
import time
from collections.abc import Iterable

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from parallel import Parallel
from record import recorded
from tailrace.answer.run import simulate
from tailrace.report.pictures import style
from tailrace.scenario.reading.read import parse
from tailrace.scenario.tables.scenario import Scenario
from tailrace.study.choose import Choice, choose
from tailrace.theory import mmc_response_quantile

CHOICES, BRUTE = 200, 24
RATE = 3000.0
KINDS = {"a": (4e-3, 90), "b": (2.5e-3, 150), "c": (1.6e-3, 240), "d": (1.1e-3, 330), "e": (0.8e-3, 470)}
"""Mean service and price of a drive of each kind."""
DRIVES, SERVERS = range(1, 9), range(1, 6)
PER_SERVER = 40
"""What each further server of a drive costs: it is put on the price of the drive, which is why that is a key too."""
LIMITS_S = (3e-3, 30e-3)

BOX = """
[server]
price = 1000
[server.media]
kind = "generic"
count = 1
servers = SERVERS
price = PRICE
service = {law = "exponential", mean = "MEAN s"}
[[workload]]
name = "booking"
rate = "RATE /s"
request_size = "8 KiB"
[workload.target]
p99 = "LIMIT s"
"""


def box(kind: str, servers: int, limit_s: float, drives: int = 1) -> Scenario:
    mean_s, price = KINDS[kind]
    words = {
        "SERVERS": str(servers),
        "PRICE": str(price + PER_SERVER * (servers - 1)),
        "MEAN": repr(mean_s),
        "RATE": repr(RATE),
        "LIMIT": repr(limit_s),
    }
    text = BOX
    for word, value in words.items():
        text = text.replace(word, value)
    return parse(text, overrides=[f"server.media.count={drives}"])


def exact_p99_s(kind: str, servers: int, drives: int) -> float:
    """Of one of the drives, among which requests fall at random."""
    mean_s = KINDS[kind][0]
    if RATE / drives * mean_s >= servers:
        return math.inf
    return float(mmc_response_quantile(0.99, RATE / drives, 1 / mean_s, servers))


def chosen(seed: int) -> dict[str, object]:
    """One choice, and what is wrong with it."""
    low, high = np.log(LIMITS_S)
    limit_s = float(np.exp(np.random.default_rng(seed).uniform(low, high)))
    families = {f"{kind}{servers}": (kind, servers) for kind in KINDS for servers in SERVERS}
    began = time.process_time()
    found = choose(
        [box(*each, limit_s) for each in families.values()],
        {"server.media.count": list(DRIVES)},
        names=list(families),
        seed=seed,
        workers=1,
    )
    return {"limit_s": limit_s, "seconds": time.process_time() - began} | judged(found, families, limit_s)


def judged(found: Choice, families: dict[str, tuple[str, int]], limit_s: float) -> dict[str, object]:
    """What the closed forms say of a choice."""

    def keeps(name: str, drives: float) -> bool:
        return exact_p99_s(*families[name], int(drives)) <= limit_s

    said = [
        (each, keeps(each.candidate.name, float(each.candidate.settings[0].value))) for each in found.lesser
    ]
    broken = found.chosen is not None and not keeps(
        found.chosen.candidate.name, float(found.chosen.candidate.settings[0].value)
    )
    refused = sum(each.verdict in ("missed", "overloaded") and kept for each, kept in said)
    return {
        "designs": len(found.offers),
        "chosen": found.chosen is not None,
        "undecided": len(found.undecided),
        "broken": int(broken),
        "refused": refused,
        "simulated": sum(each.tried is not None and each.tried.requests > 0 for each in found.offers),
        "looks": found.looks,
        "requests": found.requests,
    }


def answered(seed: int, kind: str, servers: int, drives: int) -> int:
    """Requests that are measured to answer one design, in all replications."""
    return simulate(box(kind, servers, 10e-3, drives), seed=seed, workers=1).requests


def measured(seed: int, quick: bool) -> pd.DataFrame:
    """A row a choice; the requests of brute force from designs drawn among those that can carry their load."""
    stable = [
        (kind, servers, drives)
        for kind in KINDS
        for servers in SERVERS
        for drives in DRIVES
        if math.isfinite(exact_p99_s(kind, servers, drives))
    ]
    draw = np.random.default_rng(seed).permutation(len(stable))[: 1 if quick else BRUTE]
    with Parallel(quick) as crew:
        found = list(crew.run(chosen, [(1000 * seed + place,) for place in range(2 if quick else CHOICES)]))
        each = list(crew.run(answered, [(seed, *stable[place]) for place in draw]))
    frame = pd.DataFrame(found)
    frame["brute_force_requests"] = round(float(np.mean(each)) * len(stable))
    return frame


def picture(frame: pd.DataFrame) -> Figure:
    """Requests of a choice, as a share of brute force, over the limit."""
    figure, (axes,) = style.canvas("wide", 3.4)
    share = 100 * frame.requests / frame.brute_force_requests
    wrong = (frame.broken + frame.refused) > 0
    for place, (name, mine) in enumerate({"right": ~wrong, "wrong": wrong}.items()):
        look = style.line(place)
        if mine.any():
            axes.plot(
                1e3 * frame.limit_s[mine], share[mine], linestyle="none", marker=look.marker, color=look.colour,
                label=name,
            )  # fmt: skip
    style.log_axis(axes.xaxis)
    style.log_axis(axes.yaxis)
    axes.set_xlabel("promised p99, ms")
    axes.set_ylabel("requests, % of brute force")
    style.title(axes, f"{len(frame)} choices among {frame.designs.iloc[0]} designs", "wide")
    style.legend(figure, [axes], "wide", "")
    return figure


def summary(frame: pd.DataFrame) -> Iterable[str]:
    """What it comes to, in words."""
    wrong = int(((frame.broken + frame.refused) > 0).sum())
    share = float((frame.requests / frame.brute_force_requests).median())
    yield f"{wrong} of {len(frame)} choices are wrong"
    yield f"half of them take less than {share:.1%} of the requests of brute force, the dearest "
    yield f"{float((frame.requests / frame.brute_force_requests).max()):.1%}"


def main() -> None:
    question = __doc__.splitlines()[0]
    frame = recorded("choose", question, lambda given: measured(given.seed, given.quick), picture)
    for line in summary(frame):
        print(line)


if __name__ == "__main__":
    main()
