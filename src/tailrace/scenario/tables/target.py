"""What was promised to a class: limits of its figures, by keys that follow from the list of these."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, ConfigDict, Field
from pydantic.fields import FieldInfo

from tailrace import units
from tailrace.quantity import KINDS, LATENCIES, QUANTILE, Kind, Quantity
from tailrace.scenario.tables.fields import DataRate, Number, RequestRate, Time, optional
from tailrace.scenario.tables.model import Finding, Model, OpenKeys

Limit: Any = Time | None
_OF_KIND: dict[str, Kind] = {"within": "all", "read_within": "read", "write_within": "write"}
NO_LIMITS = ("over",)
"""Keys of a target that say how it is judged."""


def _limit(quantity: Quantity) -> Any:
    """The key of an upper limit, described in words."""
    of = {"all": "requests", "read": "reads", "write": "writes"}[quantity.kind]
    if quantity.probability is None:
        what = "mean latency" if quantity.kind == "all" else f"mean latency of {of}"
    elif quantity.probability == 0.5:
        what = "median latency" if quantity.kind == "all" else f"median latency of {of}"
    else:
        what = f"latency of {100 * quantity.probability:.6g} % of the {of}"
    return Field(default=None, description=f"Upper limit of the {what}.")


_OTHER_QUANTILES = OpenKeys(
    rf"(?:(?:read|write)_)?{QUANTILE}",
    "pNN",
    FieldInfo.from_annotated_attribute(
        Limit,
        Field(
            default=None,
            description="Upper limit of any other quantile, by two to five digits: p995 is 99.5 %; read_p995 and "
            "write_p995 are of reads or writes alone.",
        ),
    ),
)


class Within(Model):
    """A share of the requests that is answered within a time."""

    time: Time = Field(description="The time within which requests are answered.")
    share: Annotated[Number, Field(gt=0, lt=1)] = Field(
        description="Share of the requests that are, at least."
    )

    def quantity(self, kind: Kind) -> Quantity:
        """The figure that is limited so."""
        return Quantity.of(kind, f"within_{units.write(self.time, 'time').replace(' ', '_')}")


class Target(Model):
    """What was promised to a class. At least one limit; of latency by any quantile."""

    model_config = ConfigDict(extra="allow")
    open_keys = _OTHER_QUANTILES
    __pydantic_extra__: dict[Annotated[str, AfterValidator(_OTHER_QUANTILES.checked)], Time] = Field(
        init=False
    )

    # One key for each kind of request and statistic of the one list of these.
    for _quantity in [Quantity.of(kind, statistic) for kind in KINDS for statistic in LATENCIES]:
        __annotations__[_quantity] = Limit
        vars()[_quantity] = _limit(_quantity)
    del _quantity
    rate: RequestRate | None = optional("Lower limit of the requests completed per time.")
    throughput: DataRate | None = optional("Lower limit of the data moved per time.")

    within: Within | None = optional(
        "Lower limit of the share of the requests that is answered within a time."
    )
    read_within: Within | None = optional("The same of reads.")
    write_within: Within | None = optional("The same of writes.")
    finished_within: Time | None = optional(
        "Upper limit of the time in which the class has done its `amount`."
    )
    over: Literal["all conditions"] | None = optional(
        "Judge the limits over all conditions together, each request counted by rate and hours; by "
        "default they hold in every condition."
    )

    @property
    def limits(self) -> tuple[tuple[Quantity, float], ...]:
        """The limits that are set, as (quantity, limit in SI)."""
        found: list[tuple[Quantity, float]] = []
        for name in self.fields():
            limit = getattr(self, name)
            if isinstance(limit, Within):
                found.append((limit.quantity(_OF_KIND[name]), limit.share))
            elif limit is not None and name not in NO_LIMITS:
                found.append((Quantity(name), limit))
        return tuple(found)

    def findings(self) -> Iterator[Finding]:
        """An empty target promises nothing."""
        if not self.limits:
            names = tuple(name for name in type(self).model_fields if name not in NO_LIMITS)
            yield Finding(
                (), "no limit in it", f"at least one of {', '.join(names)}", tuple((name,) for name in names)
            )
