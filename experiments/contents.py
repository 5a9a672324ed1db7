"""Writes the table of all experiments into README.md beside them: question, command, time and pictures."""

from __future__ import annotations

import ast
import json
import re
from pathlib import Path

HERE = Path(__file__).parent
README = HERE / "README.md"
BEGIN, END = "<!-- contents -->\n", "<!-- end -->"
LEAVES_SOMETHING = re.compile(r'\b(?:Record|recorded)\(\s*"')


def experiments() -> list[str]:
    """The names of all scripts here that leave results."""
    return sorted(p.stem for p in HERE.glob("*.py") if LEAVES_SOMETHING.search(p.read_text(encoding="utf-8")))


def question(name: str) -> str:
    """The first line of a script's text."""
    said = ast.get_docstring(ast.parse((HERE / f"{name}.py").read_text(encoding="utf-8"))) or ""
    return said.splitlines()[0]


def row(name: str, results: Path) -> tuple[str, str, str, str]:
    """Question, command, time and pictures of an experiment, from what it left last."""
    manifest = results / "manifest.json"
    entry = json.loads(manifest.read_text(encoding="utf-8")).get(name, {}) if manifest.exists() else {}
    files = [each for each in entry.get("files", ()) if each.endswith(".png")] or [f"{name}.png"]
    pictures = ", ".join(f"[{each.removesuffix('.png')}](../results/{each})" for each in files)
    taken = duration(entry["seconds"]) if entry else "not run whole yet"
    part = entry.get("command", "").partition("--only ")[2]
    taken += f" ({part} alone)" * bool(part)
    return question(name), f"`python experiments/{name}.py`", taken, pictures


def duration(seconds: float) -> str:
    """Seconds up to two minutes, then minutes, then hours."""
    if seconds < 120:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"


def table(results: Path) -> str:
    """The whole table, in Markdown."""
    lines = ["| question | command | time | picture |", "| --- | --- | ---: | --- |"]
    lines += [f"| {' | '.join(row(name, results))} |" for name in experiments()]
    return "\n".join(lines) + "\n"


def refresh(results: Path) -> None:
    """Put the table into the README as the results have it now."""
    before, rest = README.read_text(encoding="utf-8").split(BEGIN)
    README.write_text(before + BEGIN + table(results) + END + rest.split(END)[1], encoding="utf-8")


if __name__ == "__main__":
    refresh(HERE.parent / "results")
