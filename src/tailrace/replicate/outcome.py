"""One replication in few numbers: enough for every figure of a study, small enough to keep thousands of them.

A replication of 200,000 requests has 1.6 MB of latencies; kept are their number, sum and spectrum (see
`measure/spectrum.py`), its own quantiles, and how often it went beyond them: some ten kB. Figures of several
replications follow from that alone, so that a study that goes on from a store ends with the same figures.
"""

from __future__ import annotations

import json
import struct
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from tailrace.arrays import FloatArray
from tailrace.measure.quantile import excursions, quantiles_in_place
from tailrace.measure.spectrum import Spectrum, spectrum
from tailrace.quantity import QUANTILES
from tailrace.replicate.sample import Kind, KindSample, Sample

FORM = 1
"""Number of the form in which outcomes are written."""


@dataclass(frozen=True, eq=False)
class KindOutcome:
    """What a replication shows of a class, or of its reads or writes: requests, bytes moved, and latency.

    ``own_s`` and ``excursions`` are by quantile, in the order of `QUANTILES`; an excursion starts beyond the
    replication's own quantile and ends on the other side of its own median.
    """

    requests: int
    bytes_moved: float
    total_s: float
    own_s: FloatArray
    excursions: tuple[int, ...]
    spectrum: Spectrum


@dataclass(frozen=True, eq=False)
class Outcome:
    """One finished replication. ``kinds`` by class name, then by kind ("all", "read", "write").

    ``arrived`` and ``under_way`` are at the first and the last mark of the measured window; ``complete`` is False for
    one that was given up because too much was under way.
    """

    window_s: float
    complete: bool
    arrived: FloatArray
    under_way: FloatArray
    waiting_growth: FloatArray
    kinds: Mapping[str, Mapping[str, KindOutcome]]


def outcome_of(sample: Sample) -> Outcome:
    """Keep of a replication what a study needs."""
    ends = [0, -1]
    return Outcome(
        sample.window_s,
        sample.complete,
        sample.arrived[ends],
        sample.under_way[ends],
        sample.waiting_growth,
        {name: _kind_outcomes(kinds) for name, kinds in sample.kinds.items()},
    )


def _kind_outcomes(kinds: Mapping[Kind, KindSample]) -> dict[str, KindOutcome]:
    """All requests, and reads and writes where there are both; where there are not, one stands for the other."""
    every = _kind_outcome(kinds["all"])
    return {
        kind: every if part.latency_s.size == every.requests else _kind_outcome(part)
        for kind, part in kinds.items()
    }


def _kind_outcome(part: KindSample) -> KindOutcome:
    latency = part.latency_s
    median, *own = quantiles_in_place(latency.copy(), [0.5, *QUANTILES.values()])
    return KindOutcome(
        latency.size,
        part.bytes_moved,
        float(latency.sum()),
        np.array(own),
        tuple(excursions(latency, own, float(median)).tolist()),
        spectrum(latency),
    )


def written(outcome: Outcome) -> bytes:
    """An outcome as bytes, which `read` turns back into the same outcome: a head in JSON, then numbers."""
    numbers: list[np.ndarray[tuple[int, ...], np.dtype[np.float64 | np.int64]]] = [
        outcome.arrived,
        outcome.under_way,
        outcome.waiting_growth,
    ]
    classes: list[Any] = []
    for name, kinds in outcome.kinds.items():
        for kind, part in kinds.items():
            if kind != "all" and part is kinds["all"]:
                classes.append([[name, kind], None])
                continue
            shape = part.spectrum
            head = [name, kind, part.requests, part.bytes_moved.hex(), part.total_s.hex(), *part.excursions]
            classes.append([head, shape.place.size])
            numbers += [part.own_s, shape.place, shape.count, shape.low, shape.high]
    document = {
        "form": FORM,
        "window_s": outcome.window_s.hex(),
        "complete": outcome.complete,
        "banks": outcome.waiting_growth.size,
        "classes": classes,
    }
    text = json.dumps(document, separators=(",", ":")).encode()
    raw = b"".join(_shuffled(each.astype("<i8" if each.dtype.kind == "i" else "<f8")) for each in numbers)
    return zlib.compress(struct.pack("<I", len(text)) + text + raw, 1)


def read(content: bytes) -> Outcome:
    """An outcome from its bytes. Raises ValueError if they are damaged or of another form."""
    try:
        plain = zlib.decompress(content)
        (length,) = struct.unpack_from("<I", plain)
        document = json.loads(plain[4 : 4 + length])
        if document["form"] != FORM:
            raise ValueError(f"form {document['form']}")
        numbers = _Numbers(plain[4 + length :])
        arrived, under_way = numbers.floats(2), numbers.floats(2)
        growth = numbers.floats(document["banks"])
        kinds: dict[str, dict[str, KindOutcome]] = {}
        for (name, kind, *figures), size in document["classes"]:
            if size is None:
                kinds[name][kind] = kinds[name]["all"]
                continue
            requests, moved, total, *counts = figures
            own = numbers.floats(len(counts))
            shape = Spectrum(
                numbers.whole(size), numbers.whole(size), numbers.floats(size), numbers.floats(size)
            )
            kinds.setdefault(name, {})[kind] = KindOutcome(
                requests, float.fromhex(moved), float.fromhex(total), own, tuple(counts), shape
            )
        numbers.finish()
        window = float.fromhex(document["window_s"])
    except (zlib.error, struct.error, KeyError, TypeError, IndexError, UnicodeDecodeError) as error:
        raise ValueError(f"not an outcome: {error}") from None
    return Outcome(window, document["complete"], arrived, under_way, growth, kinds)


def _shuffled(numbers: np.ndarray[tuple[int, ...], np.dtype[Any]]) -> bytes:
    """First the first bytes of all numbers, then the second ones: like lies beside like, and packs well."""
    return numbers.view(np.uint8).reshape(-1, 8).T.tobytes()


class _Numbers:
    """Reads runs of numbers one after the other."""

    def __init__(self, content: bytes) -> None:
        self._content, self._at = content, 0

    def floats(self, count: int) -> FloatArray:
        return self._next(count).view("<f8").astype(np.float64)

    def whole(self, count: int) -> np.ndarray[tuple[int, ...], np.dtype[np.int64]]:
        return self._next(count).view("<i8").astype(np.int64)

    def _next(self, count: int) -> np.ndarray[tuple[int], np.dtype[np.uint8]]:
        end = self._at + 8 * count
        if count < 0 or end > len(self._content):
            raise ValueError("fewer numbers than announced")
        taken = self._content[self._at : end]
        self._at = end
        return np.ascontiguousarray(np.frombuffer(taken, np.uint8).reshape(8, count).T).reshape(-1)

    def finish(self) -> None:
        if self._at != len(self._content):
            raise ValueError("more numbers than announced")
