"""What can be had more of, or less? Every resource of a server with the keys that double or halve it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from tailrace.errors import ScenarioError
from tailrace.scenario.reading.dial import Dial
from tailrace.scenario.reading.path import quoted
from tailrace.scenario.reading.variant import Variants, written_value
from tailrace.scenario.tables.flash import Flash
from tailrace.scenario.tables.law import Law
from tailrace.scenario.tables.measured import Measured
from tailrace.scenario.tables.media import Generic
from tailrace.scenario.tables.model import Model
from tailrace.scenario.tables.scenario import Scenario
from tailrace.scenario.tables.server import Controller, Lanes, LawStage, Network, Pool
from tailrace.scenario.tables.spinning import Spinning

LAW_TIMES = ("mean", "value", "low", "high")


@dataclass(frozen=True)
class Resource:
    """``keys`` with +1 where more of the key is more of the resource, -1 where it is less (a time).

    ``unset`` is what a key that is left out stands for.
    """

    name: str
    keys: tuple[tuple[str, int], ...]
    unset: int | None = None

    def settings(self, variants: Variants, factor: float) -> list[str]:
        """KEY=VALUE for so many times the resource; keys that are not set stay so."""
        return [dial.setting(wanted) for dial, _, wanted in self._changed(variants, factor)]

    def _changed(self, variants: Variants, factor: float) -> Iterator[tuple[Dial, float, float]]:
        """Each key with its value before and after."""
        for key, sign in self.keys:
            value = variants.value(key)
            value = self.unset if value is None else value
            if isinstance(value, bool) or not isinstance(value, int | float) or not value:
                continue
            dial = Dial(variants, key)
            wanted = dial.accepted(value * factor**sign) or 1
            if wanted != value:
                yield dial, value, wanted

    def described(self, variants: Variants, factor: float) -> str:
        """The first key's value before and after."""
        changed = next(self._changed(variants, factor), None)
        if changed is None:
            return ""
        dial, before, after = changed
        both = (each if isinstance(each, int) else float(f"{each:.4g}") for each in (before, after))
        one, two = (written_value(each, dial.shape).replace('"', "") for each in both)
        unit = "".join(two.partition(" ")[1:])
        return f"{one.removesuffix(unit)} to {two}"


@dataclass(frozen=True)
class Change:
    """A resource doubled or halved by ``settings``, KEY=VALUE each: the scenario then, or why there is none."""

    resource: Resource
    factor: float
    described: str
    settings: tuple[str, ...]
    scenario: Scenario | None
    reason: str = ""


def changes(variants: Variants, factor: float) -> tuple[Change, ...]:
    """Every resource of the server times a factor."""
    found = []
    for resource in resources(variants.scenario):
        settings = tuple(resource.settings(variants, factor))
        if not settings:
            continue
        scenario, reason = None, ""
        try:
            scenario = variants.with_keys(settings)
        except ScenarioError as error:
            reason = error.problems[0].message
        described = resource.described(variants, factor)
        found.append(Change(resource, factor, described, settings, scenario, reason))
    return tuple(found)


def resources(scenario: Scenario) -> Iterator[Resource]:
    """All resources that a server has, by the names that answers use."""
    server = scenario.server
    if scenario.cluster is not None:
        yield Resource("servers", (("cluster.servers", 1),))
        if scenario.cluster.network is not None:
            yield Resource("network between servers", (("cluster.network.rate", 1),))
    if isinstance(server.network, Network):
        yield Resource("network", (("server.network.rate", 1),))
    elif isinstance(server.network, LawStage):
        yield from _of_law("network", "server.network", server.network)
    if isinstance(server.controller, Controller):
        yield Resource("cores", (("server.controller.cores", 1),))
        times = ("per_request", "per_completion", "per_disk_operation")
        keys = tuple((f"server.controller.{name}", -1) for name in times)
        yield Resource("CPU speed", (*keys, ("server.controller.copy_rate", 1)))
        cache = getattr(server.controller, "read_cache", None)
        if isinstance(cache, Model):
            yield Resource("cache", (("server.controller.read_cache.size", 1),))
    elif isinstance(server.controller, LawStage):
        yield from _of_law("controller", "server.controller", server.controller)
    for pool in server.pools:
        yield from _of_pool(pool, f"server.pool.{quoted(pool.name)}" if server.pool else "server")


def _of_pool(pool: Pool, path: str) -> Iterator[Resource]:
    name, media, lanes = pool.station_name, f"{path}.media", f"{path}.lanes"
    if isinstance(pool.lanes, Lanes):
        yield Resource(name("lanes"), ((f"{lanes}.{'width' if pool.lanes.is_pcie else 'rate'}", 1),))
        if pool.lanes.adapter_width is not None:
            yield Resource(name("adapter uplink"), ((f"{lanes}.adapter_width", 1),))
    elif isinstance(pool.lanes, LawStage):
        yield from _of_law(name("lanes"), lanes, pool.lanes)
    yield Resource(name("drives"), ((f"{media}.count", 1),))
    if isinstance(pool.media, Generic):
        yield Resource(name("servers of a drive"), ((f"{media}.servers", 1),))
        yield Resource(name("media speed"), _law_keys(f"{media}.service", pool.media.service))
    elif isinstance(pool.media, Measured):
        yield Resource(name("media speed"), ((f"{media}.speed", 1),))
    elif isinstance(pool.media, Flash):
        cells = ("cell_read", "cell_program", "cell_erase")
        yield Resource(name("cell speed"), tuple((f"{media}.{key}", -1) for key in cells))
        yield Resource(name("bus rate"), ((f"{media}.channel_rate", 1),))
        yield Resource(name("command rate"), ((f"{media}.command_rate", 1),))
        yield Resource(name("dies"), ((f"{media}.dies", 1),))
        yield Resource(name("buffer"), ((f"{media}.buffer", 1),))
        yield Resource(name("queue slots"), ((f"{media}.queue_slots", 1),), pool.queue_slots)
    elif isinstance(pool.media, Spinning):
        seeks = ("seek_average", "seek_adjacent", "seek_full", "write_settle")
        turning = ("rpm", "outer_rate", "inner_rate")
        yield Resource(name("rotation, media rate"), tuple((f"{media}.{key}", 1) for key in turning))
        if pool.media.seek_curve is None:
            yield Resource(name("seek speed"), tuple((f"{media}.{key}", -1) for key in seeks))
        yield Resource(name("buffer"), ((f"{media}.write_cache", 1),))
        yield Resource(name("queue slots"), ((f"{media}.queue_slots", 1),))


def _of_law(name: str, path: str, stage: LawStage) -> Iterator[Resource]:
    yield Resource(f"{name} servers", ((f"{path}.servers", 1),))
    yield Resource(f"{name} speed", _law_keys(f"{path}.service", stage.service))


def _law_keys(path: str, law: Law) -> tuple[tuple[str, int], ...]:
    return tuple((f"{path}.{key}", -1) for key in LAW_TIMES if key in type(law).model_fields)
