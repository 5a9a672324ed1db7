"""How does a result show itself? To people as on a terminal, to programs by its fields.

Results lie below what shows them, so none of them can import the house of tables and colours. Here, at the bottom,
stands its name alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from importlib import import_module
from typing import Any

SHOWN_BY = "tailrace.report.notebook"
"""The module whose functions ``html`` and ``text`` turn a result into HTML and into text."""
FEW_LINES = 8
"""Lines of a result where Python shows it as a value: what it is, and its verdict."""


class Shown:
    """What a result inherits to show itself: printed in full, as a value in a few lines, in a notebook with colours."""

    __slots__ = ()

    def _repr_html_(self) -> str:
        html: str = import_module(SHOWN_BY).html(self)
        return html

    def __str__(self) -> str:
        text: str = import_module(SHOWN_BY).text(self)
        return text

    def __repr__(self) -> str:
        lines = str(self).splitlines()
        more = len(lines) - FEW_LINES
        rest = [f"… {more} more lines: print() shows them"] if more > 0 else []
        return "\n".join([f"<{type(self).__name__}> {lines[0]}", *lines[1:FEW_LINES], *rest])


def told(found: object, *names: str) -> dict[str, Any]:
    """Fields of a result by their names, see `plain`."""
    return {name: plain(getattr(found, name)) for name in names}


def plain(value: Any) -> Any:
    """A value in plain mappings and lists, ready for JSON: what has an ``as_dict`` by that, other results by fields."""
    if hasattr(value, "as_dict"):
        return value.as_dict()
    if is_dataclass(value):
        return told(value, *(each.name for each in fields(value)))
    if isinstance(value, Mapping):
        return {key: plain(each) for key, each in value.items()}
    return [plain(each) for each in value] if isinstance(value, tuple | list) else value
