"""What did the user write? Frozen, validated, picklable, and free of any engine."""

from tailrace.scenario.flash import Flash
from tailrace.scenario.law import Constant, Exponential, Gamma, Hyperexponential, Law, Lognormal, Uniform
from tailrace.scenario.layout import Layout
from tailrace.scenario.media import Generic, Media
from tailrace.scenario.memory import ReadCache, WriteBack
from tailrace.scenario.read import load, parse
from tailrace.scenario.run import Run
from tailrace.scenario.scenario import Scenario
from tailrace.scenario.schema import schema
from tailrace.scenario.server import Controller, Lanes, LawStage, Network, Pool, Server
from tailrace.scenario.spinning import SeekPoint, Spinning, TwoPieceSeek
from tailrace.scenario.starter import starter
from tailrace.scenario.step import SizeShare, Step
from tailrace.scenario.workload import Surge, Target, Workload

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
