"""The workload classes: what the clients ask for, how often, and what they were promised."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Annotated, Any, Literal

from pydantic import Field, field_validator, model_validator

from tailrace.scenario.model import Finding, KeyPath, Model
from tailrace.scenario.quantity import (
    DataRate,
    Flag,
    Number,
    RequestRate,
    RequestSize,
    Share,
    Size,
    SizeOrZero,
    Text,
    Time,
    TimeOrZero,
    Whole,
)

Limit = Time | None


def _limit(what: str) -> Any:
    return Field(default=None, description=f"Upper limit of the {what}.")


class Target(Model):
    """What was promised to a class. At least one limit."""

    mean: Limit = _limit("mean latency")
    p50: Limit = _limit("median latency")
    p90: Limit = _limit("latency of 90 % of the requests")
    p95: Limit = _limit("latency of 95 % of the requests")
    p99: Limit = _limit("latency of 99 % of the requests")
    p999: Limit = _limit("latency of 99.9 % of the requests")
    read_mean: Limit = _limit("mean latency of reads")
    read_p50: Limit = _limit("median latency of reads")
    read_p90: Limit = _limit("latency of 90 % of the reads")
    read_p95: Limit = _limit("latency of 95 % of the reads")
    read_p99: Limit = _limit("latency of 99 % of the reads")
    read_p999: Limit = _limit("latency of 99.9 % of the reads")
    write_mean: Limit = _limit("mean latency of writes")
    write_p50: Limit = _limit("median latency of writes")
    write_p90: Limit = _limit("latency of 90 % of the writes")
    write_p95: Limit = _limit("latency of 95 % of the writes")
    write_p99: Limit = _limit("latency of 99 % of the writes")
    write_p999: Limit = _limit("latency of 99.9 % of the writes")
    rate: RequestRate | None = Field(
        default=None, description="Lower limit of the requests completed per time."
    )
    throughput: DataRate | None = Field(default=None, description="Lower limit of the data moved per time.")

    @property
    def limits(self) -> tuple[tuple[str, float], ...]:
        """The limits that are set, as (quantity, limit in SI)."""
        pairs = ((name, getattr(self, name)) for name in type(self).model_fields)
        return tuple((name, limit) for name, limit in pairs if limit is not None)

    def findings(self) -> Iterator[Finding]:
        """An empty target promises nothing."""
        if not self.limits:
            names = tuple(type(self).model_fields)
            yield Finding(
                (), "no limit in it", f"at least one of {', '.join(names)}", tuple((name,) for name in names)
            )


class SizeShare(Model):
    """One size in a mix of request sizes."""

    size: RequestSize = Field(description="Size of the request.")
    share: Annotated[Number, Field(gt=0, le=1)] = Field(
        description="Share of the requests that have this size."
    )


class Surge(Model):
    """Times of higher load: all of a class is faster in them and slower between, at the same mean rate."""

    factor: Annotated[Number, Field(gt=1, le=1e6)] = Field(
        description="Rate in a surge over the rate between surges."
    )
    share: Annotated[Number, Field(gt=0, lt=1)] = Field(description="Share of the time spent in surges.")
    length: Time = Field(description="Mean length of a surge.")


class Workload(Model):
    """One class of requests: open (arrivals at a rate) or closed (a queue depth and thinking)."""

    name: Annotated[Text, Field(min_length=1, max_length=64)] = Field(description="Name of the class.")
    clients: Annotated[Whole, Field(ge=1, le=2**31 - 1)] = Field(default=1, description="Number of clients.")
    rate: RequestRate | None = Field(default=None, description="Requests per time of each client (open).")
    queue_depth: Annotated[Whole, Field(ge=1, le=2**31 - 1)] | None = Field(
        default=None,
        description="Requests that each client keeps going (closed); 1 if only `think_time` is given.",
    )
    think_time: TimeOrZero | None = Field(
        default=None, description="Mean time from a completion to the next request (closed); 0 s if left out."
    )
    arrivals: Literal["poisson", "regular", "bursty"] = Field(
        default="poisson", description="Arrival process (open)."
    )
    burstiness: Annotated[Number, Field(gt=1, le=1e6)] | None = Field(
        default=None,
        description='Squared coefficient of variation of the times between arrivals (with "bursty").',
    )
    surge: Surge | None = Field(default=None, description="Times of higher load (open).")
    think: Literal["exponential", "constant"] = Field(
        default="exponential", description="Law of think times (closed)."
    )
    request_size: Annotated[tuple[SizeShare, ...], Field(min_length=1)] = Field(
        description="Size of the requests, or a list of {size, share} whose shares add up to 1."
    )
    read_share: Share = Field(default=1.0, description="Share of reads; the rest are writes.")
    pattern: Literal["random", "sequential"] = Field(
        default="random",
        description="Random addresses, or every client walks through its own part of the span.",
    )
    pool: Annotated[Text, Field(min_length=1, max_length=64)] | None = Field(
        default=None,
        description="Name of the pool whose drives it uses; may be left out if there is only one.",
    )
    span: Size | None = Field(
        default=None,
        description="How much of the capacity the class touches; by default an equal share of what is left.",
    )
    start: SizeOrZero | None = Field(
        default=None, description="Address where the span starts; by default behind the classes before it."
    )
    aligned: Flag = Field(
        default=True,
        description="Whether addresses are multiples of the request size, counted from the start of the span.",
    )
    popularity: Annotated[Number, Field(gt=0, le=5)] | None = Field(
        default=None,
        description="Exponent of a Zipf law over the addresses (random); without it all are alike.",
    )
    priority: Annotated[Whole, Field(ge=0, le=255)] = Field(
        default=0, description="Lower goes first at fcfs stations."
    )
    limit: RequestRate | None = Field(default=None, description="Requests per time that the server lets in.")
    durable: Flag = Field(
        default=False,
        description="Whether a write is answered only from protected memory or the medium itself.",
    )
    target: Target | None = Field(default=None, description="What was promised to the class.")

    @property
    def is_open(self) -> bool:
        """Whether requests arrive at a rate, whatever the server does."""
        return self.rate is not None

    @property
    def mean_size(self) -> float:
        """Mean request size in bytes."""
        return sum(part.size * part.share for part in self.request_size)

    @property
    def largest_size(self) -> int:
        """Largest request size in bytes."""
        return max(part.size for part in self.request_size)

    @model_validator(mode="before")
    @classmethod
    def _closed_defaults(cls, data: object) -> object:
        if isinstance(data, dict):
            if "queue_depth" in data and "think_time" not in data:
                return {**data, "think_time": "0 s"}
            if "think_time" in data and "queue_depth" not in data:
                return {**data, "queue_depth": 1}
        return data

    @field_validator(
        "request_size", mode="before", json_schema_input_type=RequestSize | tuple[SizeShare, ...]
    )
    @classmethod
    def _one_size(cls, value: object) -> object:
        if isinstance(value, str | int | float):
            return ({"size": value, "share": 1.0},)
        return value

    def findings(self) -> Iterator[Finding]:
        """Open or closed, with the keys of that kind; shares of sizes that add up; popularity if random."""
        is_closed = self.queue_depth is not None or self.think_time is not None
        keys: tuple[KeyPath, ...] = (("rate",), ("queue_depth",), ("think_time",))
        if self.is_open == is_closed:
            wrong = "both rate and queue_depth or think_time" if is_closed else "neither rate nor queue_depth"
            yield Finding((), wrong, "either rate (open), or queue_depth and think_time (closed)", keys)
        else:
            stray = ("think",) if self.is_open else ("arrivals", "burstiness", "surge")
            for key in stray:
                if key in self.model_fields_set and getattr(self, key) is not None:
                    kind = "closed" if self.is_open else "open"
                    yield Finding((key,), f"belongs to {kind} classes", f"{key} in {kind} classes only", keys)
        if self.burstiness is None and self.arrivals == "bursty":
            yield Finding(
                ("arrivals",), "needs burstiness", "bursty together with burstiness", (("burstiness",),)
            )
        if self.burstiness is not None and self.arrivals != "bursty" and self.is_open:
            accepted = 'burstiness together with arrivals = "bursty"'
            yield Finding(("burstiness",), "the arrivals are not bursty", accepted, (("arrivals",),))
        total = math.fsum(part.share for part in self.request_size)
        if abs(total - 1) > 1e-6:
            yield Finding(("request_size",), f"the shares add up to {total:.6g}", "shares that add up to 1")
        if self.popularity is not None and self.pattern == "sequential":
            accepted = 'popularity with pattern = "random" only'
            yield Finding(("popularity",), "belongs to random addresses", accepted, (("pattern",),))
