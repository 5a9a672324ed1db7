"""Laws of service times that another package enters: known by name, checked, and part of the digest."""

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

import tailrace
from tailrace.cli import app
from tailrace.errors import ScenarioError
from tailrace.scenario import parse
from tailrace.scenario.tables import outside
from tailrace.scenario.tables.scenario import Scenario

TEXT = """
[server.media]
kind = "generic"
service = {law = "empirical", named = "NAME", parameters = [0.001]}
[[workload]]
name = "booking"
rate = "500 /s"
request_size = "8 KiB"
[run]
seed = 3
requests = 4000
replications = 4
"""


class Entered:
    """An entry point, as the metadata of an installed package gives it."""

    def __init__(self, name: str, law: Callable[..., Any]) -> None:
        self.name, self._law = name, law

    def load(self) -> Callable[..., Any]:
        return self._law


@pytest.fixture
def entered(monkeypatch: pytest.MonkeyPatch) -> Iterator[dict[str, Callable[..., Any]]]:
    laws: dict[str, Callable[..., Any]] = {"ferry-exponential": lambda p, mean: -mean * np.log1p(-p)}

    def found(group: str, name: str | None = None) -> list[Entered]:
        assert group == "tailrace.service_laws"
        return [Entered(each, law) for each, law in laws.items() if name in (None, each)]

    monkeypatch.setattr(outside, "entry_points", found)
    outside.quantiles.cache_clear()
    yield laws
    outside.quantiles.cache_clear()


def scenario(name: str = "ferry-exponential") -> Scenario:
    return parse(TEXT.replace("NAME", name))


def test_an_outside_law_is_simulated_as_its_quantiles_say(entered: dict[str, Any]) -> None:
    law = scenario().server.media.service
    assert law.mean_s == pytest.approx(1e-3, rel=1e-4)
    assert law.scv == pytest.approx(1.0, rel=1e-3)
    found = tailrace.simulate(scenario()).classes[0].all.latency_s["mean"]
    # M/M/1 at half its load: twice the service time.
    assert found.low < 2e-3 < found.high


def test_another_version_of_the_law_is_another_scenario(entered: dict[str, Any]) -> None:
    before = scenario().digest
    assert scenario().digest == before
    entered["ferry-exponential"] = lambda p, mean: -1.1 * mean * np.log1p(-p)
    outside.quantiles.cache_clear()
    assert scenario().digest != before


@pytest.mark.parametrize(
    ("law", "said"),
    [
        (lambda p: p, "the law refuses"),
        (lambda p, mean: mean - p, "gives no service times"),
        (lambda p, mean: mean * p[:5], "gives no service times"),
    ],
)
def test_a_law_that_does_not_keep_to_it_is_an_error_of_the_scenario(
    entered: dict[str, Any], law: Callable[..., Any], said: str
) -> None:
    entered["bad"] = law
    with pytest.raises(ScenarioError, match=said):
        scenario("bad")


def test_a_name_that_nobody_enters_is_one_error_that_names_those_who_do(
    entered: dict[str, Any], tmp_path: Any
) -> None:
    (tmp_path / "one.toml").write_text(TEXT.replace("NAME", "weibull"))
    done = CliRunner().invoke(app, ["run", str(tmp_path / "one.toml")])
    assert done.exit_code == 2
    (line,) = done.stderr.splitlines()
    assert "server.media.service.named" in line
    assert "accepted: ferry-exponential" in line
    with pytest.raises(ScenarioError, match="one of the three"):
        parse(
            TEXT.replace("NAME", "ferry-exponential").replace("parameters", 'values = ["1 ms"], parameters')
        )
