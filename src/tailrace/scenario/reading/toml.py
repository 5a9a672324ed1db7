"""Tables as TOML text, which is read back as what was written."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def toml_text(tables: Mapping[str, Any], *comments: str) -> str:
    """Tables as a file would have them, under comments, a line each."""
    import tomli_w

    return "".join(map(comment, comments)) + tomli_w.dumps(tables)


def comment(text: str) -> str:
    """A line of comment: what would end it, or is no character of one, is a space."""
    shown = "".join(character if character.isprintable() else " " for character in text)
    return f"# {shown}\n"
