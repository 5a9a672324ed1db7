"""What do the closed forms say? Queueing theory on plain numbers: seconds, requests a second, shares.

Scalars or arrays in SI units; nothing here knows of scenarios or simulations. Each function's text names its
source, the range in which it holds and whether it is exact; outside the range it raises
OutsideValidityError, a ValueError.

- stations: `erlang_*`, `mmc_*`, `mm1_number_tail`, `bounded_queue` (M/M/c/K), `finite_population`
  (M/M/c//N), `mg1_*`, `md1_*`, `gim1_*`, `gg1_*` and `ggc_*` (approximations), `priority_*`, `preemptive_*`,
  `batch_*`, `bulk_service`, `sharing_*`;
- networks: the operational laws, `solve_open`, `saturation`, `solve_closed`, `*_bounds`, `tandem_*`,
  `routed_*`, `sum_*`;
- around them: `fork_join_*`, `maximum_*`, `*_hit_ratio`, `write_amplification`, `run_length_needed`.
"""

from tailrace.theory.batch import (
    batch_response_mean,
    batch_wait_mean,
)
from tailrace.theory.bounds import (
    ClosedBounds,
    asymptotic_bounds,
    balanced_job_bounds,
    geometric_bounds,
    knee,
)
from tailrace.theory.bulk import (
    BulkService,
    bulk_service,
)
from tailrace.theory.cache import (
    che_hit_ratio,
    lru_hit_ratio,
    static_hit_ratio,
)
from tailrace.theory.closed_network import (
    solve_closed,
)
from tailrace.theory.closed_solution import (
    ClosedSolution,
)
from tailrace.theory.domain import (
    OutsideValidityError,
)
from tailrace.theory.erlang import (
    erlang_b,
    erlang_c,
)
from tailrace.theory.finite import (
    BoundedQueue,
    FinitePopulation,
    bounded_queue,
    finite_population,
)
from tailrace.theory.flash import (
    write_amplification,
    write_amplification_uniform_victims,
)
from tailrace.theory.fork_join import (
    fork_join_response_bounds,
    fork_join_response_mean,
    fork_join_response_quantile_bound,
    maximum_level,
    maximum_mean_exponential,
    maximum_tail,
)
from tailrace.theory.gg import (
    dmc_wait_cosmetatos,
    gg1_wait_bound,
    gg1_wait_klb,
    ggc_wait_allen_cunneen,
    ggc_wait_kimura,
    mdc_wait_cosmetatos,
    mgc_wait_cosmetatos,
    wait_quantile_exponential,
)
from tailrace.theory.gim1 import (
    gim1_response_mean,
    gim1_response_quantile,
    gim1_wait_mean,
    gim1_wait_probability,
    gim1_wait_quantile,
    gim1_wait_tail,
)
from tailrace.theory.laws import (
    Constant,
    Gamma,
    Law,
    Lognormal,
    Mixture,
    Uniform,
    exponential,
    hyperexponential,
    two_moment_law,
)
from tailrace.theory.md1 import (
    md1_response_quantile,
    md1_wait_quantile,
    md1_wait_tail,
)
from tailrace.theory.mg1 import (
    mg1_number_mean,
    mg1_response_mean,
    mg1_response_quantile,
    mg1_response_tail,
    mg1_wait_mean,
    mg1_wait_quantile,
    mg1_wait_tail,
    mg1_wait_variance,
)
from tailrace.theory.mmc import (
    mm1_number_tail,
    mmc_number_mean,
    mmc_number_waiting_mean,
    mmc_response_mean,
    mmc_response_quantile,
    mmc_response_tail,
    mmc_response_variance,
    mmc_wait_mean,
    mmc_wait_probability,
    mmc_wait_quantile,
    mmc_wait_tail,
    mmc_wait_variance,
)
from tailrace.theory.open_network import (
    OpenSolution,
    Saturation,
    saturation,
    solve_open,
    visits_of_routing,
)
from tailrace.theory.operational import (
    demand,
    interactive_response_s,
    interactive_throughput,
    number_present,
    utilisation,
    visit_rate,
)
from tailrace.theory.priority import (
    conserved_wait,
    preemptive_response_means,
    priority_wait_means,
    priority_wait_means_mmc,
)
from tailrace.theory.response_laws import (
    DelayedResponse,
    FirstRankWait,
    Mg1Response,
    Mg1Wait,
    MmcResponse,
    ResponseLaw,
)
from tailrace.theory.run_length import (
    ggc_number_asymptotic_variance,
    mm1_number_asymptotic_variance,
    mm1_wait_asymptotic_variance,
    run_length_needed,
)
from tailrace.theory.sharing import (
    sharing_response_mean,
    sharing_response_mean_of_size,
    sharing_slowdown,
)
from tailrace.theory.tandem import (
    routed_response_quantile,
    routed_response_tail,
    sum_quantile,
    sum_tail,
    tandem_response_quantile,
    tandem_response_tail,
)

