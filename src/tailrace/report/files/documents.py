"""What do programs get? Each answer as one JSON document: plain mappings and lists, in SI units."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from importlib.metadata import version
from math import isfinite
from typing import TYPE_CHECKING, Any, Protocol

from tailrace.shown import plain, told

if TYPE_CHECKING:
    from tailrace.fit.calibration import Calibration
    from tailrace.fit.law_fit import FittedLaw
    from tailrace.fit.ranking import Candidate
    from tailrace.fit.resemblance import Likeness
    from tailrace.forecast.result import Theory
    from tailrace.trace.profile import Profile
    from tailrace.trace.segments import Segment


class Documented(Protocol):
    """An answer that knows its own document."""

    def as_dict(self) -> dict[str, Any]:
        """The answer as plain mappings and lists, in SI units."""


def as_json(found: Documented | Mapping[str, Any]) -> str:
    """One JSON document. Raises ValueError for a number that JSON does not know."""
    content = found if isinstance(found, Mapping) else found.as_dict()
    return json.dumps(content, indent=2, allow_nan=False) + "\n"


def theory_document(title: str, digest: str, theory: Theory) -> dict[str, Any]:
    """What closed forms say of a scenario."""
    return {"tailrace": version("tailrace"), "title": title, "digest": digest, "theory": theory.as_dict()}


def profile_document(
    name: str, profile: Profile, likeness: Likeness | None = None, spells: Sequence[Segment] = ()
) -> dict[str, Any]:
    """All that is known of a trace, and how the class that resembles it differs."""
    document: dict[str, Any] = {"tailrace": version("tailrace"), "trace": name, **profile.as_dict()}
    if spells:
        document["conditions"] = plain(spells)
    if likeness is not None:
        document["simulated"] = plain(likeness)
    return document


def calibration_document(name: str, fitted: Calibration) -> dict[str, Any]:
    """The fit of a drive."""
    return {
        "tailrace": version("tailrace"),
        "measured": name,
        "by": fitted.by,
        "parameters": [
            plain(each) | ({} if isfinite(each.high) else {"high": None}) for each in fitted.parameters
        ],
        **told(fitted, "residuals", "spread", "singular_values", "warnings", "left_out", "repeated"),
    }


def ranking_document(name: str, found: Sequence[Candidate]) -> dict[str, Any]:
    """Descriptions of a drive, the one that predicts best first, each with its fit."""
    listed = [
        {
            "media": each.kind,
            "median_apart": each.median if isfinite(each.median) else None,
            "reason": each.reason or None,
            "fit": None if each.fitted is None else calibration_document(name, each.fitted),
        }
        for each in found
    ]
    return {"tailrace": version("tailrace"), "measured": name, "criterion": "left out", "media": listed}


def laws_document(name: str, laws: Sequence[FittedLaw]) -> dict[str, Any]:
    """Fitted laws, the best first."""
    listed = [{"law": law.name, **told(law, "parameters", "aic", "distance", "service")} for law in laws]
    return {"tailrace": version("tailrace"), "measured": name, "criterion": "AIC", "laws": listed}
