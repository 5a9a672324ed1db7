"""How does a result show itself? As on a terminal; the house of tables and colours is called by its name.

Results lie below what shows them, so none of them can import it. Here, at the bottom, stands the name alone.
"""

from __future__ import annotations

from importlib import import_module

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
