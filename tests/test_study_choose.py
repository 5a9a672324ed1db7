"""The least design that keeps every promise: held against closed forms for every design, and by hand."""

import json
import math
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

import tailrace
from tailrace.cli import app
from tailrace.crew.crew import Interrupted
from tailrace.crew.progress import Progress
from tailrace.engine.compiled import available
from tailrace.errors import ScenarioError, SettingError
from tailrace.report.columns.choice import why
from tailrace.report.pictures.choice import choice_picture
from tailrace.report.terminal.results import as_text
from tailrace.scenario import parse
from tailrace.scenario.tables.scenario import Scenario
from tailrace.study.candidates import Candidate, candidates, has_as_much
from tailrace.study.choose import FIRST_SPEND, Choice, choose
from tailrace.study.judge import Lengths
from tailrace.study.least import Least
from tailrace.study.vary import Axis, Setting

needs_speed = pytest.mark.skipif(not available(), reason="takes the reference engine too long")

BOX = """
title = "TITLE"
[server]
price = 1000
power = "40 W"
height = 2
[server.media]
kind = "generic"
count = 4
capacity = "2 TB"
price = PRICE
power = "10 W"
service = {law = "exponential", mean = "MEAN"}
[[workload]]
name = "booking"
rate = "RATE /s"
request_size = "8 KiB"
[workload.target]
p99 = "12 ms"
[run]
seed = 5
requests = 20000
replications = 16
"""
RATE = 1000.0
FAMILIES = {"slow": (2e-3, 100), "fast": (1e-3, 260)}


def box(name: str = "slow", *settings: str) -> Scenario:
    mean_s, price = FAMILIES[name]
    text = BOX.replace("TITLE", name).replace("PRICE", str(price)).replace("RATE", repr(RATE))
    return parse(text.replace("MEAN", f"{1e3 * mean_s:g} ms"), overrides=settings)


def exact_p99_s(name: str, drives: int) -> float:
    """Each drive is an M/M/1 that gets its share of what comes at random: the latency is exponential."""
    left = 1 / FAMILIES[name][0] - RATE / drives
    return math.log(100) / left if left > 0 else math.inf


@pytest.fixture(scope="module")
def chosen() -> Choice:
    if not available():
        pytest.skip("takes the reference engine too long")
    return choose([box("slow"), box("fast")], {"server.media.count": "1..9"}, names=["slow", "fast"])


def test_the_choice_is_that_of_the_closed_forms_of_every_design(chosen: Choice) -> None:
    costs = {(name, n): 1000 + n * price for name, (_, price) in FAMILIES.items() for n in range(1, 10)}
    kept = {each: cost for each, cost in costs.items() if exact_p99_s(*each) <= 12e-3}
    name, drives = min(kept, key=kept.__getitem__)
    assert (name, drives) == ("fast", 2)  # 1,000 + 2 x 260, where slow drives take 9: 1,000 + 9 x 100
    assert chosen.chosen is not None
    assert chosen.chosen.candidate.label == "fast, server.media.count 2"
    assert chosen.chosen.candidate.least == costs["fast", 2]
    assert chosen.verdict == "met"
    for offer in chosen.offers:
        exact = exact_p99_s(offer.candidate.name, int(offer.candidate.settings[0].value))
        if offer.verdict == "met":
            assert exact <= 12e-3
        if offer.verdict in ("missed", "overloaded"):
            assert exact > 12e-3
    assert all(each.verdict in ("missed", "overloaded") for each in chosen.lesser)


def test_what_has_more_of_everything_speaks_for_what_has_less(chosen: Choice) -> None:
    follow = [each for each in chosen.lesser if each.as_of is not None]
    assert follow
    for each in follow:
        assert each.as_of is not None
        assert each.as_of.name == each.candidate.name
        assert each.as_of.settings[0].value > each.candidate.settings[0].value
        assert why(each).startswith("has no more of anything than ")
    ran = sum(each.tried is not None and each.tried.requests > 0 for each in chosen.offers)
    assert ran < 10  # of 18


