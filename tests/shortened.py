"""Which of the values of a parametrised test the short run takes; the others wait for `pytest -m whole`."""

from collections.abc import Collection, Iterable
from typing import Any

import pytest


def shortened(values: Iterable[Any], kept: Collection[Any]) -> list[Any]:
    """The values, of which all but those kept, each of which must be among them, are left to the whole run."""
    listed = list(values)
    assert set(kept) <= set(listed), f"not among them: {set(kept) - set(listed)}"
    return [each if each in kept else pytest.param(each, marks=pytest.mark.whole) for each in listed]
