"""Where each lesson begins when it is tried out rather than read: a question, a scenario, and two controls."""

from __future__ import annotations

from dataclasses import dataclass

from tailrace.lessons.servers import FLASH, SERVICE_S, SPINNING, arriving, cluster, keeping, station
from tailrace.lessons.sharing.run import LINK

SEED = "\n[run]\nseed = 7\n"


@dataclass(frozen=True)
class LessonStart:
    """A question, the scenario to answer it with as TOML, and the two keys to turn, in the order of use."""

    question: str
    text: str
    keys: tuple[str, str]


STARTS = {
    "small-blocks": LessonStart(
        "One spinning drive reads blocks of 1 MiB, one at a time. Make them smaller, down to 4 KiB: what becomes of "
        "the requests a second, and what of the throughput? Then change the kind of drive.",
        SPINNING + keeping(1, "1 MiB") + SEED,
        ("workload.booking.request_size", "server.media.part"),
    ),
    "queue-depth": LessonStart(
        "A client that keeps more requests under way gets more of them done each second. How much more, and what does "
        "each of them pay for it in latency? Is the bargain the same on another kind of drive?",
        FLASH + keeping(1) + SEED,
        ("workload.booking.queue_depth", "server.media.part"),
    ),
    "tail": LessonStart(
        "This server takes exactly 2 ms for every request. Load it more: at which load has the p99 doubled, and at "
        "which the mean? Do more servers before one queue put it off?",
        station(law="constant") + arriving(0.5 / SERVICE_S) + SEED,
        ("load", "server.media.servers"),
    ),
    "sharing": LessonStart(
        "A copy of large files fills half of a link on which small requests travel. What do the small ones see if all "
        "are served in order of arrival (fcfs), and what if all share the link (ps)? And with more large files?",
        LINK.replace("DISCIPLINE", "fcfs").replace("SMALL", "7600").replace("LARGE", "600") + SEED,
        ("server.network.discipline", "workload.manifests.rate"),
    ),
    "pooling": LessonStart(
        "Eight stations, each with one server and a queue of its own. Make it one station with eight servers: nobody "
        "works faster, so why do requests hardly wait any more?",
        station(count=8) + arriving(0.8 * 8 / SERVICE_S) + SEED,
        ("server.media.servers", "server.media.count"),
    ),
    "fan-out": LessonStart(
        "A read of 64 KiB lies on one drive, which takes 2 ms in the mean. A read of 512 KiB lies on eight drives, "
        "which work at the same time: why does it take so much longer, and how much longer still with more parts?",
        station(count=8) + keeping(1, "64 KiB") + SEED,
        ("workload.booking.request_size", "server.media.count"),
    ),
    "many-small": LessonStart(
        "Four small servers, 88 % busy, each of which takes 2 ms for a request. A large one that takes 0.5 ms does the "
        "same work with a p99 of 19 ms. How many small ones does it take to be as good? And if a read may go to the "
        "least busy of two copies?",
        station() + cluster(4, 2) + arriving(0.88 * 4 / SERVICE_S) + SEED,
        ("cluster.servers", "cluster.reads_from"),
    ),
}
"""By the names that `LESSONS` has."""
