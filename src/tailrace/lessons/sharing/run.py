"""What does one large stream do to the small requests beside it?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from tailrace import theory
from tailrace.answer.result import Result
from tailrace.lessons.servers import SEEK_ADJACENT_S, SEEK_AVERAGE_S, SPINNING, TURN_S
from tailrace.lessons.trials import ALONE, Claim, Trials, agrees, figures, known

LINK_BYTES_PER_S = 10e9 / 8
SMALL_BYTES, LARGE_BYTES = 8 * 1024, 1024 * 1024
SMALL_LOAD = 0.05
LOADS = (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8)
P99_UP_TO = 0.6
"""Load of the large requests beyond which a p99 takes longer runs than a lesson has."""
SMALL_RATES = (0, 5, 10, 20, 30)

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
        {load: trials.answer(link(discipline, load), int(10_000 / (1 - load))) for load in LOADS}
        for discipline in ("fcfs", "ps")
    )
    plain = SPINNING.replace("shortest access first", "arrival order")
    drive, nearest = (
        {float(rate): trials.answer(media + STREAM + _beside(rate), ALONE, longest=4) for rate in SMALL_RATES}
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


def _served(load: float) -> tuple[float, theory.Mixture, float]:
    """Rate of both kinds, the law of their services, and what a request takes beside: the medium and its header."""
    small, large = rates(load)
    own, other = SMALL_BYTES / LINK_BYTES_PER_S, LARGE_BYTES / LINK_BYTES_PER_S
    both = small + large
    law = theory.Mixture((small / both, large / both), (theory.Constant(own), theory.Constant(other)))
    return both, law, 1e-6 + 1 / LINK_BYTES_PER_S


def exact_s(discipline: str, load: float) -> float:
    """Exact mean latency of the small requests: M/G/1 in order of arrival, M/G/1 with processor sharing."""
    both, law, rest = _served(load)
    own = SMALL_BYTES / LINK_BYTES_PER_S
    if discipline == "ps":
        return rest + float(theory.sharing_response_mean_of_size(own, both, law.mean_s))
    return rest + own + float(theory.mg1_wait_mean(both, law.mean_s, law.scv))


def exact_p99_s(load: float) -> float:
    """Exact p99 of the small requests in order of arrival: M/G/1 with two constant services."""
    both, law, rest = _served(load)
    return rest + SMALL_BYTES / LINK_BYTES_PER_S + theory.mg1_wait_quantile(0.99, both, law)


def claims(found: Sharing) -> tuple[Claim, ...]:
    """What the lesson says, as figures."""
    said = []
    for load in LOADS:
        small = figures(found.in_order[load], "booking").latency_s
        shared = figures(found.shared[load], "booking").latency_s["mean"]
        of = f"of the small requests, the large ones at {100 * load:.0f} %: the exact one"
        said += [
            agrees(f"In order of arrival the mean {of}", small["mean"], exact_s("fcfs", load), "us", 1e6),
            agrees(f"With sharing the mean {of}", shared, exact_s("ps", load), "us", 1e6),
        ]
        if load <= P99_UP_TO:
            p99 = f"In order of arrival the p99 {of}"
            said.append(agrees(p99, small["p99"], exact_p99_s(load), "us", 1e6))
    flow = {
        rate: known(figures(each, "manifests").throughput_bytes_per_s) for rate, each in found.drive.items()
    }
    slow = [
        known(figures(answers[10], "booking").latency_s["mean"]) for answers in (found.nearest, found.drive)
    ]
    way_s = (1 - flow[10] / flow[0]) / 10
    said += [
        Claim(
            "On a spinning drive each small read costs the stream two ways, each of at most an average seek and half "
            "a turn: time",
            1e3 * way_s,
            1e3 * (2 * SEEK_ADJACENT_S + TURN_S),
            1e3 * (2 * SEEK_AVERAGE_S + TURN_S),
            "ms",
        ),
        Claim(
            "Taking the shortest access first keeps small reads waiting ten to thirty times as long: ratio",
            slow[0] / slow[1],
            10,
            30,
        ),
    ]
    return tuple(said)
