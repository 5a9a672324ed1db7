"""What does a terminal show of a result? The one way from any result to text."""

from __future__ import annotations

from importlib import import_module
from typing import Any

from rich.console import Console, RenderableType

from tailrace.report.terminal.layout import text_of

MODULES = {
    "Result": "answer",
    "Comparison": "compare",
    "ConditionEstimates": "condition_estimates",
    "ConditionsComparison": "compare_conditions",
}
"""The module of this package whose ``parts`` show a kind of result, where it is not called as the class is."""


def parts(found: object, width: int) -> list[RenderableType]:
    """A whole result for a terminal of that many columns.

    Raises:
        KeyError: nothing shows such a thing.
    """
    name = type(found).__name__
    try:
        module: Any = import_module(f"tailrace.report.terminal.{MODULES.get(name, name.lower())}")
    except ModuleNotFoundError:
        raise KeyError(name) from None
    shown: list[RenderableType] = module.parts(found, width)
    return shown


def as_text(found: object, console: Console | None = None) -> str:
    """A whole result as text for a console: for one of 80 columns without colours if none is given.

    Raises:
        KeyError: nothing shows such a thing.
    """
    return text_of(lambda width: parts(found, width), console)
