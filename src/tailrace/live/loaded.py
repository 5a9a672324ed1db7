"""Loads what workers need and is slow to load, when it is imported: where processes are copies of one, once for all."""

from __future__ import annotations

import tailrace.live.pieces  # noqa: F401
from tailrace.engine.compiled import available, prepare

if available():
    prepare()
