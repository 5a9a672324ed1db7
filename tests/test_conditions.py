"""Answers in every condition and over all of them: the one pipeline, the mixture and its intervals, and verdicts."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, strategies
from scipy.optimize import brentq
from typer.testing import CliRunner

from studies import ONE_STATION, a_day, counter
from tailrace.answer.bench import Evidence
from tailrace.answer.mixture import Mixture, Part
from tailrace.answer.sample import Sample
from tailrace.answer.together import OVER_ALL, Together, level_together, statements
from tailrace.cli import app
from tailrace.errors import SettingError
from tailrace.measure.mixture import effective_excursions, weighted_quantile, weighted_spectrum_quantile
from tailrace.measure.quantile import quantile_rank
from tailrace.measure.spectrum import spectrum
from tailrace.quantity import Quantity
from tailrace.replicate.boiled import replicate
from tailrace.scenario import Scenario, parse
from tailrace.scenario.reading.conditions import states
from tailrace.scenario.reading.dial import Dial
from tailrace.scenario.reading.variant import Variants
from tailrace.study.conditions import Conditions, conditions
from tailrace.study.headroom import headroom
from tailrace.study.relief import relief
from tailrace.theory import mmc_response_mean, mmc_response_tail
from through import ENGINE

DAY = a_day('{ "workload.booking.rate" = "120 /s" }')
QUICK = ("run.requests=8000", "run.replications=8")
BUSY = 'condition.noon.set."workload.booking.rate"="160 /s"'


def day(*overrides: str) -> Scenario:
    return parse(ONE_STATION + DAY, overrides=[*QUICK, *overrides])


@pytest.fixture(scope="module")
def found() -> Conditions:
    return conditions(day(), engine=ENGINE)


@pytest.fixture(scope="module")
def seen() -> list[Sample]:
    """What replications show in each condition, whatever was promised."""
    return [
        Sample([replicate(each.scenario, 3, number, 30_000, ENGINE) for number in range(8, 16)])
        for each in states(day(BUSY))
    ]


def judged(seen: list[Sample], *overrides: str) -> Together:
    scenario = day(BUSY, *overrides)
    pairs = zip(states(scenario), seen, strict=True)
    return Together.of(scenario, [Evidence(each.scenario, sample, 8000) for each, sample in pairs])


def samples(scenario: Scenario, whole: bool = True, requests: int = 3000) -> list[Part]:
    parts = []
    for each in states(scenario):
        replications = [replicate(each.scenario, 1, number, requests) for number in range(4)]
        ps = (0.5, 0.9, 0.95, 0.99, 0.999)
        kept = replications if whole else [one.kept(ps) for one in replications]
        parts.append(Part(each.name, each.weight, Sample(kept)))
    return parts


# Weighted quantiles


def test_a_weighted_quantile_by_hand() -> None:
    ones, twos = np.array([1.0, 3.0, 5.0]), np.array([2.0, 4.0])
    # weights 1, 2, 1, 2, 1 of 1 to 5: half of 7 is reached at 3
    assert weighted_quantile([ones, twos], [1.0, 2.0], 0.5) == 3.0
    assert weighted_quantile([ones, twos], [1.0, 2.0], 0.42) == 2.0
    assert weighted_quantile([ones, twos], [1.0, 2.0], 0.99) == 5.0
    assert weighted_quantile([np.array([2.0] * 900), np.array([])], [1.0, 5.0], 0.99) == 2.0
    with pytest.raises(ValueError, match="empty"):
        weighted_quantile([np.array([])], [1.0], 0.5)


@given(
    strategies.lists(strategies.lists(strategies.floats(0, 1e6), max_size=40), min_size=1, max_size=4),
    strategies.floats(0.01, 0.999),
)
def test_with_equal_weights_it_is_the_plain_quantile(values: list[list[float]], p: float) -> None:
    every = np.sort(np.concatenate([np.array(each, dtype=float) for each in values]))
    if not every.size:
        return
    expected = every[quantile_rank(every.size, p) - 1]
    assert weighted_quantile(
        [np.sort(np.array(each, dtype=float)) for each in values], [0.7] * len(values), p
    ) == (expected)


def test_of_many_it_is_found_without_sorting_them_all() -> None:
    rng = np.random.default_rng(1)
    first, second = np.sort(rng.exponential(1.0, 50_000)), np.sort(rng.exponential(3.0, 20_000))
    found = weighted_quantile([first, second], [1.0, 4.0], 0.99)
    every = np.concatenate([first, second])
    mass = np.concatenate([np.full(first.size, 1.0), np.full(second.size, 4.0)])
    order = np.argsort(every)
    reached = np.cumsum(mass[order])
    assert found == every[order][np.searchsorted(reached, 0.99 * reached[-1])]
    kept = weighted_spectrum_quantile([spectrum(first), spectrum(second)], [1.0, 4.0], 0.99)
    assert kept == pytest.approx(found, rel=0.003)


def test_excursions_of_little_weight_say_little() -> None:
    counts = np.array([[10, 100], [10, 0]])
    assert effective_excursions(counts, np.array([1.0, 1.0])).tolist() == [20, 100]
    # nine in ten of the weight lie on ten of them: 100^2 / (10 x 81 + 10) = 12
    assert effective_excursions(counts, np.array([9.0, 1.0])).tolist() == [12, 100]


# The mixture


@pytest.mark.parametrize("whole", [True, False])
def test_the_mixture_of_one_condition_is_its_own_sample(whole: bool) -> None:
    part = samples(counter(), whole)[0]
    mixed = Mixture([part])
    for text in ("mean", "p50", "p99", "read_p95", "rate", "write_throughput"):
        alone, over_all = (
            part.sample.section("booking", Quantity(text)),
            mixed.section("booking", Quantity(text)),
        )
        assert over_all.value == pytest.approx(alone.value, rel=1e-12 if whole else 1e-3)
        assert over_all.n == alone.n
        if whole:
            assert over_all.deviations == pytest.approx(alone.deviations, rel=1e-9, abs=1e-12)


def test_halves_of_one_condition_are_that_condition() -> None:
    part = samples(counter())[0]
    halves = Mixture([replace(part, weight=3.0), replace(part, weight=5.0)])
    for text in ("mean", "p50", "p99", "rate"):
        alone, both = (
            part.sample.section("booking", Quantity(text)),
            halves.section("booking", Quantity(text)),
        )
        assert both.value == pytest.approx(alone.value, rel=1e-12)
        assert both.deviations == pytest.approx(alone.deviations, rel=1e-9, abs=1e-12)


@pytest.mark.whole
def test_whole_and_kept_replications_give_the_same_mixture() -> None:
    whole, kept = Mixture(samples(day())), Mixture(samples(day(), whole=False))
    for text in ("mean", "p50", "p99", "read_p95"):
        one, two = whole.section("booking", Quantity(text)), kept.section("booking", Quantity(text))
        assert two.value == pytest.approx(one.value, rel=0.003)
        assert np.abs(two.deviations - one.deviations).max() < 0.006 * (one.value or 0.0)
    for p in (0.5, 0.99):
        exact, near = (each.spreads("booking", "all")[p].excursions for each in (whole, kept))
        assert near == pytest.approx(exact, rel=0.4)


def test_over_all_each_request_counts_by_rate_and_hours(found: Conditions) -> None:
    # Three M/M/2 at 1,000 services a second and server, weighed by hours times rate: exact by their tails.
    rates = {"night": 200.0, "noon": 1200.0, "day": 1000.0}
    mass = {"night": 8 * 200.0, "noon": 2 * 1200.0, "day": 14 * 1000.0}
    whole = sum(mass.values())

    def beyond(seconds: float) -> float:
        tails = ((mass[name], mmc_response_tail(seconds, rate, 1000.0, 2)) for name, rate in rates.items())
        return sum(each * float(tail) for each, tail in tails) / whole

    exact = {
        "mean": sum(mass[n] * float(mmc_response_mean(r, 1000.0, 2)) for n, r in rates.items()) / whole,
        "p50": brentq(lambda t: beyond(t) - 0.5, 0, 1),
        "p99": brentq(lambda t: beyond(t) - 0.01, 0, 1),
    }
    latency = found.class_named("booking").all.latency_s
    for name, value in exact.items():
        estimate = latency[name]
        assert estimate.value is not None
        assert estimate.half_width is not None
        # 2.36 half-widths are about five standard errors of seven degrees of freedom
        assert abs(estimate.value - value) < 1.7 * estimate.half_width
        assert estimate.half_width < 0.1 * value
    rate = found.class_named("booking").all.rate_per_s.value
    assert rate == pytest.approx(whole / 24, rel=0.02)


def test_every_condition_is_answered_as_it_would_be_alone(found: Conditions) -> None:
    from tailrace.answer.run import simulate

    for state in states(day()):
        alone = simulate(state.scenario, engine=ENGINE).as_dict()
        together = found.condition_named(state.name).result.as_dict()
        # Verdicts are judged by wider intervals, since more of them are to hold together.
        for each in (alone, together):
            for one in each["classes"]:
                for target in one["targets"]:
                    del target["judged"], target["verdict"]
            del each["verdict"]
        assert together == alone


def test_both_engines_give_the_same_answer_over_conditions() -> None:
    pytest.importorskip("numba")
    short = day("run.requests=1500", "run.replications=3")
    compiled = conditions(short, engine="compiled").as_dict()
    reference = conditions(short, engine="reference").as_dict()
    for document in (compiled, reference):
        del document["engine"]
        for each in document["conditions"]:
            del each["answer"]["engine"]
    assert compiled == reference


# Verdicts


def test_the_error_is_shared_over_conditions_and_over_what_is_judged_over_all() -> None:
    assert statements(states(day())) == 3
    assert level_together(states(day())) == pytest.approx(1 - 0.05 / 3)
    over_all = day('workload.booking.target.over="all conditions"')
    assert statements(states(over_all)) == 1
    assert statements(states(counter())) == 1


def test_a_target_over_all_is_judged_on_the_mixture_and_in_no_condition(seen: list[Sample]) -> None:
    # Between the p99 over all (7.8 ms) and that of noon (11.9 ms): missed at noon, met over all.
    strict = judged(seen, 'workload.booking.target.p99="9.5 ms"')
    assert [(where, target.verdict) for where, target in strict.targets] == [
        ("night", "met"),
        ("noon", "missed"),
        ("day", "met"),
    ]
    assert strict.verdict == "missed"
    mild = judged(
        seen, 'workload.booking.target.p99="9.5 ms"', 'workload.booking.target.over="all conditions"'
    )
    ((where, target),) = mild.targets
    assert (where, target.verdict, mild.verdict, target.level) == (OVER_ALL, "met", "met", 0.95)
    assert mild.mixture is not None
    assert target.estimate == mild.mixture.section("booking", Quantity("p99")).estimate()


def test_a_condition_alone_judges_what_holds_over_all_of_them_by_itself() -> None:
    keys = ('workload.booking.target.over="all conditions"',)
    (night, *_) = states(day(*keys))
    sample = samples(night.scenario)[0].sample
    together = Together.of(night.scenario, [Evidence(night.scenario, sample, 3000)])
    assert [where for where, _ in together.targets] == [""]


def test_an_overloaded_condition_leaves_no_figures_over_all_and_is_told_by_the_fluid_limit() -> None:
    spell = DAY.replace("120 /s", "260 /s")
    scenario = parse(ONE_STATION + spell, overrides=[*QUICK, 'workload.booking.target.over="all conditions"'])
    found = conditions(scenario, engine=ENGINE)
    assert found.verdict == "overloaded"
    assert found.classes == ()
    (left,) = found.spells
    assert left.backlog == pytest.approx(600 * 2 * 3600)
    assert found.drains
    (target,) = found.targets
    assert (target.verdict, target.estimate.value) == ("missed", None)
    # 2,600/s for 2 h, 1,000/s for 14 h, 200/s for 8 h; of the first hours of the day 1.2 h are late, too.
    assert any("8.33 % of the time, in which 25 % of the requests of booking come" in e for e in found.notes)
    late = 0.95 * (2600 * 2 + 1000 * 1.2) / (2600 * 2 + 1000 * 14 + 200 * 8)
    assert target.estimate.method == (
        f"noon is overloaded: {100 * late:.3g} % or more wait longer than the limit, 1 % may"
    )
    assert any("gone 1.2 h after its end, in condition day" in note for note in found.notes)


def test_a_condition_too_short_to_settle_is_told(found: Conditions) -> None:
    assert not any("settle" in note for note in found.notes)
    short = DAY.replace("hours = 2", "hours = 0.0001")
    late = conditions(parse(ONE_STATION + short, overrides=QUICK), engine=ENGINE)
    assert any(
        note.startswith("Condition noon lasts 0.36 s, and the server takes up to") for note in late.notes
    )


def test_without_hours_all_conditions_weigh_the_same() -> None:
    untimed = "\n".join(line for line in DAY.splitlines() if "hours" not in line)
    found = conditions(parse(ONE_STATION + untimed, overrides=QUICK), engine=ENGINE)
    assert [each.share for each in found.conditions] == pytest.approx([1 / 3] * 3)
    rate = found.class_named("booking").all.rate_per_s.value
    assert rate == pytest.approx((200 + 1200 + 1000) / 3, rel=0.02)


def test_a_scenario_without_conditions_has_no_answer_in_them() -> None:
    with pytest.raises(SettingError, match="no conditions"):
        conditions(counter())


def test_over_all_nothing_is_told_in_a_condition_where_a_class_is_away() -> None:
    scan = '[[workload]]\nname = "scan"\nqueue_depth = 1\nrequest_size = "64 KiB"\n'
    off = DAY.replace("load = 0.2", "workload.scan.clients = 0")
    parts = samples(parse(ONE_STATION + scan + off, overrides=QUICK))
    mixed = Mixture(parts)
    rates = [part.sample.section("scan", Quantity("rate")).value or 0.0 for part in parts[1:]]
    assert mixed.section("scan", Quantity("rate")).value == pytest.approx((2 * rates[0] + 14 * rates[1]) / 24)
    assert mixed.section("scan", Quantity("mean")).value is not None


# The command line


def run(*arguments: str, code: int = 0) -> str:
    done = CliRunner().invoke(app, list(arguments))
    assert done.exit_code == code, done.output
    return done.stdout


def test_one_condition_alone_is_byte_for_byte_the_scenario_with_its_keys_set(tmp_path: Path) -> None:
    both, bare = tmp_path / "day.toml", tmp_path / "bare.toml"
    both.write_text(ONE_STATION + DAY)
    bare.write_text(ONE_STATION)
    keys = [part for key in QUICK for part in ("--set", key)]
    how = ["--engine", ENGINE, "--json", "--quiet", *keys]
    one = run("run", str(both), "--condition", "noon", *how)
    two = run("run", str(bare), "--set", 'workload.booking.rate="120 /s"', *how)
    assert one == two
    refused = CliRunner().invoke(app, ["run", str(both), "--condition", "dusk"])
    assert refused.exit_code == 2
    assert "'night', 'noon', 'day'" in refused.output


@pytest.mark.parametrize("width", ["80", "100"])
def test_run_shows_conditions_in_a_terminal_and_writes_files(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, width: str
) -> None:
    monkeypatch.setenv("COLUMNS", width)
    file = tmp_path / "day.toml"
    file.write_text(ONE_STATION + DAY)
    keys = [part for key in QUICK for part in ("--set", key)]
    out = tmp_path / "out"
    shown = run(
        "run", str(file), "--engine", ENGINE, "--quiet", *keys, "--out", str(out), "--pictures", "png"
    )
    lines = shown.splitlines()
    assert max(map(len, lines)) <= int(width)
    assert "Every target is met." in lines
    for title in ("Conditions", "Targets", "Class booking", "Class booking over all conditions"):
        assert title in lines
    assert (out / "conditions.png").stat().st_size > 1000
    document = json.loads((out / "answer.json").read_text())
    assert [each["name"] for each in document["conditions"]] == ["night", "noon", "day"]
    table = (out / "classes.csv").read_text().splitlines()
    assert table[0].startswith("condition,class")
    assert any(row.startswith(f"{OVER_ALL},booking") for row in table)


def test_estimate_tells_every_condition_and_fails_where_one_is_overloaded(tmp_path: Path) -> None:
    file = tmp_path / "day.toml"
    file.write_text(ONE_STATION + DAY.replace("120 /s", "260 /s"))
    assert "Overloaded: noon." in run("estimate", str(file), code=1)
    document = json.loads(run("estimate", str(file), "--json", code=1))
    assert document["overloaded_spells"][0]["drained_in"] == "day"
    assert "drive" in run("estimate", str(file), "--condition", "night")


# Studies, held against brute force

TWO = (
    # noon is the hardest; and, where night has a server less, the night
    (ONE_STATION + DAY, "load"),
    (
        ONE_STATION + DAY.replace("load = 0.2", "load = 0.6, server.media.servers = 1"),
        "workload.booking.rate",
    ),
)


def kept_by_closed_form(scenario: Scenario) -> bool:
    """Whether the p99 of M/M/c keeps its limit in every condition, by the exact law."""
    for each in states(scenario):
        rate, servers = each.scenario.open_rate_per_s, each.scenario.server.pools[0].media.servers
        if rate >= 1000.0 * servers or float(mmc_response_tail(0.012, rate, 1000.0, servers)) > 0.01:
            return False
    return True


def test_headroom_tells_in_which_condition_a_value_is_decided() -> None:
    found = headroom(parse(TWO[0][0], overrides=["run.requests=3000", "run.replications=4"]), "load")
    assert found.tried
    # Noon is the hardest: by day a sixth less comes.
    assert {each.condition for each in found.tried if each.verdict in ("missed", "overloaded")} == {"noon"}
    assert any("in condition night: it changes in proportion there" in note for note in found.notes)
    assert all(each.row()["condition"] == each.condition for each in found.tried)


@pytest.mark.whole
@pytest.mark.parametrize(("text", "key"), TWO)
def test_headroom_holds_in_the_hardest_condition_as_brute_force_has_it(text: str, key: str) -> None:
    pytest.importorskip("numba")
    scenario = parse(text, overrides=["run.requests=40000", "run.replications=16"])
    dial = Dial(Variants(scenario), key)
    values = [float(each) for each in dial.number * np.linspace(0.2, 2.0, 181)]
    kept = [value for value in values if (there := dial.at(value)) is not None and kept_by_closed_form(there)]
    edge = max(kept)
    found = headroom(scenario, key)
    assert found.met is not None
    assert found.missed is not None
    assert found.met <= 1.01 * edge
    assert found.missed >= 0.99 * edge
    assert found.missed / found.met < 1.35
    assert {each.condition for each in found.tried} <= {"night", "noon", "day"}


@pytest.mark.whole
@pytest.mark.parametrize("text", [text for text, _ in TWO])
def test_relief_is_what_the_changed_scenario_does_in_every_condition(text: str) -> None:
    pytest.importorskip("numba")
    scenario = parse(text, overrides=["run.requests=20000", "run.replications=8"])
    found = relief(scenario)
    hardest = {"load = 0.2" in text: "noon"}.get(True, "night")
    assert found.condition == hardest
    for each in (*found.doubled, *found.halved):
        changed = Variants(scenario).with_keys(each.settings)
        if each.verdict == "overloaded":
            assert any(
                one.scenario.open_rate_per_s >= 1000.0 * one.scenario.server.pools[0].media.servers
                or one.scenario.server.pools[0].media.service.mean > 1e-3
                for one in states(changed)
            )
            continue
        alone = conditions(changed, engine=ENGINE)
        there = alone.condition_named(found.condition).result.class_named("booking").all.latency_s["p99"]
        assert each.value is not None
        assert there.value == pytest.approx(each.value.value, rel=0.01)
        assert alone.verdict == each.verdict
