"""What every experiment leaves behind: a CSV, pictures, and an entry in the manifest that says how they came about."""

from __future__ import annotations

import argparse
import json
import os
import platform
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

import matplotlib as mpl
import pandas as pd

import contents
from tailrace.report.pictures.save import picture_bytes

mpl.use("Agg")

ROOT = Path(__file__).resolve().parent.parent
RESULTS = ROOT / "results"
SCENARIOS = ROOT / "shared" / "scenarios"


def write_picture(figure: Any, path: Path) -> None:
    """Write a figure as PNG."""
    path.write_bytes(picture_bytes(figure, "png"))


def arguments(description: str) -> argparse.Namespace:
    """The options that all experiments have."""
    return parser(description).parse_args()


def parser(description: str) -> argparse.ArgumentParser:
    """Reads the options that all experiments have; a script may add its own."""
    found = argparse.ArgumentParser(description=description)
    found.add_argument("--quick", action="store_true", help="a small version, for tests")
    found.add_argument("--seed", type=int, default=7, help="seed of all random streams")
    found.add_argument("--results", type=Path, default=RESULTS, help="where to write")
    return found


class Record:
    """Collects what an experiment writes, and enters it into ``manifest.json`` and the table of all at the end."""

    def __init__(self, name: str, options: argparse.Namespace) -> None:
        self._name, self._directory = name, options.results
        self._quick, self._seed = options.quick, options.seed
        self._files: list[str] = []
        self._started = time.perf_counter()
        self._directory.mkdir(parents=True, exist_ok=True)

    def table(self, frame: pd.DataFrame, suffix: str = "") -> None:
        """Write a table as CSV."""
        frame.to_csv(self._path(suffix, "csv"), index=False, float_format="%.6g")

    def picture(self, figure: Any, suffix: str = "") -> None:
        """Write a figure as PNG."""
        write_picture(figure, self._path(suffix, "png"))

    def text(self, said: str, suffix: str = "") -> None:
        """Write what an answer says, as it stands on a terminal."""
        self._path(suffix, "txt").write_text(said, encoding="utf-8")

    def close(self) -> None:
        """Enter the experiment into the manifest, beside those of others."""
        manifest = self._directory / "manifest.json"
        entries = json.loads(manifest.read_text()) if manifest.exists() else {}
        entries[self._name] = {
            "command": " ".join(["python", f"experiments/{self._name}.py", *_repeated(sys.argv[1:])]),
            "seed": self._seed,
            "quick": self._quick,
            "version": version("tailrace"),
            "date": datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC"),
            "seconds": round(time.perf_counter() - self._started, 1),
            "machine": f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}",
            "files": self._files,
        }
        manifest.write_text(json.dumps(dict(sorted(entries.items())), indent=2) + "\n")
        if self._directory.resolve() == RESULTS:
            contents.refresh(RESULTS)

    def _path(self, suffix: str, kind: str) -> Path:
        name = f"{self._name}{'_' if suffix else ''}{suffix}.{kind}"
        self._files.append(name)
        return self._directory / name


def _repeated(given: list[str]) -> list[str]:
    """Options that say what was measured; where it was written says nothing to whoever repeats it elsewhere."""
    found = [each for each in given if not each.startswith("--results=")]
    if "--results" in found:
        place = found.index("--results")
        del found[place : place + 2]
    return found


def recorded(
    name: str,
    question: str,
    measured: Callable[[argparse.Namespace], pd.DataFrame],
    picture: Callable[[pd.DataFrame], Any],
    digits: int | None = 4,
    options: argparse.Namespace | None = None,
) -> pd.DataFrame:
    """A whole experiment of one table and one picture: measured with the options given, written, and printed.

    ``digits`` are those that are printed of each figure, None for all; ``options`` those that were read already.
    """
    options = options or arguments(question)
    record = Record(name, options)
    frame = measured(options)
    record.table(frame)
    record.picture(picture(frame))
    record.close()
    print(frame.to_string(index=False, float_format=digits and (lambda value: f"{value:.{digits}g}")))
    return frame
