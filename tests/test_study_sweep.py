"""Sweeps: every point is what a run of its own says, whoever does it and however often it is interrupted."""

import json
from pathlib import Path

import pytest

import tailrace
from drives import generic
from studies import closed, counter
from tailrace.answer.bench import Bench
from tailrace.answer.pilot import Length
from tailrace.answer.result import Overload
from tailrace.answer.run import simulate
from tailrace.crew.crew import Interrupted
from tailrace.crew.progress import Progress
from tailrace.errors import SettingError
from tailrace.measure.spectrum import pooled_quantiles, spectrum
from tailrace.report.figures import key_text
from tailrace.report.files.documents import as_json
from tailrace.report.files.study import write_study
from tailrace.report.pictures.sweep import sweep_picture
from tailrace.report.study_words import headroom_sentence
from tailrace.report.terminal.results import as_text
from tailrace.scenario import parse
from tailrace.study.budget import _cut, _said, spread_out
from tailrace.study.headroom import headroom
from tailrace.study.knee import knee
from tailrace.study.lines import knees
from tailrace.study.sweep import Sweep, sweep
from tailrace.theory import mmc_response_mean, mmc_response_quantile

VARY = ["workload.booking.clients=5..15 by 5", "server.media.servers=2,3"]


@pytest.fixture(scope="module")
def found() -> Sweep:
    return sweep(counter(), VARY, names=["counter"])


def test_a_point_is_what_a_run_of_its_own_says(found: Sweep) -> None:
    frame = found.table
    assert len(frame) == 6
    assert list(frame["workload.booking.clients"]) == [5, 5, 10, 10, 15, 15]
    point = frame[(frame["workload.booking.clients"] == 10) & (frame["server.media.servers"] == 2)].iloc[0]
    alone = simulate(counter()).classes[0]
    for name, estimate in (("rate_per_s", alone.all.rate_per_s), ("mean_s", alone.all.latency_s["mean"])):
        assert (point[name], point[f"{name}_low"], point[f"{name}_high"]) == pytest.approx(
            (estimate.value, estimate.low, estimate.high), rel=1e-9
        )
    # The spectrum is exact to 0.27 %.
    assert point.p90_s == pytest.approx(alone.all.latency_s["p90"].value, rel=2.71e-3)


def test_the_mean_over_the_sweep_is_that_of_theory(found: Sweep) -> None:
    frame = found.table
    for row in frame.to_dict("records"):
        exact = float(
            mmc_response_mean(100.0 * row["workload.booking.clients"], 1e3, row["server.media.servers"])
        )
        # 95 % intervals of four replications, doubled: about six standard errors
        half = row["mean_s_high"] - row["mean_s_low"]
        assert abs(row["mean_s"] - exact) < half


def test_any_quantile_that_a_target_names_is_swept_and_holds_the_exact_one() -> None:
    both = [
        counter("run.requests=6000", "run.replications=12", *target)
        for target in (["workload.booking.target.p985=14 ms"], [])
    ]
    frame = sweep(both, ["server.media.servers=2"], names=["one", "two"]).table
    exact = float(mmc_response_quantile(0.985, 1000.0, 1e3, 2))  # Erlang C; see `theory.mmc`
    asked, other = frame.p985_s
    assert abs(asked - exact) < 2 * (frame.p985_s_high[0] - asked)
    assert frame.p985_s_high[0] - asked < 0.1 * exact
    assert other != other
    assert "p985: nobody asked for it here" in frame.unknown[1]


def test_the_table_is_the_same_with_a_store_without_and_after_an_interruption(
    found: Sweep, tmp_path: Path
) -> None:
    done = []

    def stop(progress: Progress) -> None:
        done.append(progress.done)
        if len(done) == 9:
            raise KeyboardInterrupt

    how = {"store": tmp_path / "a.store", "names": ["counter"]}
    with pytest.raises(Interrupted):
        sweep(counter(), VARY, progress=stop, **how)
    again = sweep(counter(), VARY, **how)
    assert again.table.to_csv() == found.table.to_csv()


def test_what_cannot_be_carried_is_overloaded_and_has_no_figures() -> None:
    frame = sweep(counter(), {"load": [1, 3]}).table
    assert list(frame.verdict) == [frame.verdict.iloc[0], "overloaded"]
    assert frame.overloaded_station.iloc[1] == "drive"
    assert frame.iloc[1][["mean_s", "p99_s", "rate_per_s"]].isna().all()
    assert frame.attrs["units"] == {"load": ""}
    assert frame.attrs["seed"] == 3


def test_several_scenarios_are_compared_in_one_table() -> None:
    frame = tailrace.sweep(
        [counter("title=Two"), counter("title=Three", "server.media.servers=3")],
        {"load": [0.5]},
    ).table
    assert list(frame.scenario) == ["Two", "Three"]
    # common random numbers: the same arrivals in both
    assert frame.rate_per_s.iloc[0] == pytest.approx(frame.rate_per_s.iloc[1], rel=1e-12)


