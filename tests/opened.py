"""A real browser for the tests of pages; they are skipped where there is none."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest

NAMES = ("chromium", "chromium-browser", "google-chrome")


@contextmanager
def chromium() -> Iterator[Any]:
    """The browser, launched."""
    playwright = pytest.importorskip(
        "playwright.sync_api", reason="no extra `browser`; to get it: pip install -e '.[browser]'"
    )
    found = next((found for name in NAMES if (found := shutil.which(name))), None)
    if found is None:
        looked = ", ".join(NAMES)
        pytest.skip(f"none of {looked} is installed; to get one, on Debian: apt-get install chromium")
    with playwright.sync_playwright() as driver:
        launched = driver.chromium.launch(executable_path=found, args=["--no-sandbox"])
        yield launched
        launched.close()
