"""What do closed forms say of a scenario? The second answer, in milliseconds and without any run."""

from __future__ import annotations

import math

import numpy as np

from tailrace import theory
from tailrace.arrays import FloatArray
from tailrace.forecast.arms import arm_service
from tailrace.forecast.caution import caution
from tailrace.forecast.clustered import clustered_classes
from tailrace.forecast.decompose import Decomposition
from tailrace.forecast.exact import CLOSED, JUMPS, PRIORITIES, SHARING, bounds_s, exact_classes
from tailrace.forecast.failures import asked_left_s, failure_notes
from tailrace.forecast.flow import depth_notes, mixed_in_closed
from tailrace.forecast.result import ClassTheory, Theory
from tailrace.forecast.saturation import Load, offered_load
from tailrace.forecast.servers import busiest_notes
from tailrace.forecast.ways import PerStation, slowest_way_mean_s
from tailrace.plan.stations import Discipline
from tailrace.scenario.reading.conditions import alone
from tailrace.scenario.reading.read import Given, given
from tailrace.scenario.tables.scenario import Scenario
from tailrace.scenario.tables.spinning import Spinning
from tailrace.scenario.tables.workload import Workload

MOST_EXACT = 5e6
"""Populations times stations up to which a closed network is solved exactly."""

MIXINGS = 4
"""Times that a closed network is solved until the mix of classes at measured drives is that of the solution."""

COLLECTING = "how many commits are written together is not known"
REBUILDING = "a rebuild puts long runs among the accesses of the arms"
INDEPENDENT = "each station on its own, times independent"


def estimate(scenario: Given, seed: int | None = None) -> Theory:
    """Say what closed forms make of a scenario: utilisation, saturation, mean and p99 of each class.

    Demands are counted on a sample of the plan; nothing is simulated but the arms of spinning drives, by themselves.

    Args:
        scenario: what to reckon: a scenario, see :func:`tailrace.load`, or its file.
        seed: of the sample; the scenario's, or 0, if left out.

    Returns:
        The theory. Without classes where the load is more than the server can carry.

    Raises:
        SettingError: a ValueError: a scenario with conditions, each of which has an estimate of its own.
    """
    scenario = alone(given(scenario))
    if seed is None:
        seed = scenario.run.seed or 0
    return theory_of(scenario, seed, offered_load(scenario, seed))


def theory_of(scenario: Scenario, seed: int, load: Load) -> Theory:
    """The same, for a load that is known already."""
    known = zip(load.banks, load.share, strict=True)
    used = {bank.name: float(share) for bank, share in known if share > 0.0}
    binding = load.binding
    if binding is not None and binding.is_exceeded:
        return Theory(binding, used, {}, failure_notes(scenario, {}))
    try:
        classes = exact_classes(scenario) or clustered_classes(scenario) or _decomposed(scenario, seed)
    except theory.OutsideValidityError:  # what the plan asks lies at the very edge of what can be carried
        classes = {}
    notes = (
        *failure_notes(scenario, asked_left_s(scenario)),
        *busiest_notes(scenario, seed),
        *depth_notes(scenario, load.banks, load.share),
    )
    return Theory(binding, used, classes, notes)


def _decomposed(scenario: Scenario, seed: int) -> dict[str, ClassTheory]:
    network = Decomposition(scenario, seed)
    opened = {each.name: each.rate_at(scenario.load) for each in scenario.workload if each.is_open}
    only_open = len(opened) == len(scenario.workload)
    opened |= {each.name: each.rate_at(1.0) for each in scenario.background}
    if not only_open and any(network.collects(each.name) for each in scenario.workload):
        unknown = ClassTheory(None, None, "none known", p99_reason=COLLECTING)
        return {each.name: unknown for each in scenario.workload}
    if not only_open:
        return _ClosedNetwork(network, opened).classes()
    network.reckon(opened)
    return {each.name: _open_class(network, each, opened) for each in scenario.workload}


