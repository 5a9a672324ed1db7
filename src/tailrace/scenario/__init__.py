"""What did the user write? Frozen, validated, picklable, and free of any engine.

`tables` holds the models, one module a table of the file: each key typed by `tables.fields` with range and
description, and what contradicts itself between the keys of a table in its ``findings``. `tables.checks` says what
contradicts itself between tables. `reading` goes from a file to a `Scenario` or to everything that is wrong with it:
TOML is parsed (`read`), parts of the catalogue are taken up (`parts`), keys set over the file's (`override`), and
whatever is wrong is said at once under the path that the user knows (`complaint`). `variant` and `dial` go the other
way: from a scenario to others that differ in some keys; `conditions` gives it in each of its conditions. `keys` and
`schema` describe the models for whoever writes a file, by themselves.

To add a key: a field of its model in `tables`, with range and description; what contradicts others goes into the
``findings`` of its table, or into `tables.checks`. A law of services: a model in `tables.law`, how it is drawn in
`hardware.service`, its closed form in `forecast.exact`; one of another package: `tables.outside`. A law of arrivals:
`tables.arrivals` says. A kind of target: its text in `quantity`, its key in ``Target``, how it is found in
`answer.sample`, and a unit in `report.figures` if it is of a new dimension.

A problem is what the user is told (`errors.Problem`: file, key, value, what is accepted), a finding what a model sees
in its own keys, and a complaint is either on its way to the other.
"""

from tailrace.scenario.reading.read import load as load
from tailrace.scenario.reading.read import parse as parse
from tailrace.scenario.reading.schema import schema as schema
from tailrace.scenario.reading.starter import starter as starter
from tailrace.scenario.tables.flash import Flash as Flash
from tailrace.scenario.tables.law import Constant as Constant
from tailrace.scenario.tables.law import Exponential as Exponential
from tailrace.scenario.tables.law import Gamma as Gamma
from tailrace.scenario.tables.law import Hyperexponential as Hyperexponential
from tailrace.scenario.tables.law import Law as Law
from tailrace.scenario.tables.law import Lognormal as Lognormal
from tailrace.scenario.tables.law import Uniform as Uniform
from tailrace.scenario.tables.layout import Layout as Layout
from tailrace.scenario.tables.media import Generic as Generic
from tailrace.scenario.tables.media import Media as Media
from tailrace.scenario.tables.memory import ReadCache as ReadCache
from tailrace.scenario.tables.memory import WriteBack as WriteBack
from tailrace.scenario.tables.run import Run as Run
from tailrace.scenario.tables.scenario import Scenario as Scenario
from tailrace.scenario.tables.server import Controller as Controller
from tailrace.scenario.tables.server import Lanes as Lanes
from tailrace.scenario.tables.server import LawStage as LawStage
from tailrace.scenario.tables.server import Network as Network
from tailrace.scenario.tables.server import Pool as Pool
from tailrace.scenario.tables.server import Server as Server
from tailrace.scenario.tables.spinning import SeekPoint as SeekPoint
from tailrace.scenario.tables.spinning import Spinning as Spinning
from tailrace.scenario.tables.spinning import TwoPieceSeek as TwoPieceSeek
from tailrace.scenario.tables.step import SizeShare as SizeShare
from tailrace.scenario.tables.step import Step as Step
from tailrace.scenario.tables.surge import Surge as Surge
from tailrace.scenario.tables.target import Target as Target
from tailrace.scenario.tables.workload import Workload as Workload
