"""What closed forms say: beside the simulated figures, or alone."""

from __future__ import annotations

from tailrace.answer.result import ClassResult, Result
from tailrace.forecast.result import ClassTheory, Theory
from tailrace.quantity import Quantity
from tailrace.report.figures import Unit, change_text, unit_of
from tailrace.report.table import Cell, Head, Table

DIGITS = 4
HEADS = (Head("class", "name"), Head("", "name"))


def beside_simulated(result: Result) -> Table:
    """Simulated and closed form side by side."""
    rows: list[list[Cell]] = []
    for each in result.classes:
        theory = result.theory.classes.get(each.name)
        if theory is None:
            continue
        unit = _unit(theory, each)
        for quantity, value, exact in _figures(theory):
            if value is not None:
                simulated = each.all.latency_s[quantity]
                apart = "–" if simulated.value is None else f"{change_text(simulated.value / value - 1)} %"
                said, closed_form = f"{quantity.shown}, {unit.name}", unit.number(value, DIGITS)
                rows.append([each.name, said, unit.of(simulated), closed_form, _trust(exact), apart])
    return Table.of([*HEADS, "simulated", "closed form", Head("", "text"), "difference"], rows)


def alone(theory: Theory) -> Table:
    """Closed forms alone, or the bounds of a mean that has none."""
    rows: list[list[Cell]] = []
    for name, each in theory.classes.items():
        unit = _unit(each)
        found = [(quantity.shown, value, _trust(exact)) for quantity, value, exact in _figures(each)]
        if each.mean_s is None:
            found = [("mean at least", each.low_s, "bound"), *found, ("mean at most", each.high_s, "bound")]
        rows += [
            [name, f"{said}, {unit.name}", unit.number(value, DIGITS), trust]
            for said, value, trust in found
            if value is not None
        ]
    return Table.of([*HEADS, "closed form", Head("", "text")], rows)


def method_sentences(theory: Theory) -> list[str]:
    """Class by class: the method, what is bounded, why there is no p99, and how far to trust it."""
    return [f"{name}: {_method(each)}" for name, each in theory.classes.items()]


def _method(theory: ClassTheory) -> str:
    parts = [f"{theory.method}."]
    unit = _unit(theory)
    bounds = [
        f"at {word} {unit.text(value, DIGITS)}"
        for word, value in (("least", theory.low_s), ("most", theory.high_s))
        if value is not None
    ]
    if bounds:
        parts.append(f"The mean is {' and '.join(bounds)}.")
    if theory.rate_per_s is not None:
        parts.append(f"{unit_of('request rate', ()).number(theory.rate_per_s, DIGITS)} requests/s.")
    if theory.p99_s is None and theory.p99_reason:
        parts.append(f"No p99: {theory.p99_reason}.")
    return " ".join([*parts, theory.caution or ""]).strip()


def _figures(theory: ClassTheory) -> list[tuple[Quantity, float | None, bool]]:
    return [
        (Quantity("mean"), theory.mean_s, theory.exact_mean),
        (Quantity("p99"), theory.p99_s, theory.exact_p99),
    ]


def _trust(exact: bool) -> str:
    return "exact" if exact else "approximate"


def _unit(theory: ClassTheory, simulated: ClassResult | None = None) -> Unit:
    values = [theory.mean_s, theory.low_s, theory.p99_s]
    return unit_of("time", values if simulated is None else [simulated.all.latency_s["mean"].value, *values])
