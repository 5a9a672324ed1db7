"""A trace on a terminal: what it asks for, when, where, and how far a class that resembles it differs."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict
from importlib.metadata import version
from typing import Any

from rich.console import Console, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from tailrace.fit.latencies import Distance
from tailrace.fit.resemblance import Likeness
from tailrace.report.figures import TIME_UNITS, aligned, interval_figure, number, percent, time_unit
from tailrace.report.sentences import CAUTION
from tailrace.report.terminal.answer import LATENCIES
from tailrace.report.terminal.layout import as_text, hanging, heading, plain_table
from tailrace.trace.profile import Profile
from tailrace.units import write

MOST_SIZES = 8


def profile_text(
    name: str, profile: Profile, likeness: Likeness | None = None, console: Console | None = None
) -> str:
    """All that is known of a trace, as text for a console: for one of 80 columns without colours if none is given."""
    parts: list[RenderableType] = [Text(name, style="bold"), Text(), _table(profile), *_remarks(profile)]
    parts += [*_sizes(profile), *_bursts(profile), *_touched(profile)]
    if likeness is not None:
        parts += _likeness(likeness)
    return as_text(lambda _: parts, console)


def profile_json(name: str, profile: Profile, likeness: Likeness | None = None) -> str:
    """All that is known of a trace as one JSON document, in SI units."""
    document: dict[str, Any] = {"tailrace": version("tailrace"), "trace": name, **profile.as_dict()}
    if likeness is not None:
        document["simulated"] = {
            "trace": likeness.trace.as_dict(),
            "resembling": likeness.resembling.as_dict(),
            "distance": None if likeness.distance is None else asdict(likeness.distance),
        }
    return json.dumps(document, indent=2, allow_nan=False) + "\n"


def distance_sentence(distance: Distance) -> str:
    """A distance beside what chance alone would show."""
    near = "no more than" if distance.value <= 2 * distance.floor else "beside"
    return (
        f"The distributions lie {percent(distance.value)} % of the mean apart (root mean square of the differences of "
        f"1,000 quantiles), {near} the {percent(distance.floor)} % between two halves of the simulated ones."
    )


def _table(profile: Profile) -> RenderableType:
    facts, rows = profile.facts, list[tuple[str, str]]()

    def known(name: str, value: float | int | None, text: Callable[[float], str]) -> None:
        rows.append((name, "–" if value is None else text(value)))

    known("requests", facts.rows, lambda value: f"{value:,}")
    known("duration", facts.duration_s, _time)
    known("rate, /s", profile.rate_per_s, lambda value: number(value, 5))
    known("clients", facts.clients, lambda value: f"{value:,}")
    known("reads, %", profile.read_share, percent)
    known("mean size, B", profile.mean_size, lambda value: number(value, 5))
    known("largest size, B", facts.largest, lambda value: f"{value:,}")
    known("addresses reach over", profile.span, _bytes)
    known("sequential, %", profile.sequential_share, percent)
    known("aligned to their size, %", profile.aligned_share, percent)
    known("gaps: squared coefficient of variation", profile.gap_scv, lambda value: number(value, 4))
    fitted = profile.popularity
    zipf = "–" if fitted is None else f"{fitted.exponent:.3f} ({fitted.low:.3f} to {fitted.high:.3f})"
    rows.append(("popularity: Zipf exponent (95 % interval)", zipf))
    if fitted is not None:
        rows.append(("  largest misfit of that law, %", percent(fitted.misfit)))
    table = Table.grid(padding=(0, 2, 0, 0))
    for name, value in rows:
        table.add_row(Text(name), Text(value))
    return Padding(table, (0, 0, 0, 2))


def _remarks(profile: Profile) -> list[RenderableType]:
    facts, remarks = profile.facts, list[str]()
    if facts.bad:
        examples = "; ".join(f"line {line}: {reason}" for line, reason in facts.examples)
        remarks.append(f"{facts.bad:,} bad rows were left out ({examples}).")
    if facts.passed_over:
        remarks.append(f"{facts.passed_over:,} rows of other kinds were passed over.")
    if facts.disordered:
        remarks.append(f"{facts.disordered:,} rows came after a later one and were sorted by time.")
    if profile.popularity is not None:
        remarks.append(
            f"Popularity is of items of 16 KiB, {profile.popularity.items:,} of them, by the "
            f"{profile.popularity.requests:,} requests outside of runs (no larger than an item, where there are "
            "enough); its interval takes these as independent."
        )
    return [Text(), *(hanging("-", remark) for remark in remarks)] if remarks else []


def _sizes(profile: Profile) -> list[RenderableType]:
    sizes, rows = profile.facts.sizes, profile.facts.rows
    if sizes is None:
        return []
    table = plain_table("size", "share, %")
    common = sorted(sizes, key=lambda each: -each[1])
    for size, count in sorted(common[:MOST_SIZES]):
        table.add_row(Text(_bytes(size)), percent(count / rows))
    if len(common) > MOST_SIZES:
        table.add_row(
            Text(f"{len(common) - MOST_SIZES} others"), percent(sum(c for _, c in common[MOST_SIZES:]) / rows)
        )
    return [*heading("Sizes"), Padding(table, (0, 0, 0, 2))]


def _bursts(profile: Profile) -> list[RenderableType]:
    if not profile.dispersion:
        return []
    table = plain_table("windows of", "number", "index of dispersion")
    for each in profile.dispersion:
        table.add_row(Text(_time(each.window_s)), f"{each.windows:,}", number(each.index, 4))
    return [
        *heading("Bursts (variance over mean of the requests in a window; Poisson arrivals: 1)"),
        Padding(table, (0, 0, 0, 2)),
    ]


def _touched(profile: Profile) -> list[RenderableType]:
    if not profile.touched:
        return []
    table = plain_table("until", "touched so far", "in this tenth")
    for place, each in enumerate(profile.touched, 1):
        until = f"{place} tenths" if each.until_s is None else _time(each.until_s)
        table.add_row(Text(until), _bytes(each.so_far_bytes), _bytes(each.in_period_bytes))
    return [*heading("Working set, in items of 16 KiB"), Padding(table, (0, 0, 0, 2))]


def _likeness(likeness: Likeness) -> list[RenderableType]:
    answers = likeness.trace, likeness.resembling
    if not all(answer.classes for answer in answers):
        which = "the trace" if not answers[0].classes else "the class that resembles it"
        return [*heading("Simulated"), Text(f"  The server is overloaded by {which}; no latency is quoted.")]
    figures = [answer.classes[0].all.latency_s for answer in answers]
    unit = time_unit(each.value for column in figures for each in column.values() if each.value is not None)
    table = plain_table(f"latency, {unit}", "trace", "resembling", "difference, %")
    columns = [
        aligned([interval_figure(column[key].scaled(1 / TIME_UNITS[unit])) for key in LATENCIES])
        for column in figures
    ]
    for key, recorded, drawn in zip(LATENCIES, *columns, strict=True):
        one, two = figures[0][key].value, figures[1][key].value
        apart = "–" if one is None or two is None else f"{100 * (two / one - 1):+.1f}".replace("-", "−")
        table.add_row(Text(LATENCIES[key]), recorded, drawn, apart)
    said = [Text(), Text(distance_sentence(likeness.distance))] if likeness.distance is not None else []
    return [
        *heading("Simulated: the trace, and the class that resembles it"),
        Padding(table, (0, 0, 0, 2)),
        *said,
        Text(CAUTION),
    ]


def _time(seconds: float) -> str:
    unit = time_unit([seconds])
    return f"{number(seconds / TIME_UNITS[unit], 4)} {unit}"


def _bytes(size: float) -> str:
    for unit, factor in (("GiB", 2**30), ("MiB", 2**20), ("KiB", 2**10)):
        if size >= factor:
            return (
                write(int(size), "size")
                if size % factor == 0 and size < 1024 * factor
                else f"{size / factor:.4g} {unit}"
            )
    return f"{size:g} B"
