"""A study as files: its table for programs, its text to read, its pictures."""

from __future__ import annotations

import io
import re
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

from tailrace.report.files.answer import write_whole

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure


def write_study(
    directory: Path,
    name: str,
    text: str,
    frame: pd.DataFrame,
    document: str,
    pictures: dict[str, Figure] | None = None,
) -> tuple[Path, ...]:
    """Write NAME.txt, NAME.csv, NAME.json, NAME.parquet where pyarrow is installed, and a picture for each class.

    Each file appears whole or not at all. Raises OSError.
    """
    directory.mkdir(parents=True, exist_ok=True)
    paths = [
        write_whole(directory / f"{name}.txt", text),
        write_whole(directory / f"{name}.csv", frame.to_csv(index=False, lineterminator="\n")),
        write_whole(directory / f"{name}.json", document),
    ]
    if find_spec("pyarrow") is not None:
        packed = io.BytesIO()
        frame.to_parquet(packed, index=False)
        paths.append(write_whole(directory / f"{name}.parquet", packed.getvalue()))
    for title, figure in (pictures or {}).items():
        drawn = io.BytesIO()
        figure.savefig(drawn, format="png", dpi=120)
        safe = re.sub(r"[^\w-]+", "_", title)
        paths.append(write_whole(directory / f"{name}_{safe}.png", drawn.getvalue()))
    return tuple(paths)
