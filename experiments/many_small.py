"""How many small servers are as good as a large one at the same p99, beside plain division?

The large server is loaded to a share of what it carries, and its p99 is what is allowed. The same requests go to so
many small servers that theirs is no longer, found by bisection. One exponential drive each, the large one as fast as
four: the number is exact where each request goes where its data lie, and follows from the mean-field law, for endlessly
many servers, where the less busy of two copies is read. Flash servers: the large one has four times the cores, drives
and ports of a small one, none of its cores and drives faster.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from scipy.optimize import brentq

import drawn
from balance import mean_field_s
from copies import PARTS, carrying
from record import recorded
from simulated import Runs, by_runs
from tailrace.lessons.servers import SERVICE_S, arriving, cluster, station
from tailrace.measure.interval import IntervalEstimate
from tailrace.scenario.reading.read import parse
from tailrace.theory import mmc_response_quantile

TIMES = 4
"""Small servers by plain division."""
WAYS: Mapping[str, tuple[int, str]] = {"where data lie": (1, "first"), "less busy of two": (2, "least busy")}
MOST = 32
"""Small servers up to which is looked."""
EXPONENTIAL, REAL = "exponential drive", "flash server"
LOADS = {EXPONENTIAL: (0.82, 0.85, 0.88, 0.92), REAL: (0.5, 0.7, 0.9)}
"""Of the large server, as shares of what it carries."""
LARGE = PARTS.replace("cores = 2", "cores = 8").replace("count = 2", "count = 8").replace("25 Gb", "100 Gb")


def text(server: str, small: bool) -> str:
    """The server as TOML."""
    if server == EXPONENTIAL:
        return station() if small else station(mean=f"{1e3 * SERVICE_S / TIMES} ms")
    return PARTS if small else LARGE


def closed_form(server: str, way: str, load: float) -> float:
    """The number of small servers with the p99 of the large one, not rounded; NaN where no closed form is known."""
    if server != EXPONENTIAL:
        return np.nan
    rate = load * TIMES / SERVICE_S
    allowed_s = float(mmc_response_quantile(0.99, rate, TIMES / SERVICE_S))

    def above(small: float) -> float:
        if way == "less busy of two":
            return mean_field_s("p99", small) - allowed_s
        return float(mmc_response_quantile(0.99, small / SERVICE_S, 1 / SERVICE_S)) - allowed_s

    return load * TIMES / float(brentq(above, 1e-3, 0.999))


class Search:
    """Runs of one large server at one load, and of small ones at its requests."""

    def __init__(self, runs: Runs, server: str, load: float) -> None:
        self._runs, self._server = runs, server
        self.rate_per_s = load * carrying(text(server, small=False) + arriving(1000.0))
        self._small = carrying(text(server, small=True) + arriving(1000.0))
        self.allowed = self._p99(text(server, small=False), load, 3 if server == EXPONENTIAL else 1)
        assert self.allowed.value is not None

    def _p99(self, scenario: str, load: float, longer: int = 1) -> IntervalEstimate:
        idle = max(1 - load, 0.03)
        usual = 1500 if self._runs.quick else 2500
        requests = longer * int(min(max(12_000, usual / idle**2), 60_000 if self._runs.quick else 120_000))
        found, _ = self._runs.figures(parse(scenario + arriving(self.rate_per_s)), requests)
        return found["booking"].latency_s["p99"]

    def of(self, way: str, count: int) -> IntervalEstimate:
        """The p99 of so many small ones; not known where they cannot carry it."""
        load = self.rate_per_s / (self._small * count)
        if load > 0.97:
            return IntervalEstimate.unknown(0, "overloaded or nearly so")
        return self._p99(text(self._server, small=True) + cluster(count, *WAYS[way]), load)

    def needed(self, way: str) -> dict[str, object]:
        """The least number whose p99 is as allowed, by bisection, with both sides of it."""
        low, high = TIMES - 1, MOST
        seen: dict[int, IntervalEstimate] = {}
        while high - low > 1:
            middle = min((low + high) // 2, 2 * low)  # upwards by doubling: the dear runs are few
            seen[middle] = self.of(way, middle)
            low, high = (low, middle) if self._keeps(seen[middle]) else (middle, high)
        kept, broken = seen.get(high), seen.get(low)
        return {
            "needed": high if kept else np.nan,
            "p99_s": kept.value if kept else None,
            "p99_high_s": kept.high if kept else None,
            "one_less_p99_s": broken.value if broken else None,
            "one_less_p99_low_s": broken.low if broken else None,
        }

    def _keeps(self, found: IntervalEstimate) -> bool:
        # A p99 that is not known is that of a queue so full that its runs are too short: far too slow.
        return found.value is not None and found.value <= float(self.allowed.value or 0.0)


def measured(runs: Runs) -> pd.DataFrame:
    found = []
    for server in (EXPONENTIAL,) if runs.quick else LOADS:
        for load in (0.82,) if runs.quick else LOADS[server]:
            search = Search(runs, server, load)
            found += [
                {"server": server, "load": load, "rate_per_s": search.rate_per_s, "way": way}
                | {"allowed_s": search.allowed.value}
                | {"allowed_low_s": search.allowed.low, "allowed_high_s": search.allowed.high}
                | {"plain": TIMES, "closed_form": closed_form(server, way, load)}
                | search.needed(way)
                for way in WAYS
            ]
    return pd.DataFrame(found)


def picture(frame: pd.DataFrame) -> Figure:
    servers = list(frame.server.unique())
    nothing = dict.fromkeys(("simulated", "low", "high"), np.nan)
    figure, axes = drawn.panels(1, len(servers), 4.3)
    for axis, server in zip(axes, servers, strict=True):
        for place, (way, part) in enumerate(frame[frame.server == server].groupby("way", sort=False)):
            found = pd.DataFrame({"simulated": part.needed, "low": part.needed, "high": part.needed})
            drawn.compared(axis, 100 * part.load, part.closed_form, part.assign(**nothing), place, way)
            # side by side where they would lie on each other
            drawn.marks(axis, 100 * part.load + 0.6 * (place - 0.5), found, place)
        drawn.bound(axis, 100 * part.load, part.plain, "plain division")
        drawn.title(axis, server)
        axis.set_xlabel("load of the large server, %")
        axis.set_ylim(0, 1.12 * frame[frame.server == server].needed.max())
    axes[0].set_ylabel("small servers with its p99")
    said = "lines: closed forms, not rounded; marks: simulated"
    drawn.legend(figure, axes, said)
    return figure


def main() -> None:
    recorded("many_small", __doc__.splitlines()[0], by_runs(measured), picture)


if __name__ == "__main__":
    main()
