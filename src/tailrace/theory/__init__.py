"""What do the closed forms say? Queueing theory on plain numbers: seconds, requests a second, shares.

Scalars or arrays in SI units; nothing here knows of scenarios or simulations. Each function's text names its
source, the range in which it holds and whether it is exact; outside the range it raises
`OutsideValidityError`, a ValueError.

>>> from tailrace import theory
>>> round(theory.mmc_response_quantile(0.99, arrival_rate=800.0, service_rate=1000.0), 4)
0.023

How are times distributed? `Law` says what a law knows.

- `Constant`, `Uniform`, `exponential`, `Gamma`, `Lognormal`, `hyperexponential`: laws of service times or gaps
- `Mixture`: one of several laws, each with its weight
- `two_moment_law`: a law of given mean and variability
- `law_of_values`: a law of times as they were measured

How many requests are lost, how many have to wait?

- `erlang_b`: share lost at c servers without waiting room
- `erlang_c`, `mmc_wait_probability`: probability of a wait at M/M/c, by erlangs and by rates

How long do requests wait, and how long do they stay? In order of arrival:

- `mmc_wait_mean`, `mmc_wait_tail`, `mmc_wait_quantile`: the wait at M/M/c
- `mmc_response_mean`, `mmc_response_tail`, `mmc_response_quantile`: wait and service at M/M/c
- `mg1_wait_mean`, `mg1_wait_tail`, `mg1_wait_quantile`: the wait at M/G/1, any law of services
- `mg1_response_mean`, `mg1_response_tail`, `mg1_response_quantile`: wait and service at M/G/1
- `md1_wait_tail`, `md1_wait_quantile`, `md1_response_quantile`: M/D/1, constant services, to nine digits
- `gg1_wait_klb`, `ggc_wait_allen_cunneen`: mean waits by two moments of gaps and services, approximations
- `gg1_wait_bound`: what the mean wait at one server never exceeds
- `finite_population`: M/M/c//N, clients that think between requests, as a `FinitePopulation`

And where more is asked than can be carried, for a while?

- `fluid_cycle`: backlog, waits and time to drain over spells of different load, as a `FluidCycle`

And in another order?

- `priority_wait_means`, `priority_wait_means_mmc`: the mean wait of each class, the first served first
- `mg1_by_queue`: service that takes another time the more wait, as a `ServiceByQueue`
- `sharing_slowdown`, `sharing_response_mean`, `sharing_response_mean_of_size`: all are served at once
- `sharing_number_by_rate`: all are served at once, at a rate by how many there are
- `bulk_service`: all who wait are served together, as a `BulkService`

What does a network of stations do?

- `saturation`: which station binds, and at how many times the load, as a `Bottleneck`
- `solve_open`: means of an open network, as an `OpenSolution`
- `solve_closed`: means of clients that wait for each answer, exactly or nearly, as a `ClosedSolution`
- `asymptotic_bounds`, `balanced_job_bounds`: limits of a closed network without solving it, as `ClosedBounds`
- `knee`: the number of clients beyond which they must queue
- `interactive_response_s`: mean response from clients, throughput and thinking
- `sum_tail`, `sum_quantile`: the time from end to end over several stations, each a `ResponseLaw`: `MmcResponse`,
  `Mg1Response`, `Mg1Wait`, `FirstRankWait`, `DelayedResponse`

How long takes what is done when the last of its parts is done?

- `fork_join_response_mean`, `fork_join_response_quantile_bound`: parts that queue at stations of their own
- `maximum_mean_exponential`, `maximum_tail`, `maximum_level`: the longest of independent parts

And what goes to the shortest of a few queues?

- `least_busy_response_mean`: a choice among so many of very many queues
"""