__all__ = [
    "BoundedQueue",
    "BulkService",
    "ClosedBounds",
    "ClosedSolution",
    "Constant",
    "DelayedResponse",
    "FinitePopulation",
    "FirstRankWait",
    "Gamma",
    "Law",
    "Lognormal",
    "Mg1Response",
    "Mg1Wait",
    "Mixture",
    "MmcResponse",
    "OpenSolution",
    "OutsideValidityError",
    "ResponseLaw",
    "Saturation",
    "Uniform",
    "asymptotic_bounds",
    "balanced_job_bounds",
    "batch_response_mean",
    "batch_wait_mean",
    "bounded_queue",
    "bulk_service",
    "che_hit_ratio",
    "conserved_wait",
    "demand",
    "dmc_wait_cosmetatos",
    "erlang_b",
    "erlang_c",
    "exponential",
    "finite_population",
    "fork_join_response_bounds",
    "fork_join_response_mean",
    "fork_join_response_quantile_bound",
    "geometric_bounds",
    "gg1_wait_bound",
    "gg1_wait_klb",
    "ggc_number_asymptotic_variance",
    "ggc_wait_allen_cunneen",
    "ggc_wait_kimura",
    "gim1_response_mean",
    "gim1_response_quantile",
    "gim1_wait_mean",
    "gim1_wait_probability",
    "gim1_wait_quantile",
    "gim1_wait_tail",
    "hyperexponential",
    "interactive_response_s",
    "interactive_throughput",
    "knee",
    "lru_hit_ratio",
    "maximum_level",
    "maximum_mean_exponential",
    "maximum_tail",
    "md1_response_quantile",
    "md1_wait_quantile",
    "md1_wait_tail",
    "mdc_wait_cosmetatos",
    "mg1_number_mean",
    "mg1_response_mean",
    "mg1_response_quantile",
    "mg1_response_tail",
    "mg1_wait_mean",
    "mg1_wait_quantile",
    "mg1_wait_tail",
    "mg1_wait_variance",
    "mgc_wait_cosmetatos",
    "mm1_number_asymptotic_variance",
    "mm1_number_tail",
    "mm1_wait_asymptotic_variance",
    "mmc_number_mean",
    "mmc_number_waiting_mean",
    "mmc_response_mean",
    "mmc_response_quantile",
    "mmc_response_tail",
    "mmc_response_variance",
    "mmc_wait_mean",
    "mmc_wait_probability",
    "mmc_wait_quantile",
    "mmc_wait_tail",
    "mmc_wait_variance",
    "number_present",
    "preemptive_response_means",
    "priority_wait_means",
    "priority_wait_means_mmc",
    "routed_response_quantile",
    "routed_response_tail",
    "run_length_needed",
    "saturation",
    "sharing_response_mean",
    "sharing_response_mean_of_size",
    "sharing_slowdown",
    "solve_closed",
    "solve_open",
    "static_hit_ratio",
    "sum_quantile",
    "sum_tail",
    "tandem_response_quantile",
    "tandem_response_tail",
    "two_moment_law",
    "utilisation",
    "visit_rate",
    "visits_of_routing",
    "wait_quantile_exponential",
    "write_amplification",
    "write_amplification_uniform_victims",
]
