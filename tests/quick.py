"""Small versions of experiments: where they are, and what each has to leave behind."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import TypeAlias

import pandas as pd

EXPERIMENTS = Path(__file__).parent.parent / "experiments"

Quick: TypeAlias = Callable[[str], pd.DataFrame]
"""What runs an experiment by its name, and returns its table."""


def written(name: str, results: Path) -> pd.DataFrame:
    """The table of an experiment, whose entry in the manifest and whose files are as they should be."""
    entry = json.loads((results / "manifest.json").read_text())[name]
    assert entry["quick"]
    assert entry["seed"] == 7
    for file in entry["files"]:
        assert (results / file).stat().st_size > 100
    assert (results / f"{name}.png").read_bytes().startswith(b"\x89PNG")
    return pd.read_csv(results / f"{name}.csv")