def test_designs_are_ordered_and_told_with_all_that_they_take(chosen: Choice) -> None:
    least = [each.candidate.least for each in chosen.offers]
    assert least == sorted(least)
    document = json.loads(json.dumps(chosen.as_dict()))
    row = document["chosen"]
    assert (row["price"], row["power_w"], row["height"]) == (1520, 60, 2)
    assert row["capacity_bytes"] == pytest.approx(4e12, rel=1e-6)
    assert row["quantity"] == "p99"
    assert row["found_low"] <= exact_p99_s("fast", 2) <= row["found_high"]
    assert sum(row["chosen"] for row in document["designs"]) == 1
    assert list(chosen.table.columns[:3]) == ["scenario", "server.media.count", "price"]


def test_the_terminal_says_what_was_chosen_why_not_less_and_what_comes_next(chosen: Choice) -> None:
    text = as_text(chosen)
    assert max(map(len, text.splitlines())) <= 80
    assert "Chosen: fast, media.count 2; price 1,520, power 60 W, height 2 rack units" in text
    assert "Designs that would take less" in text
    assert "A planning estimate" in text
    for each in chosen.next_up:
        assert each.candidate.least >= 1520
        assert each.verdict == "met"
    assert "Chosen: fast" in choice_picture(chosen).axes[0].get_title(loc="left")


def test_the_front_has_no_design_that_another_beats_in_both(chosen: Choice) -> None:
    front = chosen.front()
    known = [each for each in chosen.offers if each.tried is not None and each.tried.target is not None]
    assert chosen.chosen in front
    for each in front:
        mine = each.tried and each.tried.target and each.tried.target.judged.value
        for other in known:
            theirs = other.tried and other.tried.target and other.tried.target.judged.value
            assert mine is not None
            assert theirs is not None
            assert not (other.candidate.least <= each.candidate.least and theirs < mine)


@needs_speed
def test_a_choice_holds_in_every_condition() -> None:
    # 1.5 times the load: 750/s on each of 2 fast drives leave 18 ms, 500/s on each of 3 leave 9.2 ms
    later = '[[condition]]\nname = "today"\n[[condition]]\nname = "in three years"\nset = {load = 1.5}\n'
    text = BOX.replace("TITLE", "fast").replace("PRICE", "260").replace("RATE", repr(RATE))
    grown = parse(text.replace("MEAN", "1 ms") + later)
    found = choose(grown, ["server.media.count=1..5"])
    assert found.chosen is not None
    assert found.chosen.candidate.settings[0].value == 3
    of_two = next(each for each in found.lesser if each.candidate.settings[0].value == 2)
    assert "in three years" in why(of_two)


@needs_speed
def test_a_choice_that_was_stopped_names_the_best_so_far_and_goes_on_to_the_same(tmp_path: Path) -> None:
    done: list[int] = []

    def stop(progress: Progress) -> None:
        done.append(progress.done)
        if len(done) == 12:
            raise KeyboardInterrupt

    store = tmp_path / "a.store"
    vary = {"server.media.count": "2..9"}
    with pytest.raises(Interrupted, match="keeps every promise"):
        choose(box("fast"), vary, store=store, progress=stop)
    again = choose(box("fast"), vary, store=store)
    assert again.table.to_csv() == choose(box("fast"), vary).table.to_csv()


@needs_speed
def test_the_choice_of_a_scenario_is_repeated_from_its_own_table() -> None:
    table = 'choice = {vary = ["server.media.count=1..3"], least = "power", capacity = "4 TB"}\n'
    text = BOX.replace("TITLE", "fast").replace("PRICE", "260").replace("RATE", repr(RATE))
    own = parse(table + text.replace("MEAN", "1 ms"))
    found = choose(own)
    assert found.least == "power"
    assert found.chosen is not None
    assert found.chosen.candidate.least == 60
    assert [each.candidate.reason for each in found.impossible] == ["holds 2 TB; at least 4 TB are asked for"]
    bare = own.model_copy(update={"choice": None})
    assert bare.digest == box("fast").digest
    assert own.simulated_digest == bare.simulated_digest


