"""How does a result show itself in a notebook? As on a terminal; the house of tables and colours is called by its name.

Results lie below what shows them, so none of them can import it. Here, at the bottom, stands the name alone.
"""

from __future__ import annotations

from importlib import import_module

SHOWN_BY = "tailrace.report.notebook"
"""The module whose function ``html`` turns a result into HTML."""


class Shown:
    """What a result inherits to show itself in a notebook."""

    __slots__ = ()

    def _repr_html_(self) -> str:
        html: str = import_module(SHOWN_BY).html(self)
        return html
