"""The steps of a transaction: what a client asks for, one thing after the other, until it is done."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from tailrace.scenario.tables.fields import (
    Flag,
    Name,
    Number,
    RequestSize,
    Share,
    Size,
    SizeOrZero,
    Time,
    Whole,
    optional,
)
from tailrace.scenario.tables.model import Finding, KeyPath, Model

ReadShare = Annotated[Share, Field(description="Share of reads; the rest are writes.")]
Pattern = Annotated[
    Literal["random", "sequential"],
    Field(description="Random addresses, or every client walks through its own part of the span."),
]
PoolName = Annotated[
    Name | None,
    Field(description="Name of the pool whose drives it uses; may be left out if there is only one."),
]
Aligned = Annotated[
    Flag,
    Field(
        description="Whether addresses are multiples of the request size, counted from the start of the span."
    ),
]
Popularity = Annotated[
    Annotated[Number, Field(gt=0, le=5)] | None,
    Field(description="Exponent of a Zipf law over the addresses (random); without it all are alike."),
]
Durable = Annotated[
    Flag,
    Field(description="Whether a write is answered only from protected memory or the medium itself."),
]
"""Keys that a class and a step of a transaction have alike."""


class SizeShare(Model):
    """One size in a mix of request sizes."""

    size: RequestSize = Field(description="Size of the request.")
    share: Annotated[Number, Field(gt=0, le=1)] = Field(
        description="Share of the requests that have this size."
    )


def _listed(value: object) -> object:
    return ({"size": value, "share": 1.0},) if isinstance(value, str | int | float) else value


Sizes = Annotated[
    tuple[SizeShare, ...],
    Field(min_length=1),
    BeforeValidator(_listed, json_schema_input_type=RequestSize | tuple[SizeShare, ...]),
]
"""The sizes of requests; one alone may be written as such."""


def findings_of_sizes(sizes: tuple[SizeShare, ...]) -> Iterator[Finding]:
    """Shares that do not add up."""
    total = math.fsum(part.share for part in sizes)
    if abs(total - 1) > 1e-6:
        yield Finding(("request_size",), f"the shares add up to {total:.6g}", "shares that add up to 1")


def findings_of_addresses(popularity: float | None, pattern: str) -> Iterator[Finding]:
    """Addresses in a row that are to be popular."""
    if popularity is not None and pattern == "sequential":
        accepted = 'popularity with pattern = "random" only'
        yield Finding(("popularity",), "belongs to random addresses", accepted, (("pattern",),))


class Step(Model):
    """One step of a transaction: it computes, then asks for its requests; the next waits until all are answered."""

    name: Name | None = optional('Name of the step; by default "step 1", "step 2" and so on.')
    requests: Annotated[Whole, Field(ge=1, le=10_000)] = optional("Number of requests of the step.", 1)
    at_once: Annotated[Whole, Field(ge=1, le=10_000)] = optional(
        "Requests that are sent side by side; the next so many follow when the last of these is answered.", 1
    )
    request_size: Sizes | None = optional(
        "Size of the requests, or a list of {size, share}; without it the step only computes."
    )
    read_share: ReadShare = 1.0
    pattern: Pattern = "random"
    pool: PoolName = None
    span: Size | None = optional(
        "How much of the capacity the step touches; by default an equal share of what is left."
    )
    start: SizeOrZero | None = optional(
        "Address where the span starts; by default behind the steps before it."
    )
    aligned: Aligned = True
    popularity: Popularity = None
    durable: Durable = False
    group_commit: Annotated[Whole, Field(ge=1, le=10_000)] | None = optional(
        "How many writes of this step, from whichever clients, go to the drives as one at most: while one "
        "is in flight the others wait, and then the first of them is written for all, so that its pages need room for "
        "so many. "
        "Without it each is written by itself, beside the others."
    )
    compute: Time | None = optional("Time for which the step computes before its requests.")
    compute_at: Literal["client", "controller"] = optional(
        "Where it computes: at the client a constant delay, charged to the network stage; at the "
        "controller it queues for a core and varies as the other costs there do.",
        "client",
    )

    @property
    def count(self) -> int:
        """Number of requests, none where the step only computes."""
        return self.requests if self.request_size is not None else 0

    def findings(self) -> Iterator[Finding]:
        """Something to do; no more at once than there are; shares that add up; popularity if random."""
        rests_on: tuple[KeyPath, ...] = (("request_size",), ("compute",))
        if self.request_size is None:
            if self.compute is None:
                yield Finding((), "nothing to do", "request_size, compute or both", rests_on)
            of_requests = set(type(self).model_fields) - {"name", "request_size", "compute", "compute_at"}
            for key in sorted(of_requests & self.model_fields_set):
                yield Finding(
                    (key,), "there are no requests", f"{key} together with request_size", rests_on[:1]
                )
            return
        if self.at_once > self.requests:
            accepted = f"at most the {self.requests} requests of the step"
            yield Finding(("at_once",), f"{self.at_once} at once", accepted, (("requests",),))
        yield from findings_of_sizes(self.request_size)
        yield from findings_of_addresses(self.popularity, self.pattern)
        if self.durable and self.read_share == 1:
            accepted = "durable together with a read_share below 1"
            yield Finding(("durable",), "the step writes nothing", accepted, (("read_share",),))
        if self.group_commit is not None and self.read_share > 0:
            accepted = "group_commit together with read_share = 0"
            yield Finding(("group_commit",), "the step reads", accepted, (("read_share",),))
        elif self.group_commit is not None and not self.durable:
            wrong = "the step commits nothing: its writes are not durable"
            yield Finding(
                ("group_commit",), wrong, "group_commit together with durable = true", (("durable",),)
            )
        if self.compute is None and "compute_at" in self.model_fields_set:
            yield Finding(
                ("compute_at",), "nothing is computed", "compute_at together with compute", (("compute",),)
            )
