"""A kept replication as bytes, and back: a head in JSON, then numbers, packed."""

from __future__ import annotations

import json
import struct
import zlib
from typing import Any

import numpy as np

from tailrace.arrays import FloatArray, IntArray
from tailrace.measure.spectrum import Spectrum
from tailrace.quantity import Kind
from tailrace.replicate.gather import STAGES, StageSums
from tailrace.replicate.replication import Kept, Replication, StationSample, Totals

FORM = 2
"""Number of the form in which replications are written."""


def written(replication: Replication) -> bytes:
    """A kept replication as bytes, which `read` turns back into the same."""
    stations = replication.stations
    numbers: list[FloatArray | IntArray] = [
        replication.arrived,
        replication.under_way,
        stations.busy_s,
        stations.waiting_s,
        stations.held_growth,
        stations.waiting_growth,
        *replication.warming_s.values(),
        *replication.pace_per_s.values(),
    ]
    parts: list[Any] = []
    for name, kinds in replication.kinds.items():
        for kind, part in kinds.items():
            kept, sums = part.kept, (part.stages, part.slowest, part.middle)
            assert kept is not None
            for each in sums:
                numbers += [each.wait_s, each.service_s]
            counts = [each.requests for each in sums]
            passed = [part.requests, part.completed, part.bytes_moved, part.under_way_s, part.total_s]
            head = [name, kind, passed, counts]
            if kind != "all" and kept is kinds["all"].kept:
                parts.append([*head, None])
                continue
            shape = kept.spectrum
            numbers += [kept.own_s, kept.excursions, shape.place, shape.count, shape.low, shape.high]
            parts.append([*head, shape.place.size])
    document = {
        "form": FORM,
        "window_s": replication.window_s,
        "complete": replication.complete,
        "marks": replication.arrived.size,
        "seconds_s": stations.seconds_s,
        "banks": stations.busy_s.size,
        "classes": [
            [name, means.size, replication.issued[name], replication.pace_per_s[name].size]
            for name, means in replication.warming_s.items()
        ],
        "ps": next(
            (part.kept.ps for kinds in replication.kinds.values() for part in kinds.values() if part.kept), ()
        ),
        "parts": parts,
    }
    text = json.dumps(document, separators=(",", ":")).encode()
    raw = b"".join(_shuffled(each.astype("<i8" if each.dtype.kind == "i" else "<f8")) for each in numbers)
    return zlib.compress(struct.pack("<I", len(text)) + text + raw, 1)


def read(content: bytes) -> Replication:
    """A replication from its bytes. Raises ValueError if they are damaged or of another form."""
    try:
        plain = zlib.decompress(content)
        (length,) = struct.unpack_from("<I", plain)
        document = json.loads(plain[4 : 4 + length])
        if document["form"] != FORM:
            raise ValueError(f"form {document['form']}")
        numbers = _Numbers(plain[4 + length :])
        arrived, under_way = numbers.floats(document["marks"]), numbers.floats(document["marks"])
        banks = [numbers.floats(document["banks"]) for _ in range(4)]
        classes = document["classes"]
        warming = {name: numbers.floats(size) for name, size, *_ in classes}
        pace = {name: numbers.floats(slices) for name, *_, slices in classes}
        kinds: dict[str, dict[Kind, Totals]] = {name: {} for name in warming}
        ps = tuple(document["ps"])
        for name, kind, passed, counts, size in document["parts"]:
            stages, slowest, middle = (
                StageSums(count, numbers.floats(STAGES), numbers.floats(STAGES)) for count in counts
            )
            kept = kinds[name]["all"].kept if size is None else _kept(numbers, ps, size)
            requests, completed, moved, present_s, total_s = passed
            kinds[name][kind] = Totals(
                kind, requests, completed, moved, present_s, total_s, stages, slowest, middle, kept=kept
            )
        numbers.finish()
    except (zlib.error, struct.error, KeyError, TypeError, IndexError, UnicodeDecodeError) as error:
        raise ValueError(f"not a replication: {error}") from None
    return Replication(
        document["window_s"],
        kinds,
        warming,
        {name: issued for name, _, issued, _ in classes},
        pace,
        StationSample(document["seconds_s"], *banks),
        arrived,
        under_way,
        document["complete"],
    )


def _kept(numbers: _Numbers, ps: tuple[float, ...], size: int) -> Kept:
    own, counts = numbers.floats(len(ps)), numbers.whole(len(ps))
    shape = Spectrum(numbers.whole(size), numbers.whole(size), numbers.floats(size), numbers.floats(size))
    return Kept(ps, own, counts, shape)


def _shuffled(numbers: np.ndarray[tuple[int, ...], np.dtype[Any]]) -> bytes:
    """First the first bytes of all numbers, then the second ones: like lies beside like, and packs well."""
    return numbers.view(np.uint8).reshape(-1, 8).T.tobytes()


class _Numbers:
    """Reads runs of numbers one after the other."""

    def __init__(self, content: bytes) -> None:
        self._content, self._at = content, 0

    def floats(self, count: int) -> FloatArray:
        return self._next(count).view("<f8").astype(np.float64)

    def whole(self, count: int) -> IntArray:
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
