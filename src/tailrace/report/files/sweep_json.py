"""A sweep as one JSON document, in SI units."""

from __future__ import annotations

from importlib.metadata import version
from typing import Any

from tailrace.report.terminal.sweep import knees
from tailrace.study.knee import METHOD
from tailrace.study.sweep import Sweep


def sweep_document(sweep: Sweep) -> dict[str, Any]:
    """What was asked, every row, and the knees."""
    return {
        "tailrace": version("tailrace"),
        "title": sweep.title,
        "seed": sweep.seed,
        "keys": [{"key": key, "unit": sweep.units.get(key, "")} for key in sweep.keys],
        "rows": sweep.rows(),
        "knees": [
            {
                "class": name,
                "line": label,
                "value": bend.value,
                "within": bend.within,
                "beyond": bend.beyond,
                "method": METHOD,
                "reason": bend.reason or None,
            }
            for name in sweep.class_names
            for label, bend in knees(sweep, name)
        ],
        "requests": sweep.requests,
        "verdict": sweep.verdict,
        "notes": list(sweep.notes),
    }
