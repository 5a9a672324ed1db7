"""The verb that shows the manual."""

from __future__ import annotations

from typing import Annotated

import typer

from tailrace.cli.failures import BAD_INPUT, console, put, stop


def _names() -> list[str]:
    from tailrace.guide import pages

    return list(pages())


def guide(
    context: typer.Context,
    name: Annotated[
        str | None,
        typer.Argument(
            metavar="[NAME]", help="Which page; without it they are listed.", autocompletion=_names
        ),
    ] = None,
) -> None:
    """Show a page of the manual."""
    from tailrace.guide import pages, question

    known = pages()
    if name is None:
        longest = max(len(each) for each in known)
        put("".join(f"{each:<{longest}}  {question(text)}\n" for each, text in known.items()))
        put("\nBegin with: tailrace guide tutorial\n")
        return
    if name not in known:
        stop(BAD_INPUT, f"page is {name!r}; accepted: {', '.join(known)}")
    from tailrace.guide.terminal import shown
    from tailrace.report.terminal.key_list import key_list
    from tailrace.report.terminal.part_list import part_list
    from tailrace.scenario.reading.keys import rows
    from tailrace.scenario.reading.parts import catalogue

    made = {
        "keys": lambda: key_list(rows()),
        "parts": lambda: part_list(catalogue(None)),
        "commands": lambda: _commands(context),
    }
    put(shown(known[name], made, console()))


def _commands(context: typer.Context) -> str:
    """The help of the program and of each verb."""
    from typer.core import TyperGroup

    root = context.find_root()
    assert isinstance(root.command, TyperGroup)
    verbs = root.command.commands.items()
    contexts = [each.make_context(name, [], root, resilient_parsing=True) for name, each in verbs]
    return "\n\n".join(each.get_help() for each in (root, *contexts)) + "\n"
