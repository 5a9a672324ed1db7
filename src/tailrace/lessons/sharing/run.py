"""What does one large stream do to the small requests beside it?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from tailrace import theory
from tailrace.answer.result import Result
from tailrace.lessons.servers import SPINNING
from tailrace.lessons.trials import Claim, Trials, agrees, figures, known

LINK_BYTES_PER_S = 10e9 / 8
SMALL_BYTES, LARGE_BYTES = 8 * 1024, 1024 * 1024
SMALL_LOAD = 0.05
LOADS = (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8)
SMALL_RATES = (0, 2, 5, 10, 20, 30)

LINK = """
[server.network]
rate = "10 Gbit/s"
frame_overhead = "0 B"
message_payload = "1 B"
discipline = "DISCIPLINE"
transfer_piece = "1 MiB"
[server.media]
kind = "generic"
discipline = "delay"
service = {law = "constant", value = "1 us"}
[server.layout]
stripe_unit = "1 MiB"
[[workload]]
name = "booking"
rate = "SMALL /s"
request_size = "8 KiB"
[[workload]]
name = "manifests"
rate = "LARGE /s"
request_size = "1 MiB"
"""
STREAM = """
[[workload]]
name = "manifests"
queue_depth = 4
request_size = "1 MiB"
pattern = "sequential"
span = "1 TB"
"""
BESIDE = """
[[workload]]
name = "booking"
rate = "RATE /s"
request_size = "8 KiB"
span = "1 TB"
"""


@dataclass(frozen=True)
class Sharing:
    """Answers of a link by the load of the large requests, and of a spinning drive by the rate of the small ones.

    ``drive`` serves in order of arrival, ``nearest`` takes the shortest access first.
    """

    in_order: Mapping[float, Result]
    shared: Mapping[float, Result]
    drive: Mapping[float, Result]
    nearest: Mapping[float, Result]


def run(trials: Trials) -> Sharing:
    """Carry out the runs."""
    in_order, shared = (
        {load: trials.answer(link(discipline, load), int(16_000 / (1 - load))) for load in LOADS}
        for discipline in ("fcfs", "ps")
    )
    plain = SPINNING.replace("shortest access first", "arrival order")
    drive, nearest = (
        {float(rate): trials.answer(media + STREAM + _beside(rate), 3000) for rate in SMALL_RATES}
        for media in (plain, SPINNING)
    )
    return Sharing(in_order, shared, drive, nearest)


def _beside(rate_per_s: int) -> str:
    return BESIDE.replace("RATE", str(rate_per_s)) if rate_per_s else ""


def link(discipline: str, load: float) -> str:
    """A link that small requests fill to 5 % and large ones to ``load``."""
    small, large = rates(load)
    text = LINK.replace("DISCIPLINE", discipline)
    return text.replace("SMALL", repr(small)).replace("LARGE", repr(large))


def rates(load: float) -> tuple[float, float]:
    """Small and large requests per second."""
    return SMALL_LOAD * LINK_BYTES_PER_S / SMALL_BYTES, load * LINK_BYTES_PER_S / LARGE_BYTES


def exact_s(discipline: str, load: float) -> float:
    """Exact mean latency of the small requests: M/G/1 in order of arrival, M/G/1 with processor sharing."""
    small, large = rates(load)
    own, other = SMALL_BYTES / LINK_BYTES_PER_S, LARGE_BYTES / LINK_BYTES_PER_S
    both = small + large
    law = theory.Mixture((small / both, large / both), (theory.Constant(own), theory.Constant(other)))
    rest = 1e-6 + 1 / LINK_BYTES_PER_S
    if discipline == "ps":
        return rest + float(theory.sharing_response_mean_of_size(own, both, law.mean_s))
    return rest + own + float(theory.mg1_wait_mean(both, law.mean_s, law.scv))


def claims(found: Sharing) -> tuple[Claim, ...]:
    """What the lesson says, as figures."""
    said = []
    for way, discipline, answers in (
        ("in order of arrival", "fcfs", found.in_order),
        ("sharing", "ps", found.shared),
    ):
        said += [
            agrees(
                f"Mean of the small requests {way}, the large ones at {100 * load:.0f} %: the exact one",
                figures(answers[load], "booking").latency_s["mean"],
                exact_s(discipline, load),
                "us",
                1e6,
            )
            for load in (0.2, 0.5, 0.8)
        ]
    p99 = [known(figures(each[0.3], "booking").latency_s["p99"]) for each in (found.in_order, found.shared)]
    said.append(
        Claim(
            "p99 of the small requests in order of arrival over that of sharing, at 30 %",
            p99[0] / p99[1],
            10,
            200,
        )
    )
    flow = {
        rate: known(figures(each, "manifests").throughput_bytes_per_s) for rate, each in found.drive.items()
    }
    slow = [
        known(figures(answers[10], "booking").latency_s["mean"]) for answers in (found.nearest, found.drive)
    ]
    lost = (flow[0] - flow[10]) / 10
    left = flow[10] / flow[0]
    said += [
        Claim(
            "A spinning drive, ten small reads a second: share of the stream's throughput left",
            left,
            0.3,
            0.95,
        ),
        Claim(
            "Each small read costs the stream many times its own 8 KiB: times", lost / SMALL_BYTES, 50, 2000
        ),
        Claim(
            "Taking the shortest access first keeps small reads waiting longer: ratio",
            slow[0] / slow[1],
            3,
            100,
        ),
    ]
    return tuple(said)