def test_far_from_the_limit_fewer_requests_are_spent_than_near_it() -> None:
    near, far = (
        sweep(
            counter("run.precision=0.05", "run.requests=60000", f'workload.booking.target.p99="{limit}"'),
            {"load": [1]},
            engine="auto",
        ).table.requests.iloc[0]
        for limit in ("6.4 ms", "50 ms")
    )
    assert far < near / 2


def test_a_budget_shortens_the_runs_and_is_decided_once(tmp_path: Path) -> None:
    scenario = counter("run.requests=100000")
    how = {"store": tmp_path / "a.store", "names": ["counter"]}
    first = sweep(scenario, {"load": [1, 0.5]}, budget="0.2 s", **how)
    requests = first.table.requests
    assert (requests < 4 * 90_000).all()
    again = sweep(scenario, {"load": [1, 0.5]}, budget="0.2 s", **how)
    assert again.table.to_csv() == first.table.to_csv()


def test_a_budget_bounds_the_pilots_too_and_says_what_it_cost(tmp_path: Path) -> None:
    scenario = counter("run.precision=0.001")  # pilots and answers as long as they are allowed to be
    told: list[Progress] = []
    how = {"store": tmp_path / "a.store", "progress": told.append}
    found = sweep(scenario, {"load": [0.5]}, budget=1e-3, **how)
    assert not [each for each in told if each.step == "Pilot"]
    assert found.requests == (4 + 1) * 1000  # the fewest replications of the shortest length, and the trial
    assert "no time to find how long runs have to be" in found.notes[0]
    assert "4 replications of 1,000 requests, the fewest there are" in found.notes[0]
    assert sweep(scenario, {"load": [0.5]}, budget=1e-3, **how).notes == found.notes


def test_where_a_budget_is_too_short_for_trials_of_all_points_few_stand_for_the_others() -> None:
    assert all(sorted(spread_out(count)) == list(range(count)) for count in range(40))
    assert spread_out(17)[:5] == [0, 16, 8, 4, 12]
    loads = [0.1 + 0.01 * place for place in range(12)]
    found = sweep(counter(), {"load": loads}, budget=1e-3)
    assert found.requests == (4 * len(loads) + 1) * 1000  # the fewest of the shortest, and a single trial


def test_a_queue_that_grows_where_no_time_is_left_to_confirm_it_leaves_no_interval(monkeypatch) -> None:
    grown = Overload("drive", "media", 1, 0.9, 900.0, "during the run")
    monkeypatch.setattr(Bench, "overload_seen", lambda *_: grown)
    scenario = counter("run.precision=0.001", 'workload.booking.target={mean = "1 h"}')
    point = sweep(scenario, {"load": [0.5]}, budget=1e-3).points[0].evidence
    assert point.overload is None
    assert point.estimate("booking", "mean").low is None
    assert point.verdict == "undecided"
    assert "more and more waits for drive" in next(iter(point.sample.doubts.values())).reason


def test_a_budget_cuts_requests_first_and_replications_only_below_the_shortest() -> None:
    cut = [_cut(Length(100_000, 16), factor, fixed=True) for factor in (1.0, 0.5, 0.005, 1e-9)]
    assert [(each.requests, each.replications) for each in cut] == [
        (100_000, 16),
        (50_000, 16),
        (1_000, 8),
        (1_000, 4),
    ]
    said = _said([Length(100_000, 16)], cut[1:2], piloted=True)
    assert said.startswith(
        "The budget cut the runs to 50 % of what the precision asked for takes: intervals are about 1.4"
    )
    assert _said([Length(100_000, 16)], cut[:1], piloted=True) == ""


def test_what_decides_a_length_is_read_as_it_was_written() -> None:
    overload = Overload("arm", "media", 2, 0.9, 900.0, "before the run")
    for length in (
        Length(1000, 16, {("booking", "read"): {0.5: 0, 0.99: 12}}, ("A note.",), None, 1000),
        Length(0, 16, overload=overload),
    ):
        assert Length.read(json.loads(json.dumps(length.written()))) == length


def test_a_budget_that_is_no_time_is_refused() -> None:
    for budget in ("2 KiB", "-1 s", 0):
        with pytest.raises(SettingError, match="budget"):
            sweep(counter(), {"load": [1]}, budget=budget)


def test_the_knee_lies_where_the_p99_has_doubled() -> None:
    found = knee([1, 2, 4, 8], [1.0, 1.0, 1.0, 4.0])
    assert (found.within, found.beyond) == (4, 8)
    # from 4 to 8 the p99 goes with the square of the value, and has doubled at 4 times the root of 2
    assert found.value == pytest.approx(4 * 2**0.5)
    assert knee([1, 2], [1.0, 1.5]).value is None
    assert knee([1, 2], [1.0, None]).beyond == 2
    assert knee([1, 2], [None, 1.0]).within is None


