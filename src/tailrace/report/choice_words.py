"""A choice in words: which design, why none of the lesser ones, and what decided about each."""

from __future__ import annotations

from tailrace.report.columns.choice import amount_text, why
from tailrace.study.choose import Choice, Offer
from tailrace.study.lines import short_key

UNITS = {"price": "", "power": " W", "height": " rack units"}


def named(offer: Offer) -> str:
    """What sets a design apart, with the short names of keys."""
    said = [f"{short_key(each.key)} {each.text}" for each in offer.candidate.settings]
    return ", ".join(([offer.candidate.name] if offer.candidate.name else []) + said)


def choice_sentence(found: Choice) -> str:
    """Which design is chosen, and what it takes."""
    if found.chosen is None:
        maybe = (
            f"; {len(found.undecided)} of them may, which longer runs would show" if found.undecided else ""
        )
        return f"None of {len(found.lesser):,} designs surely keeps every promise{maybe}."
    chosen = found.chosen.candidate
    spent = chosen.cost
    price, power = (None, None) if spent is None else (spent.price, spent.power_w)
    figures = {"price": price, "power": power, "height": chosen.height}
    taken = [f"{found.least} {amount_text(chosen.least)}{UNITS.get(found.least, '')}"]
    taken += [
        f"{name} {amount_text(value)}{UNITS[name]}"
        for name, value in figures.items()
        if value is not None and name != found.least
    ]
    return f"Chosen: {named(found.chosen)}; {', '.join(taken)}. Nearest its limit: {why(found.chosen)}."


def choice_method(found: Choice) -> str:
    """How it was found, and how sure it is."""
    return (
        f"Seed {found.seed}, the same random numbers throughout, {found.looks} looks, {found.requests:,} requests in "
        "all. With 95 % confidence the design chosen keeps its promises, and each lesser one does not or is called "
        "undecided."
    )


def lesser_sentence(found: Choice) -> str:
    """How those that would take less fare, in numbers."""
    every = [each.verdict for each in found.lesser]
    if not every:
        return "No other design would take less."
    said = [f"{every.count(name)} {name}" for name in ("missed", "overloaded", "undecided") if name in every]
    run = sum(each.tried is not None and each.tried.requests > 0 for each in found.lesser)
    which = "designs would take less" if found.chosen else "designs"
    return f"{len(every):,} {which}: {', '.join(said)}; {run} of them had to be simulated."
