"""How is a page made? From a template that needs nothing else: no network, no script, no other file."""

from __future__ import annotations

import shlex
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from tailrace.report.pictures import style
from tailrace.report.pictures.save import inline_svg
from tailrace.report.pictures.style import Width
from tailrace.report.table import Table

if TYPE_CHECKING:
    from jinja2 import Environment
    from matplotlib.figure import Figure


@dataclass(frozen=True)
class Drawing:
    """A picture of a page: how it is drawn, what it shows in words, and its numbers, unless the page has them anyway.

    ``name`` is an identifier that no other picture of the page has, and the name of the file where it becomes one.
    """

    name: str
    figure: Callable[[Width], Figure]
    alternative: str
    caption: str
    numbers: tuple[tuple[str, Table], ...]

    def svg(self, width: Width) -> Markup:
        """The picture as a part of a page."""
        # The names in it were escaped when it was written.
        return Markup(inline_svg(self.figure(width), f"{self.name}-{width}"))


def command(files: Sequence[str], settings: Sequence[str], extras: Sequence[str], seed: int) -> str:
    """The command that makes a page of these files again."""
    chosen = [part for each in settings for part in ("--set", each)]
    asked = ["--with", ",".join(extras)] if extras else []
    return shlex.join(
        ["tailrace", "report", *files, *chosen, *asked, "--seed", str(seed), "--out", "report.html"]
    )


def page(template: str, context: dict[str, Any], folder: Path | None = None) -> str:
    """A template of this folder filled in, or one of another folder that builds on those here."""
    return environment(folder).get_template(template).render(variables=style.PAGE_COLOURS, **context)


@cache
def environment(folder: Path | None = None) -> Environment:
    """Where the templates of another folder, and then those of this one, are found; they escape all they are given."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    here = Path(__file__).parent
    return Environment(
        loader=FileSystemLoader([folder or here, here]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
