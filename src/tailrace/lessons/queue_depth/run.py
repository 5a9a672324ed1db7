"""What does a deeper queue bring, and what does it cost?"""

from __future__ import annotations

from dataclasses import dataclass

from tailrace.lessons.servers import FLASH, SPINNING, keeping
from tailrace.lessons.trials import Claim, Trials, agrees, known, seen
from tailrace.study.curve import Curve

DEPTHS = (1, 2, 4, 8, 16, 32, 64, 128, 256)
KEY = "workload.booking.queue_depth"


@dataclass(frozen=True)
class QueueDepth:
    """Curves over the queue depth of one client, random reads of 8 KiB."""

    spinning: Curve
    flash: Curve


def run(trials: Trials) -> QueueDepth:
    """Carry out the runs."""
    return QueueDepth(*(trials.curve(drive + keeping(1), KEY, DEPTHS, 6000) for drive in (SPINNING, FLASH)))


def claims(found: QueueDepth) -> tuple[Claim, ...]:
    """What the lesson says, as figures."""
    said = []
    for name, curve in (("spinning", found.spinning), ("flash", found.flash)):
        at = seen(curve)
        for depth in (4, 32, 256):
            rate = known(at[depth].rate_per_s)
            said.append(
                agrees(
                    f"Little's law, {name} drive at depth {depth}: mean latency is depth over rate",
                    at[depth].latency_s["mean"],
                    depth / rate,
                    edge=0.02,
                )
            )
        gain = known(at[32].rate_per_s) / known(at[1].rate_per_s)
        cost = known(at[32].latency_s["mean"]) / known(at[1].latency_s["mean"])
        low, high = {"spinning": (2, 8), "flash": (12, 32)}[name]
        said.append(Claim(f"Depth 32 instead of 1 on the {name} drive: gain in rate", gain, low, high))
        said.append(
            Claim(
                f"and its price on the {name} drive: growth of latency times gain, over 32",
                cost * gain / 32,
                0.95,
                1.05,
            )
        )
    last = {depth: known(each.rate_per_s) for depth, each in seen(found.flash).items()}
    said.append(
        Claim(
            "Flash at depth 256 against 128: gain in rate, once all is busy", last[256] / last[128], 0.95, 1.4
        )
    )
    return tuple(said)