@needs_speed
def test_a_design_at_its_limit_waits_for_others_that_rule_it_out() -> None:
    # 8 slow drives have a p99 of ln(100) / (500 - 125) s = 12.28 ms; a mirror of 8 fast ones, which costs less, 5.3 ms
    text = BOX.replace("RATE", repr(RATE)).replace("12 ms", "12.3 ms")
    slow = text.replace("TITLE", "slow").replace("PRICE", "260").replace("MEAN", "2 ms")
    fast = text.replace("TITLE", "fast").replace("PRICE", "100").replace("MEAN", "1 ms")
    mirror = parse(fast + '[server.layout]\nredundancy = "mirror"\n', overrides=["server.media.count=8"])
    found = choose([parse(slow), mirror], ["server.media.count=7..9"], names=["slow", "fast"])
    assert found.chosen is not None
    assert found.chosen.candidate.label == "fast, server.media.count 8"
    near = next(each for each in found.offers if each.candidate.label == "slow, server.media.count 8")
    assert (
        near.tried is not None
    )  # it is looked at first: of four it rules out two, whichever way it turns out
    assert near.tried.verdict == "undecided"
    assert near.verdict is None
    assert why(near) == "nobody looked further: another takes less"
    assert near not in found.front()
    assert 0 < near.tried.requests <= 2 * FIRST_SPEND < 20_000 * 16


@needs_speed
def test_a_design_that_surely_breaks_its_promise_is_called_so_before_its_quantile_is_known() -> None:
    # One slow drive of 480/s is 96 % busy: its p99 is ln(100) / 20 s = 230 ms, and exp(-20 x 0.012) = 79 % take longer
    # than 12 ms. That shows in some ten thousand requests, long before there are excursions enough for the p99.
    text = BOX.replace("TITLE", "slow").replace("PRICE", "100").replace("MEAN", "2 ms").replace("RATE", "480")
    long = parse(text, overrides=["run.requests=500000"])
    found = choose(long, ["server.media.count=1,9"])
    assert found.chosen is not None
    busy = found.lesser[0]
    assert busy.verdict == "missed"
    assert busy.tried is not None
    assert busy.tried.target is not None
    assert busy.tried.requests <= 8 * FIRST_SPEND


RARE = """
[[workload]]
name = "manifests"
rate = "SHARE /s"
request_size = "1 MiB"
[workload.target]
p99 = "1 s"
"""


def with_rare(rate: str, *settings: str) -> Scenario:
    text = BOX.replace("TITLE", "rare").replace("PRICE", "260").replace("RATE", "400").replace("MEAN", "1 ms")
    return parse(text + RARE.replace("SHARE", rate), overrides=["run.replications=2", *settings])


def test_runs_that_are_too_short_for_a_rare_class_are_refused_before_any() -> None:
    # 4 of 404 requests are manifests: 10 of 1,000, where 50 are the fewest; 50 + 4 times the root of 50 take 7,908
    with pytest.raises(SettingError, match=r"some 10 are of manifests: .* accepted: at least 8,000"):
        choose(with_rare("4", "run.requests=1000"), ["server.media.count=1,2"])


def test_a_class_too_rare_to_be_judged_is_undecided_with_the_reason() -> None:
    found = choose(with_rare("1.01"), ["server.media.count=1,2"])  # 50.4 of 20,000 requests
    assert found.chosen is None
    assert found.verdict == "undecided"
    assert len(found.undecided) == 2
    assert all("are too few to see a transient" in why(each) for each in found.undecided)
    assert found.rows()[0]["reason"] == found.undecided[0].doubt


def test_designs_that_contradict_themselves_are_listed_and_stop_nothing() -> None:
    found = candidates(
        {"box": box()},
        [Axis.of('server.layout.redundancy="none","mirror"'), Axis.of("server.media.count=3,4")],
        Least.of("price"),
        None,
        seed=1,
    )
    assert [each.scenario is None for each in found].count(True) == 1
    assert found[-1].scenario is None
    assert "3" in found[-1].label
    assert found[-1].reason


def test_the_looks_that_share_an_error_are_as_many_as_a_verdict_can_take() -> None:
    # runs of 2,500 doubled until they are as long as may be, 8 of them doubled until they are as many
    assert Lengths(500_000, 64, 0.05).looks == 1 + 8 + 3
    assert Lengths(20_000, 16, 0.0).looks == 1 + 3 + 1
    assert Lengths(1_000, 2, 0.0).looks == 1


def test_a_promise_that_stands_in_a_condition_alone_is_one() -> None:
    text = BOX.replace('[workload.target]\np99 = "12 ms"\n', "").replace("PRICE", "1").replace("RATE", "9")
    noon = '[[condition]]\nname = "noon"\nset = {"workload.booking.target.p99" = "12 ms"}\n'
    found = candidates(
        {"box": parse(text.replace("MEAN", "1 ms") + noon)},
        [Axis.of("server.media.count=1,2")],
        Least.of("price"),
        None,
        seed=1,
    )
    assert len(found) == 2


