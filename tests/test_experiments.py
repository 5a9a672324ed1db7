"""Every experiment runs in its small version, writes what it says, and finds what it claims."""

import math
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest
from matplotlib.colors import to_hex
from matplotlib.lines import Line2D
from matplotlib.text import Text

from opened import NAMES
from quick import EXPERIMENTS, Quick, written

ROOT = Path(__file__).parent.parent
INTERVALS = 2.0
"""Half-widths of the 95 % interval within which an exact value must lie: about 4 standard errors of 16 replications."""


def assert_agree(frame: pd.DataFrame, exact: str, power: float) -> None:
    """Every simulated value lies by its exact one, and their intervals are narrow enough for that to mean much."""
    known = frame.dropna(subset=["simulated", "low", exact])
    assert len(known)
    half = (known.high - known.low) / 2
    assert (half < power * known[exact]).all(), known
    assert ((known.simulated - known[exact]).abs() < INTERVALS * half).all(), known


@pytest.mark.whole
def test_quantiles_of_several_servers_agree_with_the_exact_ones(tmp_path: Path) -> None:
    # This one as users do, as a command.
    pytest.importorskip("numba")
    command = [sys.executable, str(EXPERIMENTS / "mmc_tail.py"), "--quick", "--results", str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    frame = written("mmc_tail", tmp_path)
    assert set(frame.servers) == {1, 4}
    assert frame.simulated.notna().sum() >= 8
    assert_agree(frame, "exact_s", 0.08)


@pytest.mark.whole
def test_with_exponential_stages_the_closed_forms_hold_and_with_real_ones_nearly(quick: Quick) -> None:
    frame = quick("saturation")
    assert_agree(frame[frame.stages == "exponential"], "closed_form_s", 0.10)
    real = frame[(frame.stages == "real") & (frame.quantity == "mean")].dropna(
        subset=["simulated", "closed_form_s"]
    )
    assert len(real)
    assert ((real.simulated / real.closed_form_s - 1).abs() < 0.25).all()
    beyond = frame.share_of_saturation > 1
    assert (frame.overloaded == beyond).all()
    assert frame[beyond].simulated.isna().all()


@pytest.mark.whole
def test_throughput_stays_within_the_bounds_and_obeys_the_interactive_law(quick: Quick) -> None:
    frame = quick("queue_depth")
    rate = frame[frame.quantity == "throughput_per_s"]
    assert (rate.simulated > rate.bound_low * 0.97).all()
    assert (rate.simulated < rate.bound_high * 1.03).all()
    assert ((rate.simulated / rate.closed_form - 1).abs() < 0.25).all()
    mean = frame[frame.quantity == "mean_s"]
    assert ((mean.simulated / mean.from_throughput - 1).abs() < 0.02).all()
    deep = (
        rate[rate.depth == 128].set_index("media").simulated
        / rate[rate.depth == 1].set_index("media").simulated
    )
    assert deep["flash"] > 40
    assert 5 < deep["spinning"] < 20


@pytest.mark.whole
def test_variable_service_lengthens_the_tail_as_closed_forms_say(quick: Quick) -> None:
    frame = quick("service_shape")
    assert_agree(frame[frame.servers == 1], "closed_form_s", 0.08)
    several = frame[frame.servers > 1].dropna(subset=["simulated"])
    assert ((several.simulated / several.closed_form_s - 1).abs() < 0.10).all()
    mean = frame[(frame.servers == 1) & (frame.quantity == "mean")].set_index("service_scv").simulated
    assert mean[4.0] > 2 * mean[0.0]


@pytest.mark.whole
def test_sharing_a_link_spares_small_requests_the_wait_for_large_ones(quick: Quick) -> None:
    frame = quick("sharing")
    assert_agree(frame[frame.quantity == "mean"], "closed_form_s", 0.08)
    mean = frame[frame.quantity == "mean"].pivot_table("simulated", "large_load", "discipline")
    assert (mean.fcfs > 10 * mean.ps).all()
    p99 = frame[(frame.quantity == "p99") & (frame.large_load == 0.3)].set_index("discipline")
    assert p99.simulated["fcfs"] > 20 * p99.simulated["ps"]
    assert p99.closed_form_s["fcfs"] == pytest.approx(p99.simulated["fcfs"], rel=0.10)


@pytest.mark.whole
def test_the_compiled_engine_outruns_plain_simpy(quick: Quick, tmp_path: Path) -> None:
    frame = quick("speed")
    tandem = frame[frame.model == "tandem of four"].set_index("contender").requests_per_s
    assert tandem["compiled engine"] > tandem["SimPy with Resource"]
    assert (tmp_path / "speed_growth.csv").exists()


@pytest.mark.whole
def test_intervals_hold_as_often_as_they_say(quick: Quick) -> None:
    whole = quick("interval_coverage")
    frame, over_all = (whole[(whole.rule == "over all conditions") == which] for which in (False, True))
    assert (frame.given == frame.runs).all()
    common = over_all[over_all.quantity.isin(["mean", "p50"])]
    assert (common.given == common.runs).all()
    assert (over_all.high > 0.93).all()
    # 720 and more intervals: a coverage of 90 % or of 99 % would be found with near certainty (binomial, derived)
    assert frame.given.sum() >= 720
    assert 0.93 < frame.held.sum() / frame.given.sum() < 0.98
    assert (frame.high > 0.93).all()
    assert (frame.low < 0.97).all()


@pytest.mark.whole
def test_sales_open_too_fast_for_spinning_drives_and_not_for_flash(quick: Quick) -> None:
    frame = quick("ferry_day").set_index(["design", "condition"])
    assert frame.verdict["spinning drives", "opening"] == "overloaded"
    assert frame.load["spinning drives", "opening"] > 1.2
    assert (frame.load["flash drives"] < 0.01).all()
    # (2,500 - what can be carried) a second for a quarter of an hour
    carried = 2500 / frame.load["spinning drives", "opening"]
    assert frame.backlog["spinning drives", "opening"] == pytest.approx(900 * (2500 - carried), rel=0.01)


@pytest.mark.whole
def test_intervals_of_answers_are_held_against_long_runs(quick: Quick) -> None:
    frame = quick("answer_coverage").set_index("quantity")
    assert set(frame.cell) == {"group commit"}
    assert frame.given["rate"] == frame.runs["rate"] == 10
    assert frame.held["rate"] >= 7
    # 24 clients that think for 4 ms and wait for a commit: Little's law, to the width of runs as short as these.
    number = frame.truth["rate"] * (4e-3 + frame.truth["mean"])
    assert number == pytest.approx(24, rel=0.03)


@pytest.mark.whole
def test_overload_is_told_from_a_load_that_can_be_carried(quick: Quick) -> None:
    frame = quick("overload")
    assert set(frame.verb) == {"the backlog alone", "run", "sweep", "relief", "headroom"}
    assert (frame[frame.share_of_saturation < 1].overloaded == 0).all()
    over = frame[frame.share_of_saturation > 1]
    assert (over.overloaded == over.runs).all()
    closed = frame[frame.share_of_saturation.isna()]
    assert set(closed.verb) == {"run", "sweep"}
    assert (closed.overloaded == 0).all()


@pytest.mark.whole
def test_streams_that_interleave_become_random_and_read_ahead_keeps_those_that_pause(quick: Quick) -> None:
    frame = quick("streams").set_index(["way", "streams"]).simulated
    eager, none = frame["no pause, read-ahead of 1 MiB"], frame["no pause, no read-ahead"]
    assert eager[1] > 10 * none[1]
    assert eager[4] < 0.1 * eager[1]
    assert none[16] / frame["no pause, random"][16] == pytest.approx(1.0, abs=0.25)
    paused, unpaused = (
        frame["pauses of 100 ms, read-ahead of 1 MiB"],
        frame["pauses of 100 ms, no read-ahead"],
    )
    assert paused[4] > 1.1 * unpaused[4]
    assert paused[16] == pytest.approx(unpaused[16], rel=0.05)  # the arm has no time to read on


@pytest.mark.whole
def test_parameters_of_drives_are_found_again_within_their_intervals(quick: Quick) -> None:
    frame = quick("calibration")
    assert set(frame.by) == {"closed form", "simulation"}
    assert set(frame.kind) == {"spinning", "flash"}
    # 91 intervals of 95 %: fewer than 76 would be held with a probability of 0.0001, all but surely if they were of
    # 75 % (binomial, derived)
    assert frame.fits.sum() == 91
    assert frame.held.sum() >= 76
    assert ((frame["median"] / frame.truth - 1).abs() < 0.5).all()


@pytest.mark.whole
def test_size_times_rate_is_throughput_and_all_three_are_what_the_parts_add_up_to(quick: Quick) -> None:
    frame = quick("block_size")
    moves = frame.way == "spinning, random"
    assert_agree(frame[moves], "closed_form", 0.03)
    # what does not move takes always the same; on the platter but for the place in the span, 0.4 % of the rate
    still = frame[~moves]
    assert ((still.simulated / still.closed_form - 1).abs() < 0.004).all()
    flash = frame[frame.way.str.startswith("flash")]
    apart = (flash.simulated / flash.closed_form - 1).abs()
    assert (apart[flash.quantity == "mean_s"] < 1e-6).all()
    # a window holds one completion more or less, of some four hundred
    assert (apart < 3e-3).all()
    each = frame.pivot_table("simulated", ["way", "size_bytes"], "quantity").reset_index()
    assert (each.throughput_bytes_per_s / (each.rate_per_s * each.size_bytes) - 1).abs().max() < 1e-5
    rate = each.set_index(["way", "size_bytes"]).rate_per_s
    assert rate["spinning, random"][512] < 1.1 * rate["spinning, random"][65536]
    assert rate["spinning, sequential, two at a time"][512] > 1000 * rate["spinning, random"][512]


@pytest.mark.whole
def test_small_requests_that_go_first_wait_for_one_piece_and_others_for_all(quick: Quick) -> None:
    frame = quick("mixed_load")
    # large ones at random in the order of arrival vary too much for a short run; test_sharing... has them
    varies = (frame.way == "in order of arrival") & (frame.beside == "at random")
    known = frame[~varies].dropna(subset=["closed_form_s", "simulated"])
    assert set(known[known.quantity == "p99"].way) == {"small ones first", "small ones first, in pieces"}
    assert_agree(known, "closed_form_s", 0.12)
    p99 = frame[(frame.quantity == "p99") & (frame.beside == "streams")].pivot_table(
        "simulated", "value", "way"
    )
    assert p99["in order of arrival"][4] > 3.5 * p99["in order of arrival"][1]
    assert p99["small ones first"][4] == pytest.approx(p99["small ones first"][1], rel=0.01)
    assert (p99["small ones first"] > 10 * p99["small ones first, in pieces"]).all()


@pytest.mark.whole
def test_the_slowest_of_n_follows_fork_join_theory(quick: Quick) -> None:
    frame = quick("fan_out")
    assert_agree(frame[frame.method == "exact"], "closed_form_s", 0.08)
    mean = frame[frame.method == "Nelson-Tantawi"]
    assert len(mean)
    # its authors give about 5 % to 32 members
    assert ((mean.simulated / mean.closed_form_s - 1).abs() < 0.05).all()
    bound = frame[frame.method == "upper bound"].dropna(subset=["low"])
    assert (bound.low < bound.closed_form_s).all()
    idle = frame[(frame.quantity == "mean") & (frame.load == 0.05)]
    assert (idle.simulated > 0.99 * idle.idle_s).all()
    assert (idle.simulated < 1.06 * idle.idle_s).all()


@pytest.mark.whole
def test_writes_on_copies_take_as_long_as_order_statistics_say_and_pay_for_it_under_load(
    quick: Quick,
) -> None:
    frame = quick("copies")
    light = frame[(frame.load == 0.002) & frame.idle_s.notna()]
    assert len(light) == 6
    assert_agree(light[light.quantity == "mean"], "idle_s", 0.02)
    # nearly nobody waits: what there is of waiting, below 1.5 % of a mean service, may be seen in the p99
    p99 = light[light.quantity == "p99"]
    assert ((p99.simulated / p99.idle_s - 1).abs() < 0.05).all()
    mean = frame[frame.quantity == "mean"].set_index(["part", "load", "done_after", "copies"]).simulated
    drive = mean["exponential drive"]
    assert drive[0.002][2, 3] < drive[0.002][1, 1]
    assert drive[0.2][2, 3] > 1.5 * drive[0.2][1, 1]
    # where the first server passes copies on, a write that waits for one of them takes a second trip: 60 us at least
    small = mean["writes of 8 KiB"][0.002]
    assert small[2, 3] > small[1, 1] + 60e-6
    assert small[3, 3] > small[2, 3]


@pytest.mark.whole
def test_reads_of_the_less_busy_copy_come_near_the_mean_field_law_as_servers_grow_many(quick: Quick) -> None:
    frame = quick("balance")
    assert_agree(frame[frame.way != "least busy"], "closed_form_s", 0.15)
    chosen = frame[frame.way == "least busy"].set_index(["load", "servers", "quantity"])
    above = chosen.simulated / chosen.closed_form_s - 1
    few, many = above[0.7][4], above[0.7][40]
    assert (few > 0.08).all()
    assert (many.abs() < 0.04).all()
    # of the order of one over the number of servers (common practice, no source)
    assert 0.2 < few["mean"] * 4 < 0.8


def test_the_mean_field_law_gives_the_published_means(script) -> None:
    # Mitzenmacher 2001: 1.2657 services at 0.5, 2.6141 at 0.9.
    law = script("balance").mean_field_s
    assert law("mean", 0.5) == pytest.approx(1.2657 * 2e-3, abs=1e-7)
    assert law("mean", 0.9) == pytest.approx(2.6141 * 2e-3, abs=1e-7)
    # who never waits stays for one exponential service
    assert law("p99", 1e-9) == pytest.approx(2e-3 * math.log(100), rel=1e-6)


@pytest.mark.whole
def test_more_small_servers_are_needed_than_plain_division_says(quick: Quick) -> None:
    frame = quick("many_small").set_index("way")
    lying, chosen = frame.loc["where data lie"], frame.loc["less busy of two"]
    assert lying.closed_form == pytest.approx(4 * 0.82 / (1 - 4 * 0.18), rel=1e-5)
    assert abs(lying.needed - lying.closed_form) < 1.5
    # endlessly many servers need fewer than a handful
    assert chosen.closed_form < chosen.needed < 0.6 * lying.needed
    assert chosen.needed > chosen.plain
    assert (frame.p99_s <= frame.allowed_s).all()
    assert (frame.one_less_p99_s > frame.allowed_s).all()


# What they leave


@pytest.mark.whole
def test_choices_among_designs_that_closed_forms_know_are_right(quick: Quick) -> None:
    frame = quick("choose")
    assert frame.chosen.all()
    assert (frame.broken + frame.refused == 0).all()
    assert (frame.requests < 0.15 * frame.brute_force_requests).all()


@pytest.mark.whole
def test_the_live_page_answers_every_change_and_the_simulation_no_sooner_than_the_closed_form(
    quick: Quick,
) -> None:
    for needed in ("starlette", "uvicorn", "playwright"):
        pytest.importorskip(needed)
    if not any(map(shutil.which, NAMES)):
        pytest.skip(f"none of {', '.join(NAMES)} is installed")
    frame = quick("live_page")
    assert len(frame) == 4
    assert (frame.first_s > 0).all()
    assert (frame.first_s <= frame.simulated_s).all()
    assert set(frame.work_before) == {"finished", "under way"}
    assert frame.finished_s.notna().sum() == 1


@pytest.mark.whole
def test_answering_every_design_by_itself_finds_the_one_that_was_chosen(quick: Quick) -> None:
    frame = quick("choose_offer")
    assert frame.chosen.sum() == 1
    kept = frame[frame.answered == "met"]
    assert bool(kept.iloc[0].chosen)
    said = frame.choice.isin(("met", "missed", "overloaded"))
    assert (frame.choice[said] == frame.answered[said]).all()


@pytest.mark.whole
def test_a_choice_among_many_simulates_few(quick: Quick) -> None:
    frame = quick("choose_speed")
    assert frame.chosen.all()
    assert (frame.simulated <= 0.3 * frame.can_be).all()


def test_every_experiment_is_in_the_table_of_all_with_its_question_command_and_pictures(script) -> None:
    contents = script("contents")
    text = (ROOT / "experiments" / "README.md").read_text(encoding="utf-8")
    rows = re.findall(
        r"^\| (.+?) \| `python experiments/(\w+)\.py` \| (.+?) \| (.+?) \|$", text, re.MULTILINE
    )
    found = {name: (asked, pictures) for asked, name, _, pictures in rows}
    other = {
        "contents",
        "covered",
        "day_trace",
        "drawn",
        "parallel",
        "record",
        "redraw",
        "simulated",
        "studied",
        "trace_of",
    }
    assert set(found) == {path.stem for path in (ROOT / "experiments").glob("*.py")} - other
    for name, (asked, pictures) in found.items():
        assert asked == contents.question(name)
        assert pictures == contents.row(name, ROOT / "results")[3]


@pytest.mark.whole
def test_every_picture_can_be_drawn_again_from_its_table_in_the_sizes_and_colours_of_the_house(
    script,
) -> None:
    pictures, style = script("redraw").pictures, script("drawn").style
    drawn = 0
    for name in script("contents").experiments():
        for suffix, draw in pictures(name).items():
            table = ROOT / "results" / f"{name}{suffix}.csv"
            if not table.exists():
                continue
            figure = draw(pd.read_csv(table))
            drawn += 1
            assert figure.get_figwidth() == style.WIDTH_IN["wide"], name
            texts = [each for each in figure.findobj(Text) if each.get_text().strip()]
            assert min(each.get_fontsize() for each in texts) >= style.SMALL_PT["wide"], name
            lines = [each for each in figure.findobj(Line2D) if each.get_label().strip("_")]
            house = {*style.COLOURS, style.INK, style.FAINT, style.GRID}
            assert {to_hex(each.get_color()) for each in lines} <= house, name
    assert drawn > 8
