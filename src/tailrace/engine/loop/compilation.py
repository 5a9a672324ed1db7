"""Compiling with numba: functions of the loop, and those that the interpreter calls, kept on disk.

numba keeps what it has compiled beside the sources, or where that cannot be written in the user's cache folder, or
where NUMBA_CACHE_DIR points.
"""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import numba

from tailrace.physics import arm, flow, read_ahead

Function = TypeVar("Function", bound=Callable[..., Any])

# Without counting references to arrays, which costs as much as a visit: the caller holds them all.
_OPTIONS = {"nogil": True, "_nrt": False}
_njit: Any = numba.njit


def compiled(function: Function) -> Function:
    """A function to be called by other compiled ones."""
    result: Function = _njit(**_OPTIONS)(function)
    return result


def inlined(function: Function) -> Function:
    """A compiled function whose code is put wherever it is called."""
    result: Function = _njit(forceinline=True, **_OPTIONS)(function)
    return result


def kept(function: Function) -> Function:
    """A function for the interpreter to call, kept on disk or, where there is no place, compiled in each process."""
    try:
        result: Function = _njit(cache=True, **_OPTIONS)(function)
    except RuntimeError:
        if not _unkept:
            logging.getLogger(__name__).warning(
                "the compiled engine cannot be kept on disk, so every process compiles it anew: "
                "let the environment variable NUMBA_CACHE_DIR name a folder that can be written"
            )
        _unkept.append(function.__name__)
        result = _njit(**_OPTIONS)(function)
    return result


_unkept: list[str] = []


def version_of_sources() -> int:
    """A number that changes with the sources of whatever is compiled.

    numba itself looks at the file of the function it keeps, not at those of the functions which that one calls.
    """
    digest = hashlib.sha256()
    formulas = [Path(arm.__file__), Path(flow.__file__), Path(read_ahead.__file__)]
    for path in [*sorted(Path(__file__).parent.glob("*.py")), *formulas]:
        digest.update(path.read_bytes())
    return int.from_bytes(digest.digest()[:7], "big")
