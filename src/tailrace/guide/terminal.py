"""How does a page of the manual look in a terminal?"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import ClassVar

from rich.console import Console, ConsoleOptions, RenderResult
from rich.markdown import CodeBlock, Markdown
from rich.padding import Padding
from rich.text import Text
from rich.theme import Theme

from tailrace.report.terminal.layout import text_of

_MADE = re.compile(r"^<!-- made: ([\w-]+) -->\n", re.MULTILINE)
_COMMENT = re.compile(r"^<!--.*?-->\n", re.MULTILINE)
_LINK = re.compile(r"\[([^\]]+)\]\(([\w-]+)\.md\)")


def shown(page: str, made: Mapping[str, Callable[[], str]], console: Console) -> str:
    """A page laid out for a console, and between it what is made, by its kind, as it comes."""
    parts = _MADE.split(_LINK.sub(_as_command, page))
    texts = [made[part]() if place % 2 else _laid_out(part, console) for place, part in enumerate(parts)]
    return "\n".join(filter(None, texts))


def _as_command(link: re.Match[str]) -> str:
    """A link to a page as the command that shows it."""
    text, name = link.groups()
    command = f"`tailrace guide {name}`"
    return command if text == name else f"{text} ({command})"


def _laid_out(text: str, console: Console) -> str:
    with console.use_theme(Theme({"markdown.code": "bold cyan"})):  # on whatever ground there is
        return text_of(lambda _: [_Page(_COMMENT.sub("", text))], console)


class _Block(CodeBlock):
    """What is typed, written or printed: indented, and what is typed in bold."""

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        code = Text(str(self.text).rstrip(), style="bold" if self.lexer_name == "bash" else "")
        yield Padding(code, (0, 0, 0, 2))


class _Page(Markdown):
    elements: ClassVar = {**Markdown.elements, "fence": _Block}
