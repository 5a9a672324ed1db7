"""The question in words: what is asked of the server, class by class, and what was promised."""

from __future__ import annotations

from tailrace import units
from tailrace.report.figures import byte_size, number, unit_of
from tailrace.scenario.tables.cluster import Cluster
from tailrace.scenario.tables.scenario import Scenario
from tailrace.scenario.tables.server import Controller, Lanes, LawStage, Network, Pool
from tailrace.scenario.tables.step import Step
from tailrace.scenario.tables.workload import Workload


def class_sentence(workload: Workload, load: float) -> str:
    """What a class asks for: "40 clients send 500 requests/s each, 20,000/s in all, of 8 KiB at random …"."""
    several = workload.clients > 1
    many, verb, each = (f"{workload.clients:,} clients", "", " each") if several else ("One client", "s", "")
    if workload.rate is not None:
        rate = workload.rate * load
        whole = f", {number(rate * workload.clients, 6)}/s in all" if several else ""
        said = f"{many} send{verb} {number(rate, 6)} requests/s{each}{whole}, {workload.arrival_law.words}"
    else:
        depth = workload.queue_depth or 1
        said = f"{many} keep{verb} {_counted(depth, 'request')} under way{each}"
        if workload.think_time:
            said += f", thinking {units.write(workload.think_time, 'time')} in between"
    if workload.step:
        said = said.replace("requests/s", "transactions/s").replace(" request", " transaction")
        return f"{said}: {', then '.join(map(_step_words, workload.step))}."
    sizes = " and ".join(
        byte_size(part.size) + (f" ({100 * part.share:.3g} %)" if len(workload.sizes) > 1 else "")
        for part in workload.sizes
    )
    kinds = {1.0: "reads", 0.0: "writes"}.get(
        workload.reads, f"{100 * workload.reads:.3g} % reads, the rest writes"
    )
    order = "at random addresses" if workload.pattern == "random" else "one after the other"
    return f"{said}: {sizes}, {kinds}, {order}."


def _step_words(step: Step) -> str:
    computing = [] if step.compute is None else [f"{units.write(step.compute, 'time')} of computing"]
    if step.request_size is None:
        return computing[0]
    kind = {1.0: "read", 0.0: "write"}.get(step.read_share, "request")
    sizes = " or ".join(byte_size(part.size) for part in step.request_size)
    aside = f", {step.at_once} at once" if step.at_once > 1 else ""
    return " and ".join([*computing, f"{_counted(step.requests, kind)} of {sizes}{aside}"])


def promise_sentences(workload: Workload) -> list[str]:
    """What was promised to a class, a sentence each."""
    said, whole = [], "transactions" if workload.step else "requests"
    for quantity, limit in workload.limits:
        what = whole if quantity.kind == "all" else f"{quantity.kind}s"
        said.append(quantity.promise(what, unit_of(quantity.dimension, [limit]).text(limit, 6)))
    return said


def stage_parts(scenario: Scenario) -> dict[str, list[str]]:
    """What each stage is made of, in a few words."""
    server = scenario.server
    return {
        "network": [*_cluster(scenario.cluster), _network(server.network)],
        "controller": [_controller(server.controller)],
        "lane": [_named(pool, _lanes(pool.lanes)) for pool in server.pools],
        "media": [_named(pool, _media(pool)) for pool in server.pools],
    }


def _counted(count: int, noun: str) -> str:
    return f"{count:,} {noun}{'' if count == 1 else 's'}"


def _named(pool: Pool, said: str) -> str:
    return f"{pool.name}: {said}" if pool.name else said


def _cluster(cluster: Cluster | None) -> list[str]:
    """How many servers there are, each with the parts that follow."""
    if cluster is None:
        return []
    kept = "every piece once"
    if cluster.code is not None:
        kept = f"a code of {cluster.code.data} + {cluster.code.parity}"
    elif cluster.width > 1:
        kept = f"{cluster.width} copies"
    down = f", {cluster.failed} of them down" if cluster.failed else ""
    return [f"{cluster.servers} servers{down}, {kept}; of each:"]


def _network(network: Network | LawStage | None) -> str:
    if network is None:
        return "none: clients on the server itself"
    if isinstance(network, LawStage):
        return _law(network)
    trip = units.write(network.round_trip, "time")
    return f"{_counted(network.ports, 'port')} of {_bits(network.rate)}, round trip {trip}"


def _controller(controller: Controller | LawStage | None) -> str:
    if controller is None:
        return "none"
    if isinstance(controller, LawStage):
        return _law(controller)
    return _counted(controller.cores, "core")


def _lanes(lanes: Lanes | LawStage | None) -> str:
    if lanes is None:
        return "none"
    if isinstance(lanes, LawStage):
        return _law(lanes)
    if lanes.is_pcie:
        return f"PCI Express {lanes.pcie_generation}, {_counted(lanes.width, 'lane')} a drive"
    return f"serial link of {_bits(lanes.rate or 0.0)} a drive"


def _media(pool: Pool) -> str:
    kind = {"generic": "drive"}.get(pool.media.kind, f"{pool.media.kind} drive")
    drives = _counted(pool.media.count, kind)
    redundancy = pool.layout.redundancy
    return drives if redundancy == "none" else f"{drives}, {redundancy}"


def _law(stage: LawStage) -> str:
    return f"{_counted(stage.servers, 'server')}, {stage.service.law} service time"


def _bits(bytes_per_s: float) -> str:
    return f"{number(8 * bytes_per_s / 1e9)} Gbit/s"
