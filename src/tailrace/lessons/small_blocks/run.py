"""Why do spinning drives collapse at small block sizes?"""

from __future__ import annotations

from dataclasses import dataclass

from tailrace.lessons.servers import CAPACITY_BYTES, FLASH, SPINNING, TURN_S, keeping
from tailrace.lessons.trials import Claim, Trials, agrees, known, seen
from tailrace.study.curve import Curve

SIZES = tuple(2**power for power in range(9, 24, 2))
DEPTHS = (1, 2, 4, 8, 16, 32, 64, 128)
KEY = "workload.booking.request_size"
SMALL, LARGE = 8 * 1024, 8 * 1024 * 1024

SEEKS = 'seek_adjacent = "0.9 ms"\nseek_average = "10 ms"\nseek_full = "21 ms"'
NO_SEEKS = 'seek_curve = [{share = 0.5, time = "0 s"}, {share = 1.0, time = "0 s"}]'
TURNS = 'rpm = "5400 rpm"'
FAST_TURNS = 'rpm = "540000 rpm"'
FAST_TURN_S = TURN_S / 100


@dataclass(frozen=True)
class SmallBlocks:
    """Curves over the size of the requests, one request at a time, and over queue depth at 8 KiB.

    ``without_seek`` is the same drive with an arm that needs no time, ``only_transfer`` one that
    turns a hundred times faster, too, at the same rate of transfer: what they save is what seeking and turning cost.
    """

    spinning: Curve
    without_seek: Curve
    only_transfer: Curve
    flash: Curve
    whole: Curve
    tenth: Curve

    def parts_s(self) -> dict[str, list[float]]:
        """Mean seconds of a request at each size: seek, rotation and transfer."""
        whole, still, bare = (
            [known(each.latency_s["mean"]) for each in seen(curve).values()]
            for curve in (self.spinning, self.without_seek, self.only_transfer)
        )
        return {
            "seek": [a - b for a, b in zip(whole, still, strict=True)],
            "rotation": [a - b + FAST_TURN_S / 2 for a, b in zip(still, bare, strict=True)],
            "transfer": [each - FAST_TURN_S / 2 for each in bare],
        }


def run(trials: Trials) -> SmallBlocks:
    """Carry out the runs."""
    still = SPINNING.replace(SEEKS, NO_SEEKS)
    drives = (SPINNING, still, still.replace(TURNS, FAST_TURNS), FLASH)
    by_size = [
        trials.curve(drive + keeping(1), KEY, [f"{size} B" for size in SIZES], 1000) for drive in drives
    ]
    deep = [
        trials.curve(SPINNING + keeping(1) + span, "workload.booking.queue_depth", DEPTHS, 3000)
        for span in ("", f'span = "{CAPACITY_BYTES / 10:.0f} B"\n')
    ]
    return SmallBlocks(*by_size, *deep)


def claims(found: SmallBlocks) -> tuple[Claim, ...]:
    """What the lesson says, as figures."""
    at, still, bare = (seen(each) for each in (found.spinning, found.without_seek, found.only_transfer))
    rates = {size: known(each.rate_per_s) for size, each in at.items()}
    flows = {size: known(each.throughput_bytes_per_s) for size, each in at.items()}
    worst = max((abs(flows[size] / (rates[size] * size) - 1) for size in SIZES), default=float("nan"))
    single = [known(each.rate_per_s) for curve in (found.whole, found.tenth) for each in seen(curve).values()]
    flash = known(seen(found.flash)[SMALL].rate_per_s)
    turning = still[SMALL].latency_s["mean"]
    return (
        Claim(
            "Throughput is size times rate, at every size: the largest relative difference", worst, 0, 1e-9
        ),
        agrees(
            "Rotation costs half a turn: mean time at 8 KiB without seeking",
            turning,
            TURN_S / 2 + known(bare[SMALL].latency_s["mean"]) - FAST_TURN_S / 2,
        ),
        Claim(
            "From 8 KiB down to 512 B the rate hardly rises: ratio of the rates",
            rates[512] / rates[SMALL],
            0.9,
            1.1,
        ),
        Claim("and the throughput falls with the size: ratio", flows[SMALL] / flows[512], 14, 18),
        Claim(
            "At 8 MiB most of the drive's mean rate of 140 MB/s is there: share of it",
            flows[LARGE] / 140e6,
            0.6,
            1,
        ),
        Claim("Flash serves many times more at 8 KiB: ratio of the rates", flash / rates[SMALL], 50, 1000),
        Claim(
            "One drive, one size, and yet rates differ: largest over least", max(single) / min(single), 3, 20
        ),
    )
