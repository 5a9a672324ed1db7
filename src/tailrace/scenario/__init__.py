"""What did the user write? Frozen, validated, picklable, and free of any engine."""

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