def test_what_is_least_is_reckoned_by_hand() -> None:
    # 1,000 + 4 x 100; 40 W + 4 x 10 W for 4 years of 8,766 hours at 0.25: 80 x 35.064 x 0.25 = 701.28
    assert Least.of("price").figure(box()) == 1400
    assert Least.of("power").figure(box()) == 80
    assert Least.of("height").figure(box()) == 2
    assert Least.of("server.media.count").figure(box()) == 4
    assert Least.of("price + 4 years at 0.25 per kWh").figure(box()) == pytest.approx(1400 + 701.28)


def test_one_design_has_as_much_as_another_only_where_all_else_is_alike() -> None:
    def of(name: str, drives: int, size: str) -> Candidate:
        settings = (
            Setting("server.media.count", drives, f"server.media.count={drives}"),
            Setting("server.layout.stripe_unit", size, f'server.layout.stripe_unit="{size}"'),
        )
        return Candidate(name, settings)

    every = [of("a", 2, "64 KiB"), of("a", 4, "64 KiB"), of("a", 4, "1 MiB"), of("b", 8, "64 KiB")]
    more = has_as_much(every, {"a": box(), "b": box()})
    wanted = np.eye(4, dtype=bool)
    wanted[1, 0] = True
    assert (more == wanted).all()


@pytest.mark.parametrize(
    ("vary", "how", "said"),
    [
        ([], {}, "nothing to choose from"),
        (["server.media.count=4"], {}, "nothing to choose from"),
        (["server.media.count=1..4000", "server.media.servers=1..2500"], {}, "10,000,000 designs .* fewer"),
        (
            ["server.media.count=1,2"],
            {"least": "beauty"},
            "least is 'beauty'; accepted: price, power, height",
        ),
        (["server.media.count=1,2"], {"least": "server.media.weight"}, "accepted: price, power, height"),
        (["server.media.count=1,2"], {"capacity": "much"}, "capacity is 'much'"),
        (["server.media.count=1,2"], {"capacity": "90 TB"}, "none of 2 designs can be: .* holds 2 TB"),
    ],
)
def test_what_cannot_be_asked_is_refused_with_what_can(
    vary: list[str], how: dict[str, str], said: str
) -> None:
    with pytest.raises(SettingError, match=said):
        choose(box(), vary, **how)  # type: ignore[arg-type]


def test_a_part_that_differs_needs_a_price_and_something_must_be_promised() -> None:
    free = parse(BOX.replace("price = PRICE\n", "").replace("RATE", "9").replace("MEAN", "1 ms"))
    with pytest.raises(SettingError, match=r"drives differ .* accepted: server\.media\.price in each"):
        choose(free, ["server.media.count=1,2"])
    text = BOX.replace('[workload.target]\np99 = "12 ms"\n', "").replace("PRICE", "1").replace("RATE", "9")
    with pytest.raises(SettingError, match="nothing is promised by 'TITLE'"):
        choose(parse(text.replace("MEAN", "1 ms")), ["server.media.count=1,2"])
    with pytest.raises(ScenarioError, match="no such part"):
        choose(box(), ["server.media.part=flash-two-lanes,nothing-like-it"])


def test_the_command_line_chooses_and_its_exit_code_is_the_verdict(tmp_path: Path) -> None:
    file = tmp_path / "box.toml"
    text = BOX.replace("TITLE", "fast").replace("PRICE", "260").replace("RATE", "400")
    file.write_text(text.replace("MEAN", "1 ms").replace("requests = 20000", "requests = 4000"), "utf-8")
    run = CliRunner().invoke(
        app,
        [
            "choose",
            str(file),
            "--vary",
            "server.media.count=1,2",
            "--workers",
            "1",
            "--out",
            str(tmp_path / "o"),
        ],
    )
    assert run.exit_code == 0, run.output
    assert "Chosen: media.count 1; price 1,260" in run.output
    assert {each.name for each in (tmp_path / "o").iterdir()} >= {
        "choose.csv",
        "choose.json",
        "choose_front.png",
    }
    assert tailrace.choose is choose
