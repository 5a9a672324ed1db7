"""Draws the pictures of experiments again from the tables that they left, without any run.

``python experiments/redraw.py`` draws all whose tables are there, with names only those.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Mapping
from importlib import import_module
from pathlib import Path
from typing import Any

import pandas as pd

from contents import experiments
from record import RESULTS, write_picture


def pictures(name: str) -> Mapping[str, Callable[[pd.DataFrame], Any]]:
    """How each table of an experiment is drawn, by what its file's name ends in."""
    module = import_module(name)
    if hasattr(module, "PICTURES"):
        return dict(module.PICTURES)
    return {"": module.picture} if hasattr(module, "picture") else {}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("names", nargs="*", help="experiments; all if left out")
    parser.add_argument("--results", type=Path, default=RESULTS, help="where tables and pictures are")
    options = parser.parse_args()
    for name in options.names or experiments():
        for suffix, draw in pictures(name).items():
            table = options.results / f"{name}{suffix}.csv"
            if table.exists():
                write_picture(draw(pd.read_csv(table)), table.with_suffix(".png"))
                print(f"{name}{suffix}.png")


if __name__ == "__main__":
    main()
