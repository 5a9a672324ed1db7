"""The drives and controllers of the tests, as tables of a scenario file: what one needs is said here, once.

Keywords change keys and add some; None leaves one out. A text that opens a bracket is TOML already.
"""

from typing import TypeAlias

from tailrace.scenario import starter

Value: TypeAlias = str | int | float | None


def table(name: str, **keys: Value) -> str:
    """A table of a scenario file, without the end of its last line."""
    return "\n".join(
        [f"[{name}]", *(f"{key} = {_written(each)}" for key, each in keys.items() if each is not None)]
    )


def generic(law: str = "constant", mean: str = "1 ms", *, name: str = "server.media", **keys: Value) -> str:
    """A station whose service is given by a law of one parameter; ``service`` gives any other."""
    service = {"service": f'{{law = "{law}", {"value" if law == "constant" else "mean"} = "{mean}"}}'}
    return table(name, **{"kind": "generic", **service, **keys})


def spinning(*, name: str = "server.media", **keys: Value) -> str:
    """A drive of 7,200 turns a minute."""
    drive: dict[str, Value] = {
        "kind": "spinning",
        "capacity": "1 TB",
        "rpm": "7200 rpm",
        "seek_adjacent": "0.6 ms",
        "seek_average": "8.5 ms",
        "seek_full": "17 ms",
        "outer_rate": "200 MB/s",
    }
    if "seek_curve" in keys:
        del drive["seek_adjacent"], drive["seek_average"], drive["seek_full"]
    return table(name, **{**drive, **keys})


def flash(*, name: str = "server.media", **keys: Value) -> str:
    """A drive given by its parts."""
    drive: dict[str, Value] = {
        "kind": "flash",
        "capacity": "1 TB",
        "dies": 64,
        "channels": 8,
        "channel_rate": "1.2 GB/s",
        "cell_read": "65 us",
        "cell_program": "700 us",
        "cell_erase": "5 ms",
        "command_rate": "500000 /s",
    }
    return table(name, **{**drive, **keys})


def lanes(**keys: Value) -> str:
    """Two lanes of generation 4 for each drive."""
    return table("server.lanes", **{"pcie_generation": 4, "width": 2, **keys})


def controller(**keys: Value) -> str:
    """Four cores that always take the same time."""
    constant: dict[str, Value] = {
        "cores": 4,
        "per_request": "7 us",
        "per_completion": "2 us",
        "per_disk_operation": "1 us",
        "copy_rate": "8 GB/s",
        "variability": 0.0,
    }
    return table("server.controller", **{**constant, **keys})


def _written(value: Value) -> str:
    return f'"{value}"' if isinstance(value, str) and value[:1] not in ("{", "[") else str(value)


def by_parts() -> str:
    """The scenario to begin with, its drives by their parts as it shows them in a comment, not by datasheet figures."""
    text = starter()
    start, end = "[server.media]\n", "# Spinning drives instead:"
    parts = text.split("instead of the seven:\n")[1].split("\n\n")[0]
    drives = "\n".join(line.removeprefix("# ") for line in parts.splitlines())
    return f"{text[: text.index(start)]}{drives}\n\n{text[text.index(end) :]}"