def test_a_closed_class_bends_at_its_servers() -> None:
    found = sweep(
        closed("run.requests=4000"),
        ["workload.scan.queue_depth=1..64 by *2"],
        names=["scan"],
    )
    ((_, bend),) = knees(found.points, "scan")
    assert bend.value is not None
    assert 8 < bend.value < 32


def test_a_pooled_quantile_of_spectra_is_that_of_the_samples_together() -> None:
    import numpy as np

    rng = np.random.default_rng(5)
    samples = [rng.lognormal(-7, 1, 4000) for _ in range(4)]
    together = np.sort(np.concatenate(samples))
    ps = [0.001, 0.5, 0.9, 0.99, 0.999]
    found = pooled_quantiles([spectrum(each) for each in samples], ps)
    exact = together[np.ceil(np.array(ps) * together.size).astype(int) - 1]
    assert found == pytest.approx(exact, rel=2.71e-3)
    assert found[1] == pytest.approx(exact[1], rel=3e-4)
    constant = spectrum(np.full(1000, 1.2345e-4))
    assert pooled_quantiles([constant, constant], [0.5, 0.99]).tolist() == [1.2345e-4] * 2
    with pytest.raises(ValueError, match="empty"):
        pooled_quantiles([spectrum(np.empty(0))], [0.5])


@pytest.mark.parametrize("width", [80, 100])
def test_the_table_fits_the_terminal(found: Sweep, width: int) -> None:
    from io import StringIO

    from rich.console import Console

    long = sweep(
        [counter(f"title={'x' * 150}"), counter("server.media.servers=4")],
        ["workload.booking.rate=10%..105% of saturation by 95"],
        names=["a" * 60, "b" * 60],
    )
    for each in (found, long):
        text = as_text(each, Console(file=StringIO(), width=width, color_system=None))
        assert max(map(len, text.splitlines())) <= width
        assert "overloaded" in text or each is found


def test_files_hold_the_table_the_text_and_a_picture(found: Sweep, tmp_path: Path) -> None:
    import pandas as pd

    document = as_json(found)
    pictures = {"booking": sweep_picture(found, "booking")}
    write_study(tmp_path, "sweep", as_text(found), found.table, document, pictures)
    assert pd.read_csv(tmp_path / "sweep.csv").shape == found.table.shape
    assert (tmp_path / "sweep_booking.png").read_bytes().startswith(b"\x89PNG")
    axes = pictures["booking"].axes
    assert [each.get_ylabel() for each in axes] == ["requests/s", "p99 latency, ms"]
    assert axes[1].get_xlabel() == "workload.booking.clients"
    assert len(axes[1].get_lines()) >= 2


def test_sizes_are_a_range_like_other_quantities_and_show_what_is_moved_on_axes_that_suit() -> None:
    vary = ["workload.scan.request_size=4 KiB..1 MiB by *16"]
    found = sweep(closed("run.requests=1000"), vary)
    assert [each.settings[0].value for each in found.points] == [4096, 65536, 1048576]
    text = as_text(found)
    assert "throughput, MB/s" in text
    assert "64 KiB" in text
    rates, moved, latency = sweep_picture(found, "scan").axes
    assert [each.get_ylabel() for each in (rates, moved)] == ["requests/s", "throughput, MB/s"]
    assert latency.get_ylabel().startswith("mean latency")
    # The service takes as long whatever the size: rates lie together, what is moved 256 times apart.
    assert (rates.get_yscale(), moved.get_yscale()) == ("linear", "log")
    assert [each.get_text() for each in latency.get_xticklabels()] == ["4 KiB", "64 KiB", "1 MiB"]


def test_a_link_swept_in_bits_is_told_in_bits_in_table_and_picture_and_kept_in_bytes() -> None:
    scenario = parse(
        f"""
{generic("constant", "10 us")}
[server.network]
rate = "10 Gbit/s"
[[workload]]
name = "booking"
rate = "100 /s"
request_size = "64 KiB"
[run]
seed = 3
requests = 1000
replications = 2
"""
    )
    found = sweep(scenario, ["server.network.rate=2.5 Gbit/s,25 Gbit/s"])
    text = as_text(found)
    assert "2.5 Gbit/s" in text
    assert "25 Gbit/s" in text
    assert "GB/s" not in text
    assert found.as_dict()["keys"] == [{"key": "server.network.rate", "unit": "B/s"}]
    assert [row["server.network.rate"] for row in found.rows()] == [312.5e6, 3.125e9]
    assert "rate, Gbit/s" in sweep_picture(found, "booking").axes[-1].get_xlabel()
    room = headroom(scenario, "server.network.rate", rule="plain")
    assert (room.unit, room.told) == ("B/s", "bit/s")
    assert "now 10 Gbit/s" in headroom_sentence(room)


def test_bits_a_second_are_told_with_the_prefix_that_suits_them() -> None:
    assert [key_text(value, "bit/s") for value in (0.125, 125.0, 3.125e9, 12.5e9)] == [
        "1 bit/s",
        "1 kbit/s",
        "25 Gbit/s",
        "100 Gbit/s",
    ]