def _open_class(network: Decomposition, workload: Workload, rates: dict[str, float]) -> ClassTheory:
    name = workload.name
    reason, p99 = None, None
    shared = network.shared_at_high_load(name)
    if network.has_split(name):
        reason = "requests wait for the slowest of several parts"
    elif len({each.priority for each in network.scenario.workload}) > 1:
        reason = PRIORITIES
    elif network.collects(name):
        reason = "commits wait for the write in flight"
    elif shared is not None:
        reason = f"{SHARING} ({shared})"
    else:
        try:
            p99 = network.quantile_s(name, 0.99)
        except theory.OutsideValidityError:
            reason = JUMPS
    arms = any(bank.discipline == Discipline.ARM for bank in network.stations.banks)
    doubt = caution(network, workload, rates)
    if network.scenario.background and arms:
        return ClassTheory(None, None, "none known", p99_reason=REBUILDING, caution=doubt)
    method = "slowest of the parts, each station on its own" if network.has_split(name) else INDEPENDENT
    return ClassTheory(network.mean_s(name), p99, method, p99_reason=reason, caution=doubt)


class _ClosedNetwork:
    """Closed classes, with open ones beside them or not, as if every service were exponential."""

    def __init__(self, network: Decomposition, open_rates: dict[str, float]) -> None:
        self._network, self._rates = network, open_rates
        self._banks = network.stations.banks
        self._count = np.array([bank.loaded for bank in self._banks])
        self._closed = [each for each in network.scenario.workload if not each.is_open]
        self._clients = [each.clients * (each.queue_depth or 1) for each in self._closed]
        most = None if open_rates else sum(self._clients)
        self._arms = {
            place: arm_service(network.scenario, network.seed, network.stations, place, most)
            for place, bank in enumerate(self._banks)
            if bank.discipline == Discipline.ARM and network.is_visited(place)
        }
        self._gathered = False
        self._servers = np.array(
            [
                math.inf if bank.discipline == Discipline.DELAY or not bank.paces else bank.most
                for bank in self._banks
            ]
        )
        self._mixes = {
            place: [network.mix(place, {each.name: 1.0}) for each in self._closed]
            for place, bank in enumerate(self._banks)
            if bank.flow is not None
        }
        self._totals: dict[int, FloatArray] = {}
        self._mix_present({place: np.ones(len(self._closed)) for place in self._mixes})

    def _mix_present(self, numbers: dict[int, FloatArray]) -> None:
        """Measured drives give what they give to such numbers of each class."""
        for place, each in numbers.items():
            flow = self._banks[place].flow
            assert flow is not None
            self._totals[place] = mixed_in_closed(self._mixes[place], each).totals(flow)
            self._servers[place] = self._totals[place][-1]

    def classes(self) -> dict[str, ClassTheory]:
        try:
            left = self._left_by_open("likely")
        except (
            theory.OutsideValidityError
        ):  # then requests gather until arms have as many to choose from as they can
            self._gathered = True
            left = self._left_by_open("likely")
        most_left = self._left_by_open("least")
        demand = np.array([self._in_a_row(each.name, left) for each in self._closed])
        think = [each.think_time or 0.0 for each in self._closed]
        spread = np.repeat(demand / self._count, self._count, axis=1)
        begin = np.cumsum(self._count) - self._count
        solved = self._solved(spread, think)
        for _ in range(MIXINGS if self._mixes and len(self._closed) > 1 else 0):
            self._mix_present({place: solved.number[:, begin[place]] for place in self._mixes})
            solved = self._solved(spread, think)
        answers = {
            each.name: self._closed_class(place, each, solved, most_left)
            for place, each in enumerate(self._closed)
        }
        queued = np.add.reduceat(solved.number, begin, axis=1) / self._count / self._servers
        for workload in self._network.scenario.workload:
            if not workload.is_open:
                continue
            name = workload.name
            answers[name] = ClassTheory(
                None if self._network.has_split(name) else float(np.sum(self._beside(name, queued) / left)),
                None,
                "queues of the closed classes by product form, as if service were exponential",
                p99_reason="beside closed classes means only are known",
                caution=caution(self._network, workload, self._rates)
                or "Rough: what closed classes do side by side is counted as if in a row, in the same time.",
            )
        return {each.name: answers[each.name] for each in self._network.scenario.workload}

    def _in_a_row(self, name: str, left: FloatArray) -> FloatArray:
        """Demands of a closed request by which it is no longer under way than it is where nothing is in its way.

        What goes several ways at once is shortened, but at the bank that is the busiest: that sets the pace.
        """
        demand = self._demand(name) / left
        if self._network.has_split(name):
            busiest = int(np.argmax(demand / self._count / self._servers))
            rest = float(demand.sum() - demand[busiest])
            meanwhile = max(self._idle_s(name) - float(demand[busiest]), 0.0)
            others = np.arange(demand.size) != busiest
            demand[others] *= min(meanwhile / rest, 1.0) if rest > 0.0 else 1.0
        return demand

    def _beside(self, name: str, queued: FloatArray) -> FloatArray:
        """Seconds that a request of an open class spends at each bank, if it had the bank but for closed classes.

        ``queued``, shape (closed classes, banks): requests of theirs for each server. Where they are served in order of
        arrival it waits for their service; where they share the server its own takes the longer.
        """
        own, sample = self._demand(name), self._network.samples[name]
        awaited = sample.visits.awaited
        visits = np.bincount(sample.bank[awaited], minlength=len(self._banks)) / len(sample.chunk)
        theirs = np.array([self._demand(each.name) for each in self._closed])
        made = np.array(
            [
                [self._network.samples[each.name].per_request(place) for place in range(len(self._banks))]
                for each in self._closed
            ]
        )
        each_s = np.divide(theirs, made, out=np.zeros_like(theirs), where=made > 0)
        waits = visits * np.sum(queued * each_s, axis=0)
        shares = [bank.discipline in (Discipline.PS, Discipline.FLOW) for bank in self._banks]
        return np.asarray(own + np.where(shares, own * queued.sum(axis=0), waits))

    def _solved(self, demand: FloatArray, think: list[float]) -> theory.ClosedSolution:
        servers = np.repeat([1 if k in self._mixes else n for k, n in enumerate(self._servers)], self._count)
        place_of = np.repeat(np.arange(self._count.size), self._count)
        rates = {k: self._totals[int(place)] for k, place in enumerate(place_of) if int(place) in self._mixes}
        size = math.prod(float(n + 1) for n in self._clients) * demand.shape[1]
        if size <= MOST_EXACT:
            try:
                return theory.solve_closed(demand, self._clients, think, servers, rates=rates)
            except theory.OutsideValidityError:
                pass
        return theory.solve_closed(demand, self._clients, think, servers, rates=rates, method="linearised")

    def _closed_class(
        self, place: int, workload: Workload, solved: theory.ClosedSolution, left: FloatArray
    ) -> ClassTheory:
        name, clients, think = workload.name, self._clients[place], workload.think_time or 0.0
        alone = len(self._network.scenario.workload) == 1 and all(map(self._is_bounded, self._arms))
        slow, fast = self._demand(name, True, "most") / left, self._demand(name, True, "least") / left
        sizes = self._count
        bounding = [1.0 if place in self._mixes else each for place, each in enumerate(self._servers)]
        servers = np.repeat(bounding, sizes)
        _, high = bounds_s(np.repeat(slow / sizes, sizes), clients, think, servers, alone, balanced=False)
        busiest = float(np.max(fast / sizes / self._servers))
        low = max(clients * busiest - think, self._idle_s(name))
        split = self._network.has_split(name)
        mean = None if split else max(float(solved.response_s[place]), low)
        doubt = caution(self._network, workload, self._rates)
        return ClassTheory(
            mean,
            None,
            "bounds only" if split else f"{solved.method}, as if service were exponential",
            low_s=low,
            high_s=high,
            rate_per_s=None if mean is None else clients / (mean + think),
            p99_reason=CLOSED,
            caution=doubt,
        )

    def _idle_s(self, name: str) -> float:
        """Mean latency of a single request, nothing else being there."""
        beyond = np.zeros(len(self._network.stations))
        for place in self._arms:
            bank = self._banks[place]
            beyond[bank.first : bank.first + bank.count] = max(self._beyond_s(place, "least"), 0.0)
        nothing, alone = np.zeros(beyond.size), np.ones(beyond.size)
        sample = self._network.samples[name]
        if self._network.has_split(name):
            rows = np.ones(len(sample.chunk), dtype=bool)
            return slowest_way_mean_s(
                sample.chunk, rows, PerStation(nothing, nothing, alone, beyond, nothing)
            )
        visits = sample.visits
        held = np.array([bank.discipline == Discipline.TOKEN for bank in self._banks])[sample.bank]
        mine = visits.awaited & ~held
        return float(np.sum(visits.work_s[mine] + beyond[visits.station[mine]])) / len(sample.chunk)

    def _demand(self, name: str, whole: bool = False, arm: str = "likely") -> FloatArray:
        """Seconds of service that a request asks of each bank.

        ``whole`` with detached work and with visits made while a permit is held; else what is waited for, each second
        once. ``arm`` is what is taken for the service of arms, see `_beyond_s`.
        """
        sample = self._network.samples[name]
        visits = sample.visits
        counted = np.ones(visits.work_s.size, dtype=bool) if whole else visits.awaited & ~visits.within
        demand = np.bincount(sample.bank[counted], visits.work_s[counted], len(self._banks))
        for place in self._arms:
            made = np.count_nonzero(counted & (sample.bank == place))
            if made:
                demand[place] = max(demand[place] + made * self._beyond_s(place, arm), 0.0)
        unserved = [bank.discipline == Discipline.TOKEN and not bank.paces for bank in self._banks]
        return np.asarray(np.where(unserved, 0.0, demand) / len(sample.chunk))

    def _beyond_s(self, place: int, arm: str) -> float:
        """Seconds that an access to an arm takes beyond the transfer: "likely", at "least" or at "most".

        What is likely goes by the closed requests that there are for each arm. The least is with all slots to choose
        from and the most with one, each a whole interval beyond what was measured, where these are bounds at all; else
        an arm may find at once what it is asked for next, or have read it already.
        """
        known = self._arms[place]
        if arm == "likely":
            closed = sum(self._clients) / self._banks[place].count
            others = np.array([known.choices[-1] if self._gathered else closed - 1.0])
            return float(known.at(others, known.beyond_s)[0])
        if not self._is_bounded(place):
            return -math.inf if self._reads_ahead(place) else 0.0
        beyond_s, off_s = known.beyond_s, 2.0 * known.error * known.mean_s
        return float(np.min(beyond_s - off_s) if arm == "least" else np.max(beyond_s + off_s))

    def _is_bounded(self, place: int) -> bool:
        """Whether the service of an arm lies between those measured: accesses of one class, each somewhere else.

        Behind a write cache arms choose among more than there are queue slots.
        """
        scenario = self._network.scenario
        cached = any(isinstance(p.media, Spinning) and p.media.write_cache for p in scenario.server.pools)
        return len(scenario.workload) == 1 and self._arms[place].unlinked and not cached

    def _reads_ahead(self, place: int) -> bool:
        arm = self._banks[place].arm
        return arm is not None and arm.segments > 0

    def _left_by_open(self, arm: str) -> FloatArray:
        """Share of each bank that open classes leave to the closed ones; ``arm`` as `_beyond_s` has it.

        Raises OutsideValidityError where they leave nothing.
        """
        used = np.zeros(len(self._banks))
        for name, rate in self._rates.items():
            used += rate * self._demand(name, whole=True, arm=arm) / self._count / self._servers
        if np.any(used >= 1.0):
            raise theory.OutsideValidityError(
                f"utilisation by open classes = {used.max():g}: accepted is below 1"
            )
        return 1.0 - used
