"""What three people see: the commands, outputs and pictures that the README shows, from real runs.

Beside them, what plain multiplication says of the same scenarios, and sentences on accuracy and speed, read from the
tables that other experiments left in results/. ``--text-only`` puts all of it into the README and the manual again
without any run.
"""

from __future__ import annotations

import argparse
import json
import re
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd

from record import ROOT, SCENARIOS, Record, arguments
from tailrace import plots
from tailrace.answer.result import Result
from tailrace.answer.run import simulate
from tailrace.forecast.edge import drives_share
from tailrace.forecast.saturation import offered_load
from tailrace.report.files.documents import as_json
from tailrace.report.terminal.results import as_text
from tailrace.scenario.reading.read import load
from tailrace.scenario.tables.scenario import Scenario

DOCUMENTS = (ROOT / "README.md", ROOT / "src" / "tailrace" / "guide" / "accuracy.md")
"""Where outputs, tables and sentences stand between markers."""
CUT = "[...]"
"""Stands for what an output says beside the part that is shown."""

USERS = {
    "architect": (
        "mixed.toml",
        ("Targets",),
        "Where the time of bookings and manifests goes, of all requests and of the slowest 1 %",
    ),
    "researcher": (
        "booking-flash-busy.toml",
        (),
        "Share of requests that take longer than a latency, with the target and the closed form",
    ),
    "educator": (
        "one-station.toml",
        ("Theory",),
        "Mean and p99 over the load, simulated and by closed form, up to saturation",
    ),
}
"""The scenario of each, the sections of its answer that are shown, and what is to be seen in the picture."""

PLAIN = ("booking-flash-busy.toml", "booking-spinning.toml", "mixed.toml")


def excerpt(answer: str, sections: tuple[str, ...]) -> str:
    """The first lines of an answer and some of its sections, the place of others marked."""
    blocks = answer.rstrip("\n").split("\n\n")
    first = next(place for place, block in enumerate(blocks) if "\n  " in block)
    shown: list[str] = []
    within = True
    for place, block in enumerate(blocks):
        if not block.startswith(" "):
            within = place < first or block.partition("\n")[0] in sections
        # The times at the stages follow the figures of a class; the picture shows them.
        if within and not block.startswith(" "):
            shown.append(block)
        elif not shown or shown[-1] != CUT:
            shown.append(CUT)
    return "\n\n".join(shown) + "\n"


def one_figure(document: dict[str, Any]) -> str:
    """How a figure stands in the JSON document: the p99 of the first class, all requests together."""
    return json.dumps(document["classes"][0]["latency_s"]["p99"], indent=2, ensure_ascii=False) + "\n"


def by_multiplication(name: str, scenario: Scenario, result: Result) -> dict[str, object]:
    """Size times rate against what so many drives carry, beside what the simulation finds of the first class."""
    first = result.classes[0]
    asked = sum(each.rate * each.clients * each.mean_size for each in scenario.workload if each.is_open)
    share = drives_share(offered_load(scenario, result.seed))
    target = scenario.workload[0].target
    assert target is not None
    limit_s = dict(target.limits)["p99"]
    p99 = first.all.latency_s["p99"]
    return {
        "scenario": name,
        "digest": scenario.digest,
        "asked_bytes_per_s": asked,
        "drives": scenario.server.media.count,
        "drives_carry_bytes_per_s": asked / share,
        "p99_s": p99.value,
        "p99_low_s": p99.low,
        "p99_high_s": p99.high,
        "limit_s": limit_s,
        "verdict": result.verdict,
    }


