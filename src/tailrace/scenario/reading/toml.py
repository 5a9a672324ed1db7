"""Tables as TOML text, which is read back as what was written, and from a file."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any


def tables_in(file: Path) -> dict[str, Any]:
    """The tables of a file, with or without a byte order mark. Raises ValueError that says what is wrong with it."""
    try:
        return tomllib.loads(file.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise ValueError(f"cannot be read: {(error.strerror or str(error)).lower()}") from None
    except ValueError as error:
        raise ValueError(f"not TOML: {error}") from None


def toml_text(tables: Mapping[str, Any], *comments: str) -> str:
    """Tables as a file would have them, under comments, a line each."""
    import tomli_w

    return "".join(map(comment, comments)) + tomli_w.dumps(tables)


def comment(text: str) -> str:
    """A line of comment: what would end it, or is no character of one, is a space."""
    shown = "".join(character if character.isprintable() else " " for character in text)
    return f"# {shown}\n"