from tailrace.theory.bounds import ClosedBounds as ClosedBounds
from tailrace.theory.bounds import asymptotic_bounds as asymptotic_bounds
from tailrace.theory.bounds import balanced_job_bounds as balanced_job_bounds
from tailrace.theory.bounds import knee as knee
from tailrace.theory.bulk import BulkService as BulkService
from tailrace.theory.bulk import bulk_service as bulk_service
from tailrace.theory.by_queue import ServiceByQueue as ServiceByQueue
from tailrace.theory.by_queue import mg1_by_queue as mg1_by_queue
from tailrace.theory.closed_network import solve_closed as solve_closed
from tailrace.theory.closed_solution import ClosedSolution as ClosedSolution
from tailrace.theory.domain import OutsideValidityError as OutsideValidityError
from tailrace.theory.erlang import erlang_b as erlang_b
from tailrace.theory.erlang import erlang_c as erlang_c
from tailrace.theory.finite import FinitePopulation as FinitePopulation
from tailrace.theory.finite import finite_population as finite_population
from tailrace.theory.fluid import FluidCycle as FluidCycle
from tailrace.theory.fluid import fluid_cycle as fluid_cycle
from tailrace.theory.fork_join import fork_join_response_mean as fork_join_response_mean
from tailrace.theory.fork_join import fork_join_response_quantile_bound as fork_join_response_quantile_bound
from tailrace.theory.fork_join import maximum_level as maximum_level
from tailrace.theory.fork_join import maximum_mean_exponential as maximum_mean_exponential
from tailrace.theory.fork_join import maximum_tail as maximum_tail
from tailrace.theory.gg import gg1_wait_bound as gg1_wait_bound
from tailrace.theory.gg import gg1_wait_klb as gg1_wait_klb
from tailrace.theory.gg import ggc_wait_allen_cunneen as ggc_wait_allen_cunneen
from tailrace.theory.laws import Constant as Constant
from tailrace.theory.laws import Gamma as Gamma
from tailrace.theory.laws import Law as Law
from tailrace.theory.laws import Lognormal as Lognormal
from tailrace.theory.laws import Mixture as Mixture
from tailrace.theory.laws import Uniform as Uniform
from tailrace.theory.laws import exponential as exponential
from tailrace.theory.laws import hyperexponential as hyperexponential
from tailrace.theory.laws import law_of_values as law_of_values
from tailrace.theory.laws import two_moment_law as two_moment_law
from tailrace.theory.least_busy import least_busy_response_mean as least_busy_response_mean
from tailrace.theory.md1 import md1_response_quantile as md1_response_quantile
from tailrace.theory.md1 import md1_wait_quantile as md1_wait_quantile
from tailrace.theory.md1 import md1_wait_tail as md1_wait_tail
from tailrace.theory.mg1 import mg1_response_mean as mg1_response_mean
from tailrace.theory.mg1 import mg1_response_quantile as mg1_response_quantile
from tailrace.theory.mg1 import mg1_response_tail as mg1_response_tail
from tailrace.theory.mg1 import mg1_wait_mean as mg1_wait_mean
from tailrace.theory.mg1 import mg1_wait_quantile as mg1_wait_quantile
from tailrace.theory.mg1 import mg1_wait_tail as mg1_wait_tail
from tailrace.theory.mmc import mmc_response_mean as mmc_response_mean
from tailrace.theory.mmc import mmc_response_quantile as mmc_response_quantile
from tailrace.theory.mmc import mmc_response_tail as mmc_response_tail
from tailrace.theory.mmc import mmc_wait_mean as mmc_wait_mean
from tailrace.theory.mmc import mmc_wait_probability as mmc_wait_probability
from tailrace.theory.mmc import mmc_wait_quantile as mmc_wait_quantile
from tailrace.theory.mmc import mmc_wait_tail as mmc_wait_tail
from tailrace.theory.open_network import Bottleneck as Bottleneck
from tailrace.theory.open_network import OpenSolution as OpenSolution
from tailrace.theory.open_network import saturation as saturation
from tailrace.theory.open_network import solve_open as solve_open
from tailrace.theory.operational import interactive_response_s as interactive_response_s
from tailrace.theory.priority import priority_wait_means as priority_wait_means
from tailrace.theory.priority import priority_wait_means_mmc as priority_wait_means_mmc
from tailrace.theory.response_laws import DelayedResponse as DelayedResponse
from tailrace.theory.response_laws import FirstRankWait as FirstRankWait
from tailrace.theory.response_laws import Mg1Response as Mg1Response
from tailrace.theory.response_laws import Mg1Wait as Mg1Wait
from tailrace.theory.response_laws import MmcResponse as MmcResponse
from tailrace.theory.response_laws import ResponseLaw as ResponseLaw
from tailrace.theory.sharing import sharing_number_by_rate as sharing_number_by_rate
from tailrace.theory.sharing import sharing_response_mean as sharing_response_mean
from tailrace.theory.sharing import sharing_response_mean_of_size as sharing_response_mean_of_size
from tailrace.theory.sharing import sharing_slowdown as sharing_slowdown
from tailrace.theory.sums import sum_quantile as sum_quantile
from tailrace.theory.sums import sum_tail as sum_tail
