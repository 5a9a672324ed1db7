"""The public names, one a line, and where they are at home: read by type checkers, and by `__init__.py` when one of
them is first used. A submodule that is public stands here too."""

from tailrace import plots as plots
from tailrace import theory as theory
from tailrace.answer.latencies import histogram as histogram
from tailrace.answer.latencies import latencies as latencies
from tailrace.answer.rebuilds import RebuildResult as RebuildResult
from tailrace.answer.result import ClassResult as ClassResult
from tailrace.answer.result import Figures as Figures
from tailrace.answer.result import Overload as Overload
from tailrace.answer.result import Result as Result
from tailrace.answer.result import StageTimes as StageTimes
from tailrace.answer.result import StepResult as StepResult
from tailrace.answer.result import TargetResult as TargetResult
from tailrace.answer.run import simulate as simulate
from tailrace.answer.stations import StationResult as StationResult
from tailrace.crew.crew import Interrupted as Interrupted
from tailrace.crew.crew import LostWorkersError as LostWorkersError
from tailrace.crew.progress import Progress as Progress
from tailrace.errors import Problem as Problem
from tailrace.errors import ScenarioError as ScenarioError
from tailrace.errors import SettingError as SettingError
from tailrace.errors import StoreError as StoreError
from tailrace.errors import TailraceError as TailraceError
from tailrace.errors import TraceError as TraceError
from tailrace.errors import UnitError as UnitError
from tailrace.forecast.estimate import estimate as estimate
from tailrace.forecast.result import ClassTheory as ClassTheory
from tailrace.forecast.result import Saturation as Saturation
from tailrace.forecast.result import Theory as Theory
from tailrace.measure.interval import IntervalEstimate as IntervalEstimate
from tailrace.measure.paired import Paired as Paired
from tailrace.quantity import Quantity as Quantity
from tailrace.scenario.reading.read import load as load
from tailrace.scenario.reading.read import parse as parse
from tailrace.scenario.tables.scenario import Scenario as Scenario
from tailrace.study.compare import Comparison as Comparison
from tailrace.study.compare import Design as Design
from tailrace.study.compare import Difference as Difference
from tailrace.study.compare import compare as compare
from tailrace.study.curve import Curve as Curve
from tailrace.study.curve import LoadCurve as LoadCurve
from tailrace.study.headroom import Headroom as Headroom
from tailrace.study.headroom import headroom as headroom
from tailrace.study.journey import Journey as Journey
from tailrace.study.journey import Stop as Stop
from tailrace.study.journey import Trip as Trip
from tailrace.study.journey import journey as journey
from tailrace.study.knee import Knee as Knee
from tailrace.study.relief import Relief as Relief
from tailrace.study.relief import Relieved as Relieved
from tailrace.study.relief import relief as relief
from tailrace.study.sweep import Sweep as Sweep
from tailrace.study.sweep import sweep as sweep
from tailrace.study.tried import Tried as Tried

__version__: str