def measured(record: Record, seed: int, quick: bool) -> None:
    """Run, and leave outputs, pictures and tables."""
    overrides = ["run.requests=4000", "run.replications=4"] if quick else []
    # Answers of the command line are by the scenario's own seed, as in a user's terminal.
    names = dict.fromkeys([*(name for name, *_ in USERS.values()), *PLAIN])
    scenarios = {name: load(SCENARIOS / name, overrides) for name in names}
    answers = {name: simulate(each) for name, each in scenarios.items()}
    rows = []
    for user, (name, sections, _) in USERS.items():
        scenario, answer = scenarios[name], answers[name]
        if user == "researcher":
            record.text(one_figure(json.loads(as_json(answer))), user)
            figure = plots.latency_distribution(answer)
        elif user == "educator":
            record.text(excerpt(as_text(answer), sections), user)
            length = (
                {"requests": 1000, "replications": 4} if quick else {"requests": 20_000, "replications": 16}
            )
            figure = plots.load_curve(plots.load_points(scenario, seed=seed, **length))
        else:
            record.text(excerpt(as_text(answer), sections), user)
            figure = plots.time_per_stage(answer)
        record.picture(figure, user)
        rows.append({"user": user, "scenario": name, "digest": scenario.digest, "verdict": answer.verdict})
    record.table(pd.DataFrame(rows))
    record.table(
        pd.DataFrame([by_multiplication(name, scenarios[name], answers[name]) for name in PLAIN]), "plain"
    )


# What stands in README and manual


def _three(value: float) -> str:
    """Three significant digits, with thousands apart."""
    return f"{float(f'{value:.3g}'):,g}" if value < 1e5 else f"{float(f'{value:.3g}'):,.0f}"


def shown(user: str, results: Path) -> str:
    """The output of one of the three, and the picture."""
    said = (results / f"tour_{user}.txt").read_text(encoding="utf-8")
    language = "json" if user == "researcher" else "text"
    return f"```{language}\n{said}```\n\n![{USERS[user][2]}](results/tour_{user}.png)\n"


