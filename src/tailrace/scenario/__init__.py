"""What did the user write? Frozen, validated, picklable, and free of any engine.

`tables` holds the models, one module a table of the file: each key typed by `tables.quantity` with range and
description, and what contradicts itself between the keys of a table in its ``findings``. `tables.checks` says what
contradicts itself between tables. `reading` goes from a file to a `Scenario` or to everything that is wrong with it:
TOML is parsed (`read`), parts of the catalogue are taken up (`parts`), keys set over the file's (`override`), and
whatever is wrong is said at once under the path that the user knows (`complaint`). `variant` and `dial` go the other
way: from a scenario to others that differ in some keys. `keys` and `schema` describe the models for whoever writes a
file, by themselves.

A problem is what the user is told (`errors.Problem`: file, key, value, what is accepted), a finding what a model sees
in its own keys, and a fault is either on its way to the other.
"""

from tailrace.scenario.reading.read import load, parse
from tailrace.scenario.reading.schema import schema
from tailrace.scenario.reading.starter import starter
from tailrace.scenario.tables.flash import Flash
from tailrace.scenario.tables.law import (
    Constant,
    Exponential,
    Gamma,
    Hyperexponential,
    Law,
    Lognormal,
    Uniform,
)
from tailrace.scenario.tables.layout import Layout
from tailrace.scenario.tables.media import Generic, Media
from tailrace.scenario.tables.memory import ReadCache, WriteBack
from tailrace.scenario.tables.run import Run
from tailrace.scenario.tables.scenario import Scenario
from tailrace.scenario.tables.server import Controller, Lanes, LawStage, Network, Pool, Server
from tailrace.scenario.tables.spinning import SeekPoint, Spinning, TwoPieceSeek
from tailrace.scenario.tables.step import SizeShare, Step
from tailrace.scenario.tables.workload import Surge, Target, Workload

__all__ = [
    "Constant",
    "Controller",
    "Exponential",
    "Flash",
    "Gamma",
    "Generic",
    "Hyperexponential",
    "Lanes",
    "Law",
    "LawStage",
    "Layout",
    "Lognormal",
    "Media",
    "Network",
    "Pool",
    "ReadCache",
    "Run",
    "Scenario",
    "SeekPoint",
    "Server",
    "SizeShare",
    "Spinning",
    "Step",
    "Surge",
    "Target",
    "TwoPieceSeek",
    "Uniform",
    "Workload",
    "WriteBack",
    "load",
    "parse",
    "schema",
    "starter",
]
