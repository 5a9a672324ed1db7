"""The commented scenario with which to begin."""

from __future__ import annotations

from importlib.resources import files


def starter() -> str:
    """The text of a scenario file that loads as it is and shows the common keys."""
    return files("tailrace.scenario").joinpath("starter.toml").read_text(encoding="utf-8")
