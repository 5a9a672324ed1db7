"""How does a result look in a notebook? As it does on a terminal, in columns of like width and in colour."""

from __future__ import annotations

from io import StringIO

from rich.console import Console, Group
from rich.terminal_theme import TerminalTheme

from tailrace.report.terminal.layout import WIDEST
from tailrace.report.terminal.results import as_text, parts

COLOURS = TerminalTheme(
    # No ground is drawn: what is dim is halfway from here to the ink, and read on white and on black.
    (187, 197, 208),
    (27, 37, 48),
    [
        (0, 0, 0),
        (198, 40, 40),
        (46, 125, 50),
        (150, 100, 0),
        (48, 80, 190),
        (150, 60, 150),
        (0, 120, 130),
        (107, 117, 128),
    ],
)
"""Ink and colours of verdicts, legible on white and on black."""

FRAME = (
    '<pre style="white-space: pre; overflow-x: auto; line-height: 1.35; font-family: ui-monospace, monospace">'
    "{code}</pre>"
)


def html(found: object) -> str:
    """A result as HTML with its styles in it, which needs no script and no style sheet.

    Raises:
        KeyError: nothing shows such a thing.
    """
    console = Console(file=StringIO(), width=WIDEST, record=True, force_jupyter=False, highlight=False)
    console.print(Group(*parts(found, WIDEST)))
    return console.export_html(theme=COLOURS, code_format=FRAME, inline_styles=True)


def text(found: object) -> str:
    """A result as plain text of 80 columns.

    Raises:
        KeyError: nothing shows such a thing.
    """
    return as_text(found).rstrip("\n")
