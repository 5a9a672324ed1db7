"""The workload classes: what the clients ask for, how often, and what they were promised."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import fields
from typing import TYPE_CHECKING, Annotated, Literal, Self

from pydantic import Field, ValidationInfo, model_validator

from tailrace import units
from tailrace.quantity import FINISHED, Quantity, quantile_at
from tailrace.scenario.tables.arrivals import ARRIVAL_LAWS, ArrivalLaw, ArrivalName, Recorded
from tailrace.scenario.tables.fields import (
    FileName,
    Name,
    Number,
    RequestRate,
    Share,
    Size,
    SizeOrZero,
    TimeOrZero,
    Whole,
    optional,
    resolved,
)
from tailrace.scenario.tables.model import Finding, KeyPath, Model, Unless
from tailrace.scenario.tables.recorded import TraceColumns, filled_in, opened, said_by_trace
from tailrace.scenario.tables.step import (
    Aligned,
    Durable,
    Pattern,
    PoolName,
    Popularity,
    ReadShare,
    Sizes,
    SizeShare,
    Step,
    findings_of_addresses,
    findings_of_sizes,
)
from tailrace.scenario.tables.surge import Surge
from tailrace.scenario.tables.target import Target

if TYPE_CHECKING:
    from tailrace.trace.recording import Recording

_OF_REQUESTS = (
    "request_size",
    "read_share",
    "pattern",
    "pool",
    "span",
    "start",
    "aligned",
    "popularity",
    "durable",
)
"""Keys of a class that each step of a transaction has for itself."""

_NEEDED_ALONE = Unless(
    (
        {"required": ["step"]},
        {"required": ["arrivals"], "properties": {"arrivals": {"const": "trace"}}},
    )
)


class Workload(Model):
    """One class of requests: open (arrivals at a rate) or closed (a queue depth and thinking)."""

    name: Name = Field(description="Name of the class.")
    clients: Annotated[Whole, Field(ge=1, le=2**31 - 1)] = optional("Number of clients.", 1)
    rate: RequestRate | None = optional("Requests per time of each client (open).")
    queue_depth: Annotated[Whole, Field(ge=1, le=2**31 - 1)] | None = optional(
        "Requests that each client keeps going (closed); 1 if only `think_time` is given."
    )
    think_time: TimeOrZero | None = optional(
        "Mean time from a completion to the next request (closed); 0 s if left out."
    )
    arrivals: ArrivalName = optional(
        'Arrival process (open); "trace" replays a recorded file, at its times or (closed) in its order.',
        "poisson",
    )
    burstiness: Annotated[Number, Field(gt=1, le=1e6)] | None = optional(
        'Squared coefficient of variation of the times between arrivals (with "bursty").'
    )
    surge: Surge | None = optional("Times of higher load (open).")
    think: Literal["exponential", "constant"] = optional("Law of think times (closed).", "exponential")
    file: FileName | None = optional(
        'The recorded file (CSV, plain or gzip), from the folder of the scenario file (with "trace").'
    )
    columns: TraceColumns | None = optional(
        'Which column of the file holds what (with "trace"): each a heading, a position, or a table.'
    )
    speed: Annotated[Number, Field(gt=0, le=1e6)] = optional(
        "How many times faster than recorded an open trace is replayed.", 1.0
    )
    repeat: Annotated[Whole, Field(ge=1, le=1_000_000)] = optional(
        "How often at most one replication goes through the trace.", 1
    )
    beyond_span: Literal["refuse", "wrap"] = optional(
        "Addresses of a trace behind the end of the span: refused, or taken modulo the span.", "refuse"
    )
    bad_rows: Share = optional("Largest share of rows of a trace that cannot be read and are left out.", 0.0)
    request_size: Annotated[Sizes | None, _NEEDED_ALONE] = optional(
        "Size of the requests, or a list of {size, share} whose shares add up to 1. Needed unless the "
        "class has steps, each with its own, or a trace that tells it."
    )
    read_share: ReadShare = 1.0
    pattern: Pattern = "random"
    pool: PoolName = None
    span: Size | None = optional(
        "How much of the capacity the class touches; by default an equal share of what is left."
    )
    start: SizeOrZero | None = optional(
        "Address where the span starts; by default behind the classes before it."
    )
    aligned: Aligned = True
    popularity: Popularity = None
    priority: Annotated[Whole, Field(ge=0, le=255)] = optional("Lower goes first at fcfs stations.", 0)
    limit: RequestRate | None = optional("Requests per time that the server lets in.")
    durable: Durable = False
    step: Annotated[tuple[Step, ...], Field(max_length=1000)] = optional(
        "Steps of a transaction, in order: clients then issue transactions, and rate, queue_depth, "
        "latency and targets are theirs.",
        (),
    )
    amount: Size | None = optional("How much data the class is to move: the answer says how long that takes.")
    target: Target | None = optional("What was promised to the class.")

    @property
    def is_open(self) -> bool:
        """Whether requests arrive at a rate, whatever the server does."""
        return self.rate is not None

    @property
    def is_recorded(self) -> bool:
        """Whether it replays a trace."""
        return self.arrivals == Recorded.name

    @property
    def arrival_law(self) -> ArrivalLaw:
        """The law by which the requests of an open class come."""
        law = next(each for each in ARRIVAL_LAWS if each.name == self.arrivals)
        return law(**{each.name: getattr(self, each.name) for each in fields(law)})

    def rate_at(self, load: float) -> float:
        """Requests per second of all its clients at a load, which multiplies their rate; 0 of a closed class."""
        return (self.rate or 0.0) * load * self.clients

    @property
    def limits(self) -> tuple[tuple[Quantity, float], ...]:
        """What was promised to the class, as (quantity, limit in SI)."""
        return () if self.target is None else self.target.limits

    @property
    def steering(self) -> tuple[tuple[Quantity, float], ...]:
        """The figures that show whether promises are kept, with limits: of a share the quantile at it, of the time that
        an amount of work takes the throughput.
        """
        return tuple(self._steering(quantity, limit) for quantity, limit in self.limits)

    def _steering(self, quantity: Quantity, limit: float) -> tuple[Quantity, float]:
        if quantity.seconds is not None:
            return quantile_at(quantity.kind, limit), quantity.seconds
        if quantity.statistic == FINISHED:
            return Quantity("throughput"), (self.amount or 0) / limit
        return quantity, limit

    @property
    def is_judged_over_all(self) -> bool:
        """Whether its promises hold over all conditions together rather than in each."""
        return self.target is not None and self.target.over is not None

    @property
    def sizes(self) -> tuple[SizeShare, ...]:
        """Sizes of the requests with their shares; of a transaction, the most that its steps move together."""
        if not self.step:
            return self.request_size or ()
        largest = sum(each.count * max(part.size for part in each.request_size or ()) for each in self.asking)
        return (SizeShare(size=max(largest, 1), share=1.0),)

    @property
    def reads(self) -> float:
        """Share of the requests that only read; of transactions, those whose every request does."""
        if not self.step:
            return self.read_share
        return math.prod(each.read_share**each.count for each in self.step)

    @property
    def mean_size(self) -> float:
        """Mean request size in bytes."""
        return sum(part.size * part.share for part in self.sizes)

    @property
    def largest_size(self) -> int:
        """Largest request size in bytes."""
        return max((part.size for part in self.sizes), default=0)

    @property
    def recording(self) -> Recording:
        """The trace that the class replays. Raises TraceError if it cannot be read."""
        assert self.file is not None
        assert self.columns is not None
        return opened(self.file, self.columns)

    @property
    def asking(self) -> tuple[Step, ...]:
        """The steps that ask for anything, one for each of `parts`; none in a class without steps."""
        return tuple(each for each in self.step if each.count)

    @property
    def parts(self) -> tuple[Workload, ...]:
        """What is asked of the server, a class of requests for every step that has any; else the class itself.

        The first bears the name of the class, so that one step of one request draws as the plain class does.
        """
        if not self.step:
            return (self,)
        return tuple(self._part(place, each) for place, each in enumerate(self.asking))

    def _part(self, place: int, step: Step) -> Workload:
        said = {key: getattr(step, key) for key in _OF_REQUESTS}
        name = self.name if place == 0 else f"{self.name}, part {place + 1}"
        rate = None if self.rate is None else self.rate * step.requests
        return self.model_copy(update={**said, "name": name, "rate": rate, "step": (), "target": None})

    @model_validator(mode="before")
    @classmethod
    def _what_the_trace_says(cls, data: object, info: ValidationInfo) -> object:
        if isinstance(data, dict) and data.get("arrivals") == "trace" and isinstance(data.get("file"), str):
            return filled_in(data, resolved(data["file"], info))
        return data

    @model_validator(mode="after")
    def _not_said_by_the_user(self) -> Self:
        """What the trace says was not set, so that whoever writes this table down again leaves it out."""
        if self.is_recorded:
            said = self._said_by_the_trace() or {}
            same = {key for key, value in said.items() if getattr(self, key) == value}
            self.model_fields_set.difference_update(same)
        return self

    @model_validator(mode="before")
    @classmethod
    def _closed_defaults(cls, data: object) -> object:
        if isinstance(data, dict):
            if "queue_depth" in data and "think_time" not in data:
                return {**data, "think_time": "0 s"}
            if "think_time" in data and "queue_depth" not in data:
                return {**data, "queue_depth": 1}
        return data

    def findings(self) -> Iterator[Finding]:
        """Open or closed, with the keys of that kind; shares of sizes that add up; popularity if random."""
        is_closed = self.queue_depth is not None or self.think_time is not None
        keys: tuple[KeyPath, ...] = (("rate",), ("queue_depth",), ("think_time",))
        if self.is_recorded and not (self.is_open and is_closed):
            yield from self._trace_findings(is_closed)
        elif self.is_open == is_closed:
            wrong = "both rate and queue_depth or think_time" if is_closed else "neither rate nor queue_depth"
            yield Finding((), wrong, "either rate (open), or queue_depth and think_time (closed)", keys)
        else:
            stray = ("think",) if self.is_open else ("arrivals", "burstiness", "surge")
            for key in stray:
                if key in self.model_fields_set and getattr(self, key) is not None:
                    kind = "closed" if self.is_open else "open"
                    yield Finding((key,), f"belongs to {kind} classes", f"{key} in {kind} classes only", keys)
        if self.is_open or self.is_recorded:
            yield from self._arrival_findings()
        if self.step:
            for key in _OF_REQUESTS:
                if key in self.model_fields_set:
                    accepted = f"{key} in the steps only"
                    yield Finding((key,), "given beside steps", accepted, (("step",),))
            if all(each.request_size is None for each in self.step):
                yield Finding(("step",), "no step has requests", "at least one step with request_size")
            if self.is_recorded:
                accepted = "either steps or a trace"
                yield Finding(("arrivals",), "a trace beside steps", accepted, (("step",),))
            return
        if self.request_size is None:
            if not self.is_recorded or self._said_by_the_trace() is not None:
                accepted = 'a size such as "8 KiB", or a list of tables {size, share}'
                yield Finding(
                    ("request_size",), "missing", accepted, (("step",), ("arrivals",), ("columns",))
                )
        else:
            yield from findings_of_sizes(self.request_size)
        yield from findings_of_addresses(self.popularity, self.pattern)

    def _arrival_findings(self) -> Iterator[Finding]:
        """The keys that the law of the arrivals needs, and none of another's."""
        for law in ARRIVAL_LAWS:
            if law.name == self.arrivals:
                for key in law.needs:
                    if getattr(self, key) is None:
                        accepted = f'{" and ".join(law.needs)} together with arrivals = "{law.name}"'
                        yield Finding((key,), "missing", accepted, (("arrivals",),))
                continue
            for key in self.model_fields_set.intersection(law.own):
                if getattr(self, key) != type(self).model_fields[key].default:
                    accepted = f'{key} together with arrivals = "{law.name}"'
                    yield Finding((key,), f"belongs to {law.noun}", accepted, (("arrivals",),))

    def _trace_findings(self, is_closed: bool) -> Iterator[Finding]:
        """The keys that a replay needs, and none that say again what its file says."""
        if is_closed and self.speed != 1.0:
            accepted = "speed in open replays only: a closed one keeps the order, not the times"
            yield Finding(("speed",), "belongs to an open replay", accepted, (("queue_depth",),))
        if self.surge is not None:
            yield Finding(("surge",), "beside a trace", "surge without a trace", (("arrivals",),))
        columns = self.columns
        if columns is None or self.file is None:
            return
        rests_on: tuple[KeyPath, ...] = (("columns",), ("file",), ("speed",), ("clients",))
        if not is_closed and columns.time is None:
            accepted = "columns.time for an open replay, or queue_depth for a closed one"
            yield Finding(("columns", "time"), "missing", accepted, (("queue_depth",),))
        for key, value in (self._said_by_the_trace() or {}).items():
            if key != "clients" and getattr(self, key) != value:
                wrong = "given beside a trace, which says it"
                accepted = f"a trace without {key}" + (" (speed changes its pace)" if key == "rate" else "")
                yield Finding((key,), wrong, accepted, rests_on)
        for key, column in (("pattern", columns.address), ("popularity", columns.address)):
            if column is not None and getattr(self, key) not in (None, "random"):
                wrong = "given beside columns.address, which says where"
                yield Finding((key,), wrong, f"{key} in traces without columns.address", rests_on)
        if is_closed and self.pattern == "sequential":
            accepted = "sequential addresses by columns.address, or in an open replay"
            yield Finding(("pattern",), "sequential in a closed replay", accepted, rests_on)

    def _said_by_the_trace(self) -> dict[str, object] | None:
        """What the file says, by key; None if it cannot be read."""
        mine: dict[str, object] = {"columns": self.columns, "speed": self.speed, "clients": self.clients}
        if not self.is_open:
            mine["queue_depth"] = self.queue_depth
        said = said_by_trace(mine, self.file or "")
        if said is None:
            return None
        fixed: dict[str, object] = {key: said[key] for key in ("clients", "read_share") if key in said}
        if "rate" in said:
            fixed["rate"] = units.parse(said["rate"], "request rate")
        if "request_size" in said:
            fixed["request_size"] = tuple(
                SizeShare(size=units.parse_bytes(each["size"]), share=each["share"])
                for each in said["request_size"]
            )
        return fixed
