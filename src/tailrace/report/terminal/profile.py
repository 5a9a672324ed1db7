"""A trace on a terminal: what it asks for, when, where, and how far a class that resembles it differs."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from rich.console import Console, RenderableType
from rich.padding import Padding
from rich.table import Table as Grid
from rich.text import Text

from tailrace.fit.latencies import Distance
from tailrace.fit.resemblance import Likeness
from tailrace.quantity import Quantity
from tailrace.report.figures import change_text, duration_text, number, percent, time_text, unit_of
from tailrace.report.sentences import CAUTION
from tailrace.report.table import Cell, Column, Head, Table, known, table_of, unknown
from tailrace.report.terminal.layout import hanging, heading, text_of, under
from tailrace.trace.profile import Profile
from tailrace.trace.segments import Segment
from tailrace.units import write

MOST_SIZES = 8
SPELLS: tuple[Column[Segment], ...] = (
    Column(Head("from"), lambda each: duration_text(each.begin_s)),
    Column(Head("to"), lambda each: duration_text(each.end_s)),
    Column(Head("requests"), lambda each: f"{each.requests:,}"),
    Column(Head("requests/s"), lambda each: number(each.rate_per_s)),
    Column(Head("reads, %"), lambda each: known(each.read_share, percent)),
    Column(Head("scv of gaps"), lambda each: known(each.gap_scv, number)),
)
"""What is told of each spell of a trace."""


def profile_text(
    name: str,
    profile: Profile,
    likeness: Likeness | None = None,
    console: Console | None = None,
    spells: Sequence[Segment] = (),
) -> str:
    """All that is known of a trace, as text for a console: for one of 80 columns without colours if none is given."""

    def show(width: int) -> list[RenderableType]:
        return [
            Text(name, style="bold"),
            Text(),
            _table(profile),
            *_remarks(profile),
            *_sizes(profile, width),
            *_bursts(profile, width),
            *_touched(profile, width),
            *under("Conditions: spells of even rate", table_of(SPELLS, spells), width),
            *(_likeness(likeness, width) if likeness is not None else []),
        ]

    return text_of(show, console)


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
    known("duration", facts.duration_s, lambda value: time_text(value, 4))
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
    grid = Grid.grid(padding=(0, 2, 0, 0))
    for name, value in rows:
        grid.add_row(Text(name), Text(value))
    return Padding(grid, (0, 0, 0, 2))


def _remarks(profile: Profile) -> list[RenderableType]:
    remarks = profile.facts.remarks
    if profile.popularity is not None:
        remarks.append(
            f"Popularity is of items of 16 KiB, {profile.popularity.items:,} of them, by the "
            f"{profile.popularity.requests:,} requests outside of runs (no larger than an item, where there are "
            "enough); its interval takes these as independent."
        )
    return [Text(), *(hanging("-", remark) for remark in remarks)] if remarks else []


def _sizes(profile: Profile, width: int) -> list[RenderableType]:
    common = sorted(profile.facts.sizes or (), key=lambda each: -each[1])
    rows = [
        (_bytes(size), percent(count / profile.facts.rows)) for size, count in sorted(common[:MOST_SIZES])
    ]
    if len(common) > MOST_SIZES:
        others = sum(count for _, count in common[MOST_SIZES:])
        rows.append((f"{len(common) - MOST_SIZES} others", percent(others / profile.facts.rows)))
    return under("Sizes", Table.of(["size", "share, %"], rows), width)


def _bursts(profile: Profile, width: int) -> list[RenderableType]:
    rows = [
        (time_text(each.window_s, 4), f"{each.windows:,}", number(each.index, 4))
        for each in profile.dispersion
    ]
    title = "Bursts (variance over mean of the requests in a window; Poisson arrivals: 1)"
    return under(title, Table.of(["windows of", "number", "index of dispersion"], rows), width)


def _touched(profile: Profile, width: int) -> list[RenderableType]:
    rows = [
        (
            f"{place} tenth{'s' * (place > 1)}" if each.until_s is None else time_text(each.until_s, 4),
            _bytes(each.so_far_bytes),
            _bytes(each.in_period_bytes),
        )
        for place, each in enumerate(profile.touched, 1)
    ]
    heads = ["until", "touched so far", "in this tenth"]
    return under("Working set, in items of 16 KiB", Table.of(heads, rows), width)


def _likeness(likeness: Likeness, width: int) -> list[RenderableType]:
    answers = likeness.trace, likeness.resembling
    if not all(answer.classes for answer in answers):
        which = "the trace" if not answers[0].classes else "the class that resembles it"
        return [*heading("Simulated"), Text(f"  The server is overloaded by {which}; no latency is quoted.")]
    recorded, drawn = (answer.classes[0].all.latency_s for answer in answers)
    unit = unit_of("time", [each.value for column in (recorded, drawn) for each in column.values()])
    rows: list[list[Cell]] = []
    for name in recorded:
        one, two = recorded[name].value, drawn[name].value
        apart = unknown() if one is None or two is None else change_text(two / one - 1)
        rows.append([Quantity(name).shown, unit.of(recorded[name]), unit.of(drawn[name]), apart])
    given = Table.of([f"latency, {unit.name}", "trace", "resembling", "difference, %"], rows)
    said = [Text(), Text(distance_sentence(likeness.distance))] if likeness.distance is not None else []
    return [
        *under("Simulated: the trace, and the class that resembles it", given, width),
        *said,
        Text(CAUTION),
    ]


def _bytes(size: float) -> str:
    for unit, factor in (("GiB", 2**30), ("MiB", 2**20), ("KiB", 2**10)):
        if size >= factor:
            whole = size % factor == 0 and size < 1024 * factor
            return write(int(size), "size") if whole else f"{size / factor:.4g} {unit}"
    return f"{size:g} B"
