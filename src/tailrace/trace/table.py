"""A CSV file, plain or gzip, block by block: memory stays bounded however long it is."""

from __future__ import annotations

import csv
import gzip
import hashlib
import io
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING

from tailrace.errors import Fault, TraceError
from tailrace.trace.mapping import ColumnMapping

if TYPE_CHECKING:
    import pandas as pd

BLOCK_ROWS = 2**18
_LONGEST_LINE = 1_000_000
_ACCEPTED = "a CSV file, plain or gzip"


@dataclass(frozen=True)
class Block:
    """Rows of a file, in a frame with one column for each that is mapped; ``first_line`` is that of its first row."""

    frame: pd.DataFrame
    first_line: int


def content_digest(path: Path) -> str:
    """SHA-256 (hexadecimal) of a file as it stands. Raises TraceError if it cannot be read."""
    with _reading(path), path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def blocks(
    path: Path, mapping: ColumnMapping, texts: tuple[str, ...], rows: int = BLOCK_ROWS
) -> Iterator[Block]:
    """The rows of a file in order. Columns named in ``texts`` come as categories of text, the others as pandas finds.

    A first line is passed over as headings if columns are named by these, or if what should be a number is none.
    Raises TraceError for a file that cannot be read or lacks a column.
    """
    import pandas as pd

    with _reading(path), _opened(path) as file:
        headings, has_headings = _headings(file, path, mapping, texts)
        places = mapping.places(headings, str(path))
    kept = {place: what for what, place in places.items()}
    with _reading(path), _opened(path) as file:
        reader = pd.read_csv(
            file,
            sep=mapping.separator,
            header=None,
            names=list(range(len(headings))),
            usecols=sorted(kept),
            index_col=False,
            dtype=dict.fromkeys((place for place, what in kept.items() if what in texts), "category"),
            skiprows=1 if has_headings else 0,
            skip_blank_lines=False,
            encoding="utf-8-sig",
            encoding_errors="replace",
            chunksize=rows,
            low_memory=False,
        )
        line = 2 if has_headings else 1
        for frame in reader:
            yield Block(frame.rename(columns=kept), line)
            line += len(frame)


def headings(path: Path, separator: str = ",") -> list[str]:
    """The fields of the first line. Raises TraceError for a file that cannot be read."""
    with _reading(path), _opened(path) as file:
        return _headings(file, path, ColumnMapping(separator=separator), ())[0]


def _headings(
    file: IO[str], path: Path, mapping: ColumnMapping, texts: tuple[str, ...]
) -> tuple[list[str], bool]:
    """The fields of the first line, and whether they are headings."""
    line = file.readline(_LONGEST_LINE)
    if not line.strip():
        wrong = "an empty file" if not line else "an empty first line"
        raise _refused(path, wrong)
    fields = next(csv.reader([line], delimiter=mapping.separator))
    fields = [field.strip() for field in fields]
    if not mapping.by_position:
        return fields, True
    numbers = [column for what, column in mapping.columns.items() if what not in texts]
    places = [column.position - 1 for column in numbers if column.position is not None and not column.is_date]
    wordy = any(place < len(fields) and not _is_number(fields[place]) for place in places)
    return fields, wordy


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return not text
    return True


@contextmanager
def _opened(path: Path) -> Iterator[IO[str]]:
    with path.open("rb") as raw:
        packed = raw.read(2) == b"\x1f\x8b"
        raw.seek(0)
        if path.suffix == ".gz" and not packed:
            raise _refused(path, "named .gz, but no gzip file")
        stream = gzip.GzipFile(fileobj=raw) if packed else raw
        yield io.TextIOWrapper(stream, encoding="utf-8-sig", errors="replace", newline="")


@contextmanager
def _reading(path: Path) -> Iterator[None]:
    """Turn what goes wrong in reading a file into what to say of it."""
    try:
        if path.is_dir():
            raise _refused(path, "a directory")
        yield
    except FileNotFoundError:
        raise _refused(path, f"no such file: {path}") from None
    except (EOFError, zlib.error, gzip.BadGzipFile) as error:
        raise _refused(path, f"a damaged gzip file: {_lowered(error)}") from None
    except OSError as error:
        raise _refused(path, f"cannot be read: {(error.strerror or str(error)).lower()}") from None
    except ValueError as error:  # pandas: a quote that never ends, and the like
        raise _refused(path, f"not CSV: {_lowered(error)}") from None


def _refused(path: Path, wrong: str) -> TraceError:
    return TraceError(str(path), [Fault(("file",), wrong, _ACCEPTED)])


def _lowered(error: Exception) -> str:
    text = " ".join(str(error).split())
    return text[:1].lower() + text[1:]
