"""Why do spinning drives collapse at small block sizes?"""

from __future__ import annotations

from dataclasses import dataclass

from tailrace.lessons.servers import CAPACITY_BYTES, FLASH, SPINNING, TURN_S, keeping
from tailrace.lessons.trials import ALONE, EDGE, Claim, Trials, about, known, seen
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
    sizes = [f"{size} B" for size in SIZES]
    arm, without, bare = (
        trials.curve(drive + keeping(1), KEY, sizes, ALONE)
        for drive in (SPINNING, still, still.replace(TURNS, FAST_TURNS))
    )
    # A flash drive that is read alone has nothing to settle, and large reads are many pages.
    flash = trials.curve(FLASH + keeping(1), KEY, sizes, ALONE, longest=1)
    whole, tenth = (
        trials.curve(SPINNING + keeping(1) + span, "workload.booking.queue_depth", DEPTHS, ALONE)
        for span in ("", f'span = "{CAPACITY_BYTES / 10:.0f} B"\n')
    )
    return SmallBlocks(arm, without, bare, flash, whole, tenth)


def claims(found: SmallBlocks) -> tuple[Claim, ...]:
    """What the lesson says, as figures."""
    at, still, bare = (
        {size: each.latency_s["mean"] for size, each in seen(curve).items()}
        for curve in (found.spinning, found.without_seek, found.only_transfer)
    )
    whole, data = ({size: known(mean) for size, mean in each.items()} for each in (at, bare))
    rates = {size: known(each.rate_per_s) for size, each in seen(found.spinning).items()}
    flows = {size: known(each.throughput_bytes_per_s) for size, each in seen(found.spinning).items()}
    least = whole[SMALL] - data[SMALL] + data[512]
    large = whole[SMALL] - data[SMALL] + data[LARGE]
    single = [known(each.rate_per_s) for curve in (found.whole, found.tenth) for each in seen(curve).values()]
    quick = seen(found.flash)[SMALL].rate_per_s
    ours = found.flash.points[list(SIZES).index(SMALL)].result.theory.classes["booking"].mean_s
    return (
        about(
            "Rotation costs half a turn: mean time at 8 KiB without seeking",
            1e3 * known(still[SMALL]),
            1e3 * (TURN_S / 2 + data[SMALL] - FAST_TURN_S / 2),
            still[SMALL],
            unit="ms",
        ),
        about(
            "From 8 KiB down to 512 B only the transfer is saved: ratio of the rates",
            rates[512] / rates[SMALL],
            whole[SMALL] / least,
            at[SMALL],
            at[512],
        ),
        about(
            "and so the throughput falls nearly with the size: ratio",
            flows[SMALL] / flows[512],
            16 * least / whole[SMALL],
            at[SMALL],
            at[512],
        ),
        about(
            "At 8 MiB getting there takes as long as at 8 KiB: share of the mean media rate of 140 MB/s",
            flows[LARGE] / 140e6,
            LARGE / large / 140e6,
            at[SMALL],
            at[LARGE],
        ),
        about(
            "Flash serves one read of 8 KiB after the other at the rate of the closed form: reads/s",
            known(quick),
            1 / ours if ours else float("nan"),
            quick,
            edge=EDGE,
        ),
        Claim(
            "One drive, one size, and yet rates differ five to ten times: largest over least",
            max(single) / min(single),
            5,
            10,
        ),
        Claim(
            "The spinning drive has one rate at 8 KiB and depth 1, found twice: ratio",
            rates[SMALL] / single[0],
            1,
            1,
        ),
    )
