"""tailrace: predicts the request latency of a storage server with a discrete-event queueing simulation.

A scenario is read from a TOML file with :func:`load` and simulated with :func:`simulate`; the answer is a
:class:`Result`. :func:`estimate` says in milliseconds what closed forms make of it. All figures are in SI
units: seconds, bytes, per second.

>>> import tailrace
>>> scenario = tailrace.load(
...     "shared/scenarios/one-station.toml", ["run.requests=2000", "run.precision=0.05"]
... )
>>> result = tailrace.simulate(scenario)
>>> latency = result.classes[0].all.latency_s["mean"]
>>> latency.low < latency.value < latency.high
True
"""

from __future__ import annotations

_HOMES: dict[str, str] = {}


def __getattr__(name: str) -> object:
    """A public name, imported when it is first used, since what stands behind it takes a second to import.

    ``__init__.pyi`` has the list of them: ``from HOME import NAME as NAME``, a line each.
    """
    from importlib import import_module

    if not _HOMES:
        with open(f"{__path__[0]}/__init__.pyi", encoding="utf-8") as stub:
            lines = [line.split() for line in stub if line.startswith("from ")]
        _HOMES.update({words[-1]: words[1] for words in lines})
    if name == "__version__":
        from importlib.metadata import version

        return version(__name__)
    if name == "__all__":
        return sorted({*_HOMES, "__version__"})
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    home = _HOMES[name]
    return import_module(f"{home}.{name}") if home == __name__ else getattr(import_module(home), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__getattr__("__all__")})
