"""One value of a key that a search has tried, and all of them in order."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import isotonic_regression

from tailrace.answer.result import TargetResult
from tailrace.measure.verdict import Verdict
from tailrace.study.judge import Judged

COLUMNS = (
    "value",
    "verdict",
    "requests",
    "share_of_saturation",
    "class",
    "quantity",
    "limit",
    "found",
    "found_low",
    "found_high",
)
"""Of the row of a value."""


@dataclass(frozen=True)
class Tried:
    """One value that was tried; ``target`` is the one that decided, None where there was no run or no figure.

    ``condition`` is the one in which it is judged, or that is overloaded; empty where there are none. ``digest`` is
    that of the scenario with the value.
    """

    value: float
    verdict: Verdict
    requests: int
    share_of_saturation: float | None
    target: TargetResult | None
    digest: str = ""
    condition: str = ""

    def row(self) -> dict[str, object]:
        """The same, ready for JSON."""
        target = self.target
        decided = (
            (None,) * 6
            if target is None
            else (
                target.class_name,
                target.quantity,
                target.limit,
                target.judged.value,
                target.judged.low,
                target.judged.high,
            )
        )
        figures = (self.value, self.verdict, self.requests, self.share_of_saturation, *decided)
        where = {"condition": self.condition} if self.condition else {}
        return where | dict(zip(COLUMNS, figures, strict=True))


def deciding(seen: Judged) -> tuple[str, TargetResult | None]:
    """The target with the gravest verdict; of these the one that lies farthest beyond its limit, with its condition."""
    order = ("missed", "undecided", "met")

    def beyond(target: TargetResult) -> float:
        value = target.judged.value
        return -math.inf if value is None else -target.quantity.strain(value, target.limit)

    return min(
        seen.promised,
        key=lambda each: (order.index(each[1].verdict), beyond(each[1])),
        default=(seen.overloaded_in, None),
    )


def in_order(tried: Iterable[Tried], widths: Mapping[float, float], rises: bool) -> tuple[Tried, ...]:
    """What was tried by its value, with shares of saturation in order, see `ordered`; ``widths`` by value."""
    found = sorted(tried, key=lambda each: each.value)
    loaded = {each.value: each.share_of_saturation for each in found if each.share_of_saturation is not None}
    shares = ordered(tuple(loaded.values()), [widths[value] for value in loaded], rises)
    risen = dict(zip(loaded, shares, strict=True))
    return tuple(replace(each, share_of_saturation=risen.get(each.value)) for each in found)


def ordered(shares: Sequence[float], widths: Sequence[float], rises: bool) -> list[float]:
    """The least-squares fit that never falls (never rises, unless ``rises``), where it stays within all errors.

    Shares of arms are found by short runs, and neighbours may lie in the wrong order by less than their errors; what
    is known better, or truly turns, stays as it is.

    Args:
        shares: shares of saturation, by the value of a key.
        widths: relative half-width of each.
        rises: whether the larger value is the harder one.
    """
    found = np.array(shares, dtype=float)
    if not found.size:
        return []
    fitted = isotonic_regression(found, increasing=rises).x
    within = (np.abs(fitted - found) <= np.array(widths) * np.abs(found)).all()
    return [float(share) for share in (fitted if within else found)]