def plain(results: Path) -> str:
    """The table of plain multiplication, in MB/s and ms, narrow enough for a terminal."""
    lines = [
        "| scenario | asked | drives | enough | p99 | limit | verdict |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for row in pd.read_csv(results / "tour_plain.csv").to_dict("records"):
        asked, carried = row["asked_bytes_per_s"] / 1e6, row["drives_carry_bytes_per_s"] / 1e6
        half = 1e3 * (row["p99_high_s"] - row["p99_low_s"]) / 2
        name = row["scenario"].removesuffix(".toml")
        lines.append(
            f"| `{name}` | {_three(asked)} | {_three(carried)} | {carried / asked:.3g} times"
            f" | {1e3 * row['p99_s']:.3g} ±{half:.1g} | {1e3 * row['limit_s']:g} | {row['verdict']} |"
        )
    return "\n".join(lines) + "\n"


def accuracy(results: Path) -> str:
    """A sentence for each table that is there."""
    known: dict[str, Callable[[pd.DataFrame], str]] = {
        "mmc_tail": _tails,
        "interval_coverage": _coverage,
        "answer_coverage": _answers,
        "overload": _overloads,
        "headroom": _brackets,
        "calibration": _calibrated,
        "speed": _speed,
    }
    entries = json.loads((results / "manifest.json").read_text())
    said = []
    for name, sentence in known.items():
        file = results / f"{name}.csv"
        if file.exists() and not entries[name]["quick"]:
            said.append(f"- {sentence(pd.read_csv(file))} (`results/{name}.csv`)\n")
    return "".join(said)


def _calibrated(frame: pd.DataFrame) -> str:
    form, run = (frame[frame["by"] == by] for by in ("closed form", "simulation"))
    return (
        "Parameters of drives fitted back to points with 5 % of noise: 95 % intervals held the true value in"
        f" {100 * form.share.min():.1f} to {100 * form.share.max():.1f} % of {form.fits.max():,} fits by closed forms,"
        f" and in {run.held.min()} to {run.held.max()} of {run.fits.max()} through the simulation, by parameter."
    )


def _tails(frame: pd.DataFrame) -> str:
    with_interval = frame.dropna(subset=["low"])
    held = (with_interval.low <= with_interval.exact_s) & (with_interval.exact_s <= with_interval.high)
    off = (with_interval.simulated / with_interval.exact_s - 1).abs()
    return (
        f"Quantiles of M/M/c, p50 to p99.9, against the exact ones: {len(with_interval)} with an interval, which holds"
        f" the exact value in {held.sum()} of them; the median difference is {off.median():.2%}, the largest"
        f" {off.max():.1%}."
    ).replace("%", " %")


def _coverage(frame: pd.DataFrame) -> str:
    held = f"{frame.held.sum() / frame.given.sum():.1%}".replace("%", " %")
    return (
        f"Intervals that say 95 % hold the exact value in {held} of {frame.given.sum():,}, at fixed lengths."
    )


def _answers(frame: pd.DataFrame) -> str:
    kept = [
        f"{part.held.sum() / part.given.sum():.1%} of {part.given.sum():,} ({rule};"
        f" {(part.runs - part.given).sum():,} more could not be given)"
        for rule, part in frame.groupby("rule", sort=False)
    ]
    given = frame[frame.given > 0]
    worst = given.loc[(given.held / given.given).idxmin()]
    share = f"{worst.held / worst.given:.0%} of {worst.given}"
    least = f"{share} for the {worst.quantity} of {worst.cell} ({worst['rule']})"
    return (
        f"Whole answers, of networks, closed clients, buffers and surges too: such intervals hold the exact value, or"
        f" that of long runs, in {' and '.join(kept).replace('%', ' %')}. By cell they do least often in"
        f" {least.replace('%', ' %')}."
    )


def _overloads(frame: pd.DataFrame) -> str:
    *others, last = frame.verb.unique()
    verbs = f"{', '.join(others)} and {last}" if others else last
    share = frame.share_of_saturation
    below, above, closed = (
        {name: int(part[name].sum()) for name in ("runs", "stable", "unclear", "overloaded")}
        for part in (frame[share < 1], frame[share > 1], frame[share.isna()])
    )
    never = (
        f"; of {closed['runs']} of closed classes, which overload nothing, {closed['overloaded']} overloaded and"
        f" {closed['unclear']} unclear"
    )
    return (
        f"Judged by {verbs}: of {below['runs']} answers below saturation (0.90 to 0.98 of it)"
        f" {below['overloaded']} were called overloaded and {below['unclear']} unclear; of {above['runs']} above it"
        f" (1.02 to 1.10) {above['overloaded']} overloaded, {above['unclear']} unclear and {above['stable']} stable"
        f"{never if closed['runs'] else ''}."
    )


def _brackets(frame: pd.DataFrame) -> str:
    known = frame.dropna(subset=["holds"])
    share = frame.requests.sum() / frame.brute_force_requests.sum()
    return (
        f"Headroom against brute force over the whole range: {int(known.holds.astype(bool).sum())} of {len(known)}"
        f" brackets hold what it finds, at {100 * share:.0f} % of its requests."
    )


def _speed(frame: pd.DataFrame) -> str:
    fast = frame[frame.contender == "compiled engine"].set_index("model")
    each = "; ".join(
        f"{_three(row.requests_per_s)} requests/s of `{name}.toml`, {row.times_reference:.0f} times the reference one"
        for name, row in fast[fast.index.str.startswith("booking")].iterrows()
    )
    return f"Speed of the compiled engine: {each}."


def filled(document: str, results: Path) -> str:
    """All between markers as the results have it. Raises ValueError for an unknown marker."""
    parts: dict[str, Callable[[], str]] = {user: lambda user=user: shown(user, results) for user in USERS}
    parts |= {"plain": lambda: plain(results), "measured": lambda: accuracy(results)}

    def fill(found: re.Match[str]) -> str:
        if found["name"] not in parts:
            raise ValueError(f"marker {found['name']!r}; accepted: {', '.join(parts)}")
        return f"{found['begin']}\n{parts[found['name']]()}{found['end']}"

    marked = r"(?P<begin><!-- tour: (?P<name>\w+) -->)\n.*?(?P<end><!-- end -->)"
    return re.sub(marked, fill, document, flags=re.DOTALL)


def refresh(results: Path) -> None:
    """Put what is in the results into README and manual."""
    for path in DOCUMENTS:
        path.write_text(filled(path.read_text(encoding="utf-8"), results), encoding="utf-8")


def main() -> None:
    if sys.argv[1:] == ["--text-only"]:
        refresh(ROOT / "results")
        return
    options: argparse.Namespace = arguments(
        __doc__.splitlines()[0] + " With --text-only alone: without runs."
    )
    record = Record("tour", options)
    measured(record, options.seed, options.quick)
    record.close()
    if options.results.resolve() == ROOT / "results" and not options.quick:
        refresh(options.results)


if __name__ == "__main__":
    main()
