"""Small blocks: the pictures and the reasoning."""

from __future__ import annotations

from tailrace.lessons.lesson import Chapter, Drawing, Lesson, told, written
from tailrace.lessons.lines import Panel, Series, drawing
from tailrace.lessons.small_blocks.run import DEPTHS, LARGE, SIZES, SMALL, SmallBlocks
from tailrace.lessons.trials import known, seen
from tailrace.report.figures import byte_size
from tailrace.report.pictures.curves import block_size_curve
from tailrace.report.pictures.stages import stacked_time
from tailrace.report.table import Cell, Table


def lesson(found: SmallBlocks) -> Lesson:
    """The lesson, from what was found."""
    parts = found.parts_s()
    times = {name: dict(zip(SIZES, seconds, strict=True)) for name, seconds in parts.items()}
    fixed_ms = 1e3 * (times["seek"][SMALL] + times["rotation"][SMALL])
    arm, flash = seen(found.spinning), seen(found.flash)[SMALL]
    small, large = arm[SMALL], arm[LARGE]
    single = [known(each.rate_per_s) for curve in (found.whole, found.tenth) for each in seen(curve).values()]
    return Lesson(
        "A spinning drive reads large blocks about as fast as its data sheet says, and small ones some thousand "
        "times more slowly. Nothing is wrong with it: before the first byte comes, the arm has to move and the platter "
        "to turn, and that takes as long for half a kibibyte as for eight mebibytes.",
        (
            Chapter(
                "Where the time goes",
                (
                    "Each bar is the mean time of one read at a random place, one read at a time, in shares. The arm "
                    "seeks, the drive waits until the sector comes round, and then the data pass under the head. Only "
                    "the last part depends on how much is read.",
                    f"At 8 KiB seek and rotation take {written(fixed_ms)} ms, the transfer "
                    f"{written(1e3 * times['transfer'][SMALL])} ms: nearly all of the time goes into getting there. "
                    f"At 8 MiB the transfer takes {written(1e3 * times['transfer'][LARGE])} ms, and getting there "
                    "matters far less.",
                    "The parts were found by taking them away: the same drive was simulated with an arm that needs "
                    "no time, and again with a platter that also turns a hundred times faster, at the same rate of "
                    "transfer. What each saves is what that part costs.",
                ),
                (
                    Drawing(
                        "time",
                        lambda width: stacked_time(
                            [byte_size(size) for size in SIZES],
                            parts,
                            "size of a request",
                            shares=True,
                            width=width,
                        ),
                        "Stacked bars of the shares of the time of a read on a spinning drive: seek and rotation are "
                        "nearly all of it up to 128 KiB, the transfer is most of it at 8 MiB.",
                        "Above each bar the whole time. A block of 512 B takes nearly as long as one of 128 KiB, "
                        "and hardly any of that time moves data.",
                        (("Mean time of a read", _time_table(parts)),),
                    ),
                ),
            ),
            Chapter(
                "Rate and throughput are one figure",
                (
                    "Throughput is the size of a request times the rate of requests, always. So whoever fixes one "
                    "of them with the size has fixed the other.",
                    f"The spinning drive serves {told(small.rate_per_s)} requests/s of 8 KiB, which are "
                    f"{told(small.throughput_bytes_per_s, 1e-6)} MB/s; of 8 MiB it serves {told(large.rate_per_s)} /s, "
                    f"and these are {told(large.throughput_bytes_per_s, 1e-6)} MB/s. For small blocks the rate is "
                    "constant and the throughput collapses with the size; for large ones it is the other way round.",
                    f"The flash drive has no arm and no turn. One read at a time, it serves "
                    f"{told(flash.rate_per_s)} of 8 KiB each second; it too has a fixed time before the "
                    "first byte, but of tens of microseconds, and so its bend lies at other sizes.",
                ),
                (
                    Drawing(
                        "rate",
                        lambda width: block_size_curve(
                            {"spinning drive": found.spinning, "flash drive": found.flash}, width=width
                        ),
                        "Requests per second and throughput over the size of a request, spinning drive and flash "
                        "drive. Up to some size the rate is flat, beyond it the throughput.",
                        "One read at a time. Above the rate, below the throughput: the same line times the size.",
                        (("Points of the lines", _rate_table(found)),),
                    ),
                ),
            ),
            Chapter(
                "Why one figure for a drive says little",
                (
                    "People like to know a spinning drive by one number of requests per second. It holds for one "
                    "block size, one queue depth and one span of the platter, and for nothing else.",
                    f"The same drive and the same reads of 8 KiB: between {written(min(single))} and "
                    f"{written(max(single))} requests/s. A deep queue lets the drive choose whichever read is next "
                    "on its way, and a short span keeps the arm from travelling; each of them costs something that "
                    "the figure does not say, latency or capacity.",
                    "A figure of this kind is right within a few per cent as long as size, depth and span are what "
                    "it was taken at, and the blocks are small. With the blocks large, or the queue short, it is "
                    "wrong by several times.",
                ),
                (
                    drawing(
                        "figure",
                        _deep(found),
                        "queue depth",
                        "Requests of 8 KiB per second over the queue depth: the whole drive and a tenth of it.",
                        "The larger the choice and the shorter the way, the more the same drive does.",
                        written,
                    ),
                ),
            ),
        ),
        "A drive of 4 TB at 5,400 turns a minute with seeks of 0.9, 10 and 21 ms (shortest, average, longest) and "
        "180 MB/s at the outer edge, 90 MB/s at the inner one, and a flash drive of 64 dies on two lanes of "
        "generation 4; random reads by one client that does not think between them. The spinning drive takes the "
        "shortest access first.",
    )


def _deep(found: SmallBlocks) -> tuple[Panel, ...]:
    return (
        Panel(
            "requests of 8 KiB, /s",
            tuple(
                Series(label, DEPTHS, tuple(seen(curve)[depth].rate_per_s for depth in DEPTHS))
                for label, curve in (("whole drive", found.whole), ("outer tenth of it", found.tenth))
            ),
            1.0,
            logarithmic=False,
        ),
    )


def _time_table(parts: dict[str, list[float]]) -> Table:
    rows = [
        (byte_size(size), *(written(1e3 * seconds[place]) for seconds in parts.values()))
        for place, size in enumerate(SIZES)
    ]
    return Table.of(["size of a request", *(f"{name}, ms" for name in parts)], rows)


def _rate_table(found: SmallBlocks) -> Table:
    curves = [seen(curve) for curve in (found.spinning, found.flash)]
    rows = []
    for size in SIZES:
        pairs = [(curve[size].rate_per_s, curve[size].throughput_bytes_per_s) for curve in curves]
        cells: list[Cell] = [each for rate, flow in pairs for each in (rate, flow.scaled(1e-6))]
        rows.append((byte_size(size), *cells))
    head = ("size of a request", "spinning, /s", "spinning, MB/s", "flash, /s", "flash, MB/s")
    return Table.of(head, rows)
