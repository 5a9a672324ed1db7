"""Scenarios on which `interval_coverage` tries whole answers: networks, closed clients, buffers, surges, commits."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from record import SCENARIOS
from tailrace.answer.result import Result
from tailrace.answer.run import simulate
from tailrace.measure.estimate import Estimate
from tailrace.quantity import Quantity
from tailrace.scenario.reading.read import load, parse
from tailrace.scenario.tables.scenario import Scenario

TENTH = 4_000
"""Requests of a replication at a tenth of the fewest that an answer takes by itself."""
TRUTH_SEED = 10**9
"""Seed of the long runs, beyond those of all others."""

ONE_DRIVE = """
[server]
media = {part = "PART", count = 1}
lanes = "LANES"
[[workload]]
name = "booking"
queue_depth = DEPTH
request_size = "4 KiB"
read_share = SHARE
"""

SURGES = """
[server.media]
kind = "generic"
servers = 4
service = {law = "exponential", mean = "4 ms"}
[[workload]]
name = "booking"
rate = "500 /s"
request_size = "8 KiB"
surge = {factor = 4, share = 0.1, length = "4 s"}
"""

COMMITS = """
[server.media]
kind = "generic"
service = {law = "exponential", mean = "1 ms"}
[[workload]]
name = "booking"
clients = 24
think_time = "4 ms"
[[workload.step]]
name = "commit"
request_size = "4 KiB"
read_share = 0
durable = true
group_commit = 8
"""


@dataclass(frozen=True)
class Case:
    """A scenario, what is asked of each of its classes, and how long the runs are that tell the truth."""

    name: str
    text: str
    asked: tuple[str, ...]
    long: int
    settings: tuple[str, ...] = ()

    @cached_property
    def scenario(self) -> Scenario:
        if self.text.endswith(".toml"):
            return load(SCENARIOS / self.text, self.settings)
        return parse(self.text, overrides=self.settings)

    def quantities(self) -> list[tuple[str, str]]:
        """Class and quantity, for every class; the rate only of those that make it themselves."""
        return [
            (each.name, quantity)
            for each in self.scenario.workload
            for quantity in self.asked
            if quantity != "rate" or not each.is_open
        ]

    def answer(self, seed: int, requests: int | None = None) -> dict[str, Estimate]:
        """The figures of one run, of a given length or of that which the rule finds."""
        settings = {"requests": requests, "precision": None} if requests else {}
        run = self.scenario.run.model_copy(update=settings)
        found = simulate(
            self.scenario.model_copy(update={"run": run}), seed=seed, engine="compiled", workers=1
        )
        several = len(self.scenario.workload) > 1
        return {
            f"{name} {asked}" if several else asked: figure(found, name, asked)
            for name, asked in self.quantities()
        }

    def truth(self, requests: int | None = None) -> dict[str, Estimate]:
        """The figures of long runs, or of runs as long as given."""
        return self.answer(TRUTH_SEED, requests or self.long)


def figure(result: Result, name: str, quantity: str) -> Estimate:
    """What a result says of a quantity of all requests of a class."""
    mine = next(each for each in result.classes if each.name == name)
    return mine.all.rate_per_s if quantity == "rate" else mine.all.latency_s[Quantity(quantity)]


def one_drive(part: str, lanes: str, depth: int, share: float) -> str:
    """A single drive and one client that keeps so many requests of 4 KiB going."""
    replaced = {"PART": part, "LANES": lanes, "DEPTH": str(depth), "SHARE": repr(share)}
    text = ONE_DRIVE
    for word, value in replaced.items():
        text = text.replace(word, value)
    return text


def write_back_closed() -> str:
    """Offices that write into protected memory as fast as they are answered."""
    lines = (SCENARIOS / "write-back.toml").read_text("utf-8").splitlines()
    changed = {"rate": "queue_depth = 4", "size": 'size = "64 MiB"'}
    kept = (changed.get(line.split(" ")[0], line) for line in lines)
    return "\n".join(line for line in kept if not line.startswith("surge"))


ALL = ("rate", "mean", "p50", "p99")
CASES = (
    Case("four stations in a row at 0.7", "four-stations.toml", ALL, 1_000_000, ("load=0.875",)),
    Case("mixed", "mixed.toml", ALL, 400_000),
    Case("capacity-flash", "capacity-flash.toml", ("rate", "mean"), 4_000_000),
    Case("spinning, depth 32", one_drive("spinning-7200", "serial-6", 32, 1.0), ALL, 400_000),
    Case(
        "spinning, depth 1,000", one_drive("spinning-7200", "serial-6", 1000, 1.0), ("rate", "mean"), 400_000
    ),
    Case(
        "flash, 70/30, depth 256", one_drive("flash-datasheet", "flash-datasheet", 256, 0.7), ALL, 1_000_000
    ),
    Case("write-back, closed", write_back_closed(), ALL, 400_000),
    Case("surges each 40 s", SURGES, ALL, 2_000_000),
    Case("group commit", COMMITS, ALL, 1_000_000),
    Case("degraded", "degraded.toml", ALL, 1_000_000),
)
