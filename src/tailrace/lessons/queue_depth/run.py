"""What does a deeper queue bring, and what does it cost?"""

from __future__ import annotations

from dataclasses import dataclass

from tailrace.lessons.servers import FLASH, SPINNING, keeping
from tailrace.lessons.trials import ALONE, EDGE, Claim, Trials, about, known, seen
from tailrace.report.sentences import busiest
from tailrace.scenario.reading.read import parse
from tailrace.scenario.tables.server import Lanes
from tailrace.study.curve import Curve

DEPTHS = (1, 2, 4, 8, 16, 32, 64, 128, 256)
SIZE_BYTES = 8 * 1024
KEY = "workload.booking.queue_depth"


@dataclass(frozen=True)
class QueueDepth:
    """Curves over the queue depth of one client, random reads of 8 KiB."""

    spinning: Curve
    flash: Curve


def run(trials: Trials) -> QueueDepth:
    """Carry out the runs."""
    return QueueDepth(*(trials.curve(drive + keeping(1), KEY, DEPTHS, ALONE) for drive in (SPINNING, FLASH)))


def claims(found: QueueDepth) -> tuple[Claim, ...]:
    """What the lesson says, as figures."""
    said = []
    for name, curve in (("spinning", found.spinning), ("flash", found.flash)):
        at = seen(curve)
        for depth in DEPTHS:
            rate, mean = at[depth].rate_per_s, at[depth].latency_s["mean"]
            law = f"Little's law, {name} drive: rate times mean latency is the depth of {depth}"
            said.append(about(law, known(rate) * known(mean), depth, rate, mean, edge=EDGE))
        gain = known(at[32].rate_per_s) / known(at[1].rate_per_s)
        low, high = {"spinning": (2, 3.5), "flash": (20, 32)}[name]
        said.append(Claim(f"Depth 32 instead of 1 on the {name} drive: gain in rate", gain, low, high))
        full = busiest(curve.points[-1].result)
        assert full is not None
        station = f"At depth 256 the {full.name} of the {name} drive is full: busy share"
        said.append(Claim(station, full.utilisation or 0.0, 0.95, 1 + EDGE))
    link = parse(FLASH + keeping(1)).server.lanes
    assert isinstance(link, Lanes)
    for depth in (128, 256):
        rate = seen(found.flash)[depth].rate_per_s
        most = f"Flash at depth {depth} serves what its link carries: reads/s"
        said.append(about(most, known(rate), link.bytes_per_s / SIZE_BYTES, rate, edge=EDGE))
    return tuple(said)
