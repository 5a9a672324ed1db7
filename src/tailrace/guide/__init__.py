"""The manual: one page a question, in Markdown, which a terminal and a code host show alike.

To add a page, put ``NAME.md`` here. Its first line is its question, as a heading; ``tailrace guide`` lists it by that.
What follows from the program itself is never copied into a page: ``<!-- made: KIND -->`` on a line of its own stands
for it, and `tailrace.cli.guide` makes it. What tables of `results/` say is put in by ``experiments/tour.py``.

`tests/test_guide.py` holds every page. Each command parses; its files are in ``shared/`` or made by the page, by an
earlier command or by a block that names the file behind its language (``csv points.csv``); the keys that it sets are
known. **The first command of a page is carried out**, with short runs, so a page begins with a cheap one. So is each
that is a block by itself with a block of text right behind it, which has to be what comes out (``[...]`` for what is
left out). In a terminal nothing is wider than 80 columns: a line of code has at most 78.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from importlib.resources import files
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.console import Console

_MADE = re.compile(r"^<!-- made: ([\w-]+) -->\n", re.MULTILINE)
_COMMENT = re.compile(r"^<!--.*?-->\n", re.MULTILINE)
_LINK = re.compile(r"\[([^\]]+)\]\(([\w-]+)\.md\)")


def pages() -> dict[str, str]:
    """The text of each page, by its name, in order of the names."""
    found = (each for each in files("tailrace.guide").iterdir() if each.name.endswith(".md"))
    texts = {each.name.removesuffix(".md"): each.read_text(encoding="utf-8") for each in found}
    return dict(sorted(texts.items()))


def question(page: str) -> str:
    """The question that a page answers: its first line."""
    return page.partition("\n")[0].removeprefix("# ")


def shown(page: str, made: Mapping[str, Callable[[], str]], console: Console | None = None) -> str:
    """A page as a terminal shows it: Markdown laid out, and between it what is made, by its kind, as it comes."""
    parts = _MADE.split(_LINK.sub(_for_terminal, page))
    texts = [made[part]() if place % 2 else _laid_out(part, console) for place, part in enumerate(parts)]
    return "\n".join(filter(None, texts))


def _for_terminal(link: re.Match[str]) -> str:
    """A link to a page as the command that shows it."""
    text, name = link.groups()
    command = f"`tailrace guide {name}`"
    return command if text == name else f"{text} ({command})"


def _laid_out(text: str, console: Console | None) -> str:
    from rich.markdown import Markdown

    from tailrace.report.terminal.layout import text_of

    return text_of(lambda _: [Markdown(_COMMENT.sub("", text), code_theme="ansi_dark")], console)
