"""What goes to the terminal besides answers: failures in a line each, and the exit code that goes with them."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from enum import StrEnum
from inspect import Signature, signature
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, NoReturn

import typer

from tailrace.errors import StoreError, TailraceError

if TYPE_CHECKING:
    from rich.console import Console

BAD_INPUT, FAILURE, INTERRUPTED = 2, 4, 130
EXIT_CODES = {"met": 0, "none": 0, "missed": 1, "overloaded": 1, "undecided": 3}
"""Exit code of each verdict."""

Debug = Annotated[bool, typer.Option("--debug", help="Show where in the program a failure happened.")]


class Engine(StrEnum):
    """Who carries the requests through the plan."""

    AUTO = "auto"
    REFERENCE = "reference"
    COMPILED = "compiled"


@contextmanager
def failures(debug: bool) -> Iterator[None]:
    """Turn what goes wrong into lines on standard error and an exit code."""
    try:
        yield
    except typer.Exit:
        raise
    except StoreError as error:
        stop(FAILURE, str(error))
    except TailraceError as error:
        stop(BAD_INPUT, str(error))
    except KeyboardInterrupt as interrupt:
        stop(INTERRUPTED, str(interrupt) or "Interrupted.")
    except BrokenPipeError:  # the reader of standard output has gone: nobody is left to tell
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise typer.Exit(FAILURE) from None
    except Exception as error:
        if debug:
            from traceback import print_exc

            print_exc()
        text = ": ".join(part for part in (type(error).__name__, " ".join(str(error).split())) if part)
        stop(FAILURE, f"failure: {text}" if debug else f"failure: {text} (--debug shows where)")


def guarded(verb: Callable[..., None]) -> Callable[..., None]:
    """A verb with the option ``--debug`` behind its own: its `failures` become lines and an exit code."""

    def carry_out(debug: Debug = False, **own: Any) -> None:
        with failures(debug):
            verb(**own)

    return with_options(carry_out, verb)


def with_options(carry_out: Callable[..., None], verb: Callable[..., Any]) -> Callable[..., None]:
    """What carries a verb out, under its name: the verb's options, taken as ``**own``, in front of further ones.

    A verb's ``options`` stands for the further ones.
    """
    own, further = (list(signature(each, eval_str=True).parameters.values()) for each in (verb, carry_out))
    every = [each.replace(kind=each.KEYWORD_ONLY) for each in (*own, *further[:-1]) if each.name != "options"]
    carry_out.__name__, carry_out.__doc__ = verb.__name__, verb.__doc__
    carry_out.__annotations__ = {each.name: each.annotation for each in every}
    vars(carry_out)["__signature__"] = Signature(every)
    return carry_out


def stop(code: int, text: str) -> NoReturn:
    """Write each line of a text on standard error, and end with the exit code."""
    for line in text.splitlines():
        print(f"tailrace: {line}", file=sys.stderr)
    raise typer.Exit(code)


def reason(error: OSError) -> str:
    """What the system says of a file, in lower case."""
    return (error.strerror or str(error)).lower()


def console() -> Console:
    """The terminal at standard output, on which nothing is coloured but what says so."""
    from rich.console import Console

    return Console(highlight=False)


def write_new(path: Path, text: str) -> None:
    """Write a file that is not there yet."""
    try:
        with path.open("x", encoding="utf-8") as opened:
            opened.write(text)
    except FileExistsError:
        stop(BAD_INPUT, f"{path}: is there already; nothing was written")
    except OSError as error:
        stop(BAD_INPUT, f"{path}: cannot be written: {reason(error)}")


def put(text: str) -> None:
    """To standard output, whatever characters it can show."""
    reconfigure = getattr(sys.stdout, "reconfigure", None)
    if reconfigure is not None:
        reconfigure(errors="replace")
    sys.stdout.write(text)
    sys.stdout.flush()


PictureKind = Literal["png", "svg", "pdf"]
PICTURES: tuple[PictureKind, ...] = ("png", "svg", "pdf")


def picture_kinds(text: str) -> tuple[PictureKind, ...]:
    """The kinds of pictures in a list such as "png,svg"; none of them for "none"."""
    wanted = [] if text == "none" else [each.strip() for each in text.split(",")]
    if strange := [each for each in wanted if each not in PICTURES]:
        stop(
            BAD_INPUT,
            f"pictures is {strange[0]!r}; accepted: {', '.join(PICTURES)}, several of them, or none",
        )
    return tuple(each for each in PICTURES if each in wanted)


def make_directory(directory: Path, known_by: str = "") -> None:
    """Before the run, so that no answer is computed that has nowhere to go.

    One in which ``known_by`` is not has to be empty: what goes there could replace files of somebody else.
    """
    try:
        directory.mkdir(parents=True, exist_ok=True)
        there = sorted(each.name for each in directory.iterdir()) if known_by else []
    except OSError as error:
        stop(BAD_INPUT, f"{directory}: cannot be made a directory: {reason(error)}")
    if there and known_by not in there:
        others = f"{there[0]} and {len(there) - 1} more" if len(there) > 1 else there[0]
        stop(
            BAD_INPUT,
            f"{directory}: holds other files ({others}); accepted: a directory that is new, empty or holds an "
            "earlier answer",
        )
