"""Do the 95 % intervals of whole answers hold the truth 95 % of the time?

Networks, closed clients, buffers, surges, commits and a degraded array, each as `tailrace run` answers it: with its own
pilot, length and replications (the full rule), and at a fixed length of a tenth of the least that it would take. The
truth is exact, or comes from long runs to within the half-width that stands beside it.
"""

from __future__ import annotations

import math
from argparse import Namespace
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import pandas as pd

from covered import Hits, Task, counted, picture, summed_up, table
from parallel import Parallel
from record import SCENARIOS, parser, recorded
from simulated import ONE_STATION
from tailrace.answer.result import Result
from tailrace.answer.run import simulate
from tailrace.measure.interval import IntervalEstimate
from tailrace.quantity import Quantity
from tailrace.scenario.reading.read import load, parse
from tailrace.scenario.tables.scenario import Scenario

TENTH = 4_000
"""Requests of a replication at a tenth of the fewest that an answer takes by itself."""
RUNS, DEAR = 200, 60
"""Runs of each case under each rule, and under the full rule of those that take ten seconds."""
RUNS_A_TASK = 10
TRUTH_SEED, TRUTH_REPLICATIONS = 10**9, 64
"""Seed of the long runs, beyond those of all others; and how many there are, so that their own error, a fifth of that
of a run of 16 as long as an answer, is none of the reasons for which intervals seem not to hold."""

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
    """A scenario, what is asked of each of its classes, and how long the runs are that tell the truth, or the truth."""

    name: str
    text: str
    asked: tuple[str, ...]
    long: int = 0
    settings: tuple[str, ...] = ()
    runs: int = RUNS
    exact: Mapping[str, float] | None = None

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

    def answer(self, seed: int, requests: int | None = None) -> dict[str, IntervalEstimate]:
        """The figures of one run, of a given length or of that which the rule finds."""
        settings = {"requests": requests, "precision": None} if requests else {}
        return self._found(seed, settings)

    def _found(self, seed: int, settings: Mapping[str, int | None]) -> dict[str, IntervalEstimate]:
        run = self.scenario.run.model_copy(update=settings)
        found = simulate(
            self.scenario.model_copy(update={"run": run}), seed=seed, engine="compiled", workers=1
        )
        several = len(self.scenario.workload) > 1
        return {
            f"{name} {asked}" if several else asked: figure(found, name, asked)
            for name, asked in self.quantities()
        }

    def truth(self, requests: int | None = None) -> dict[str, IntervalEstimate]:
        """What is known exactly, or the figures of long runs, or of runs as long as given."""
        if self.exact is not None:
            return {name: IntervalEstimate(each, each, each, 0, "exact") for name, each in self.exact.items()}
        if requests:
            return self.answer(TRUTH_SEED, requests)
        settings = {"requests": self.long, "replications": TRUTH_REPLICATIONS, "precision": None}
        return self._found(TRUTH_SEED, settings)


def figure(result: Result, name: str, quantity: str) -> IntervalEstimate:
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


def one_server(load: float) -> Case:
    """M/M/1: the latency is exponential."""
    mean_s = 1e-3 / (1.0 - load)
    known = {"mean": mean_s} | {f"p{p}": mean_s * -math.log1p(-p / 100) for p in (50, 95, 99)}
    text = ONE_STATION.replace("SERVERS", "1").replace("SERVICE", '{law = "exponential", mean = "1 ms"}')
    return Case(f"M/M/1 at {load}", text.replace("RATE", repr(1e3 * load)), tuple(known), exact=known)


ALL = ("rate", "mean", "p50", "p99")
CASES = (
    one_server(0.5),
    one_server(0.8),
    Case("four stations in a row at 0.7", "four-stations.toml", ALL, 1_000_000, ("load=0.875",)),
    # The median of its manifests lies in a gap of a lattice: its long run has to be far longer than its answers.
    Case("mixed", "mixed.toml", ALL, 1_600_000, runs=DEAR),
    Case("capacity-flash", "capacity-flash.toml", ("rate", "mean"), 1_000_000, runs=DEAR),
    Case("spinning, depth 32", one_drive("spinning-7200", "serial-6", 32, 1.0), ALL, 400_000),
    Case(
        "spinning, depth 1,000", one_drive("spinning-7200", "serial-6", 1000, 1.0), ("rate", "mean"), 400_000
    ),
    Case(
        "flash, 70/30, depth 256", one_drive("flash-datasheet", "flash-datasheet", 256, 0.7), ALL, 1_000_000
    ),
    Case("write-back, closed", write_back_closed(), ALL, 400_000, runs=DEAR),
    Case("surges each 40 s", SURGES, ALL, 1_000_000, runs=DEAR),
    Case("group commit", COMMITS, ALL, 1_000_000),
    Case("degraded", "degraded.toml", ALL, 1_000_000),
)


def tried(
    case: Case, known: dict[str, float], requests: int | None, seed: int, first: int, runs: int
) -> Hits:
    """Runs of a case under a rule."""
    hits = dict.fromkeys(known, (0, 0))
    for number in range(first, first + runs):
        hits = counted(hits, case.answer(1_000_000 * seed + number, requests), known)
    return hits


def measured(seed: int, quick: bool, only: str | None = None) -> pd.DataFrame:
    only = "group commit" if quick else only
    cases = [each for each in CASES if only in (None, each.name)]
    with Parallel(quick) as crew:
        long = 10 * TENTH if quick else None
        found = crew.run(Case.truth, [(each, long) for each in cases])
        truths = {case.name: truth for case, truth in zip(cases, found, strict=True)}
        tasks = []
        for rule, requests in ((f"{TENTH:,} requests", TENTH), ("full rule", None)):
            for case in cases:
                known = {
                    name: each.value for name, each in truths[case.name].items() if each.value is not None
                }
                count = 10 if quick else case.runs if requests is None else RUNS
                tasks += [
                    Task(
                        case.name, rule, RUNS_A_TASK, tried, (case, known, requests, seed, first, RUNS_A_TASK)
                    )
                    for first in range(0, count, RUNS_A_TASK)
                    if not (quick and requests is None)
                ]
        return table(tasks, crew, truths)


def main() -> None:
    question = __doc__.splitlines()[0]
    options = parser(question)
    said = "one case alone; all others stay in the table as they are"
    options.add_argument("--only", metavar="CASE", choices=[each.name for each in CASES], help=said)
    summed_up(recorded("answer_coverage", question, renewed, picture, options=options.parse_args()))


def renewed(given: Namespace) -> pd.DataFrame:
    """The table, of which all cases are measured, or only one."""
    frame = measured(given.seed, given.quick, given.only)
    if given.only is None:
        return frame
    kept = pd.read_csv(given.results / "answer_coverage.csv")
    whole = pd.concat([kept[kept.cell != given.only], frame])
    return whole.sort_values(["rule", "cell"], kind="stable", ignore_index=True)


if __name__ == "__main__":
    main()
