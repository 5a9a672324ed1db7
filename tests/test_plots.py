"""Pictures of answers: what is in them, that they can be told apart, and that they are the same every time."""

from __future__ import annotations

import itertools
import math
import re
import sys
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text
from typer.testing import CliRunner

from drives import generic
from shortened import shortened
from tailrace import journey, load, plots, simulate, sweep
from tailrace.answer.result import Overload, Result
from tailrace.cli import app
from tailrace.crew.crew import Crew
from tailrace.errors import SettingError
from tailrace.fit.calibration import Calibration, calibrate
from tailrace.fit.law_fit import fit_laws
from tailrace.fit.measured import STARTS, MeasuredPoint, media_of
from tailrace.measure.interval import IntervalEstimate
from tailrace.quantity import QUANTILES, Quantity
from tailrace.report.figures import byte_size
from tailrace.report.pictures import style
from tailrace.report.pictures.fitted import fitted_drive, fitted_laws
from tailrace.report.pictures.lines import Panel, Series, lines
from tailrace.report.pictures.save import inline_svg, picture_bytes
from tailrace.report.pictures.stages import bars_of
from tailrace.scenario.reading.read import parse
from tailrace.study.conditions import ConditionResult, Conditions

SCENARIOS = Path(__file__).parent.parent / "shared" / "scenarios"
SHORT = ["run.requests=3000", "run.replications=4"]
CLOSED = f"""
{generic("exponential")}
[[workload]]
name = "booking"
queue_depth = 4
request_size = "8 KiB"
"""


@pytest.fixture(scope="module")
def result() -> Result:
    return simulate(load(SCENARIOS / "one-station.toml", SHORT))


@pytest.fixture(scope="module")
def points() -> plots.LoadCurve:
    scenario = load(SCENARIOS / "one-station.toml")
    return plots.load_points(scenario, shares=(0.3, 0.6), requests=1500)


def texts(figure) -> str:
    return "\n".join(each.get_text() for each in figure.findobj(Text))


def every_figure(result: Result, points: plots.LoadCurve, width: style.Width = "wide"):
    yield plots.latency_distribution(result, width=width)
    yield plots.time_per_stage(result, width=width)
    yield plots.comparison([result, result], ["one", "two"], width=width)
    yield plots.load_curve(points, width=width)
    yield plots.stacked_time(
        ["8 KiB", "1 MiB"], {"seek": [1e-3, 1e-3], "transfer": [1e-4, 5e-3]}, "size", width=width
    )
    day = [ConditionResult(f"condition {place}", 2.0, 0.25, result, 0.1) for place in range(4)]
    found = Conditions("0.1", "A day", "", 7, "compiled", tuple(day), (), (), (), (), 1, "met", ())
    yield plots.conditions_picture(found, width=width)
    yield fitted_drive(fitted(), width)
    values = np.random.default_rng(1).gamma(4, 25e-6, 500)
    yield fitted_laws(fit_laws(values), values, width)


@cache
def fitted() -> Calibration:
    """A drive fitted to some points of what closed forms say, latencies and rates."""
    drive = media_of(STARTS["spinning"], "spinning")
    points = [
        MeasuredPoint(
            0, depth, None, size, read, {"mean": 0.01 * depth + size / 1e8, "throughput": 90.0 + depth}
        )
        for depth in (1, 16)
        for size in (8192, 1 << 20)
        for read in (True, False)
    ]
    return calibrate(drive, points, ("seek_average", "outer_rate"), engine=None)


# What stands in them


def test_every_point_of_the_distribution_is_a_quantile_of_the_answer_in_the_unit_of_the_axis(result) -> None:
    axes = plots.latency_distribution(result).axes[0]
    line = next(each for each in axes.lines if each.get_label() == "booking")
    seconds = {round(1 - share, 6): x / 1e3 for x, share in zip(*line.get_data(), strict=True)}
    assert "ms" in axes.get_xlabel()
    for name, p in QUANTILES.items():
        estimate = result.classes[0].all.latency_s[name]
        if estimate.value is not None:
            assert seconds[round(p, 6)] == pytest.approx(estimate.value)
    assert len(seconds) >= 3


def test_targets_and_closed_forms_stand_in_the_distribution() -> None:
    settings = [*SHORT, 'workload.booking.target.p99="5 ms"', 'workload.booking.target.mean="3 ms"']
    answer = simulate(load(SCENARIOS / "one-station.toml", settings))
    said = texts(plots.latency_distribution(answer, theory={"booking": {0.5: 1e-3, 0.99: 6.9e-3}}))
    assert "target: p99 at most 5 ms" in said
    assert "target: mean at most 3 ms" in said
    assert "closed form" in said
    axes = plots.latency_distribution(answer).axes[0]
    corner = next(each for each in axes.lines if each.get_label().startswith("target: p99"))
    assert (list(corner.get_xdata()), list(corner.get_ydata())) == ([5.0], [pytest.approx(0.01)])


def test_reads_and_writes_are_drawn_apart_where_a_class_stands_alone() -> None:
    answer = simulate(load(SCENARIOS / "booking-flash.toml", SHORT))
    said = texts(plots.latency_distribution(answer))
    assert "booking: all requests" in said
    assert "booking: reads" in said
    assert "booking: writes" in said


def test_bars_of_the_stages_add_up_to_the_latency_of_those_whom_they_show(result) -> None:
    median, slowest = bars_of(result, "booking")
    # Of the tenth of the requests around the median; shape of the law makes it nearly symmetrical there.
    assert median.total_s == pytest.approx(result.classes[0].all.latency_s["p50"].value, rel=0.03)
    assert slowest.total_s > result.classes[0].all.latency_s["p95"].value


def test_a_load_curve_has_the_loads_asked_for_and_the_scenarios_own_and_marks_saturation(points) -> None:
    # M/M/4 of 1 ms saturates at 4,000 /s; the scenario's own load is 3,200 /s.
    assert points.rate_per_s == pytest.approx(3200)
    assert [each.value * points.rate_per_s for each in points.points] == pytest.approx([1200, 2400, 3200])
    assert points.saturation.load_factor == pytest.approx(1.25)
    said = texts(plots.load_curve(points))
    assert "today's load" in said
    assert "saturation: drive" in said
    axes = plots.load_curve(points).axes[0]
    today = next(each for each in axes.lines if each.get_label() == "today's load")
    assert list(today.get_xdata()) == pytest.approx([3200, 3200])
    means = [each.result.classes[0].all.latency_s["mean"].value for each in points.points]
    assert means == sorted(means)


def test_whatever_latency_is_promised_stands_in_a_load_curve_with_its_own_line(points) -> None:
    promised = {"booking": {Quantity("read_p95"): 9e-3, Quantity("rate"): 1000.0}}
    axes = plots.load_curve(replace(points, limits=promised)).axes[0]
    lines = {each.get_label(): each for each in axes.lines}
    assert set(lines["target: read p95 of booking"].get_ydata()) == {9.0}
    # The class only reads, so its reads have the p95 of all.
    p95 = [each.result.classes[0].all.latency_s["p95"].value for each in points.points]
    assert list(lines["booking: read p95"].get_ydata()) == pytest.approx([1e3 * each for each in p95 if each])
    assert len({each.get_linestyle() for each in lines.values()}) >= 2
    assert "target: rate of booking" not in lines


def test_one_class_alone_has_a_colour_for_each_figure_and_a_short_axis_has_labels_enough(points) -> None:
    figure = plots.load_curve(points)
    colours = {each.get_label(): each.get_color() for each in figure.axes[0].lines}
    assert colours["booking: mean"] != colours["booking: p99"]
    figure, (axes,) = style.canvas("wide", 4.0)
    axes.plot([1, 2], [580.0, 3600.0])
    style.log_axis(axes.yaxis)
    FigureCanvasAgg(figure).draw()
    low, high = axes.get_ylim()
    shown = [tick for tick in axes.get_yticks() if low <= tick <= high]
    assert len(shown) >= 4


def test_a_curve_is_the_same_by_a_crew_that_is_at_work_already(points) -> None:
    scenario = load(SCENARIOS / "one-station.toml")
    with Crew(1) as crew:
        again = plots.load_points(scenario, shares=(0.3, 0.6), requests=1500, workers=crew)
        assert crew.tally.performed == sum(point.result.replications for point in again.points)
    assert again == points
    assert [point.value for point in again.points] == sorted(point.value for point in again.points)


def test_a_scenario_without_open_classes_has_no_load_curve() -> None:
    with pytest.raises(SettingError, match="no class is open"):
        plots.load_points(parse(CLOSED))


def test_a_run_too_short_to_tell_is_not_called_an_overload(points, result) -> None:
    overload = Overload("drive", "media", 1, 0.9, 3000.0, "during the run")
    unsettled = replace(points.points[-1], result=replace(result, classes=(), overload=overload))
    assert not unsettled.settled
    assert points.points[0].settled
    curve = replace(points, points=(*points.points[:-1], unsettled))
    assert "runs too short" in texts(plots.load_curve(curve))


def test_queue_depth_and_block_size_are_drawn_from_points_at_each_value() -> None:
    depths = plots.key_points(parse(CLOSED), "workload.booking.queue_depth", [1, 4, 2], requests=1000)
    assert [each.value for each in depths.points] == [1, 2, 4]
    figure = plots.queue_depth_curve({"one drive": depths}, under_way=True)
    assert len(figure.axes) == 3
    little = next(each for each in figure.axes[2].lines if "rate × mean" in each.get_label())
    # Little's law for a closed class without thinking: the product is the queue depth.
    assert list(little.get_ydata()) == pytest.approx([1, 2, 4], rel=0.02)
    sizes = plots.key_points(
        parse(CLOSED), "workload.booking.request_size", ["1 MiB", "8 KiB"], requests=1000
    )
    figure = plots.block_size_curve(sizes)
    rate, moved = (axes.lines[0].get_ydata() for axes in figure.axes)
    assert np.asarray(moved) * 1e6 == pytest.approx(np.asarray(rate) * [8192, 1048576])
    assert "8 KiB" in texts(figure)


def test_queue_depth_and_block_size_are_drawn_from_a_sweep_and_from_its_table() -> None:
    vary = {"workload.booking.queue_depth": [4, 1, 2], "server.media.servers": [1, 8]}
    swept = sweep(parse(CLOSED, overrides=["run.requests=1000", "run.replications=3"]), vary)
    for given in (swept, swept.table):
        figure = plots.queue_depth_curve(given)
        line = figure.axes[0].lines[0]
        assert list(line.get_xdata()) == [1, 2, 4]
        rates = swept.table.query("`server.media.servers` == 1").sort_values("workload.booking.queue_depth")
        assert list(line.get_ydata()) == list(rates["rate_per_s"])
        legend = [each.get_label() for axes in figure.axes for each in axes.lines]
        assert {"servers 1: mean", "servers 8: mean"} <= set(legend)
    with pytest.raises(SettingError, match="accepted: booking"):
        plots.queue_depth_curve(swept.table, "scan")


def test_parts_of_the_stacked_time_lie_on_one_another_and_lengths_must_agree() -> None:
    figure = plots.stacked_time(["a", "b"], {"seek": [1e-3, 2e-3], "transfer": [3e-3, 4e-3]}, "size")
    bars = figure.axes[0].patches
    assert [bar.get_y() for bar in bars] == pytest.approx([0, 0, 1, 2])
    assert [bar.get_height() for bar in bars] == pytest.approx([1, 2, 3, 4])
    with pytest.raises(ValueError, match="part 'seek' has 1 values for 2 labels"):
        plots.stacked_time(["a", "b"], {"seek": [1e-3]}, "size")


def test_an_overloaded_answer_says_so_in_every_picture(result) -> None:
    overload = Overload("drive", "media", 1, 0.5, 1000.0, "before the run")
    gone = replace(result, classes=(), stations=(), overload=overload, verdict="overloaded")
    assert "overloaded" in texts(plots.latency_distribution(gone))
    assert "overloaded" in texts(plots.time_per_stage(gone))
    assert "overloaded: no latency" in texts(plots.comparison([result, gone], ["one", "two"]))


def test_what_is_not_known_is_left_out_of_a_line_instead_of_drawn_as_zero(result) -> None:
    unknown = IntervalEstimate.unknown(10, "too few")
    latency = {**result.classes[0].all.latency_s, "p99": unknown, "p999": unknown}
    figures = replace(result.classes[0].all, latency_s=latency, distribution_s={})
    answer = replace(result, classes=(replace(result.classes[0], all=figures, kinds={}),))
    line = plots.latency_distribution(answer).axes[0].lines[0]
    assert len(line.get_xdata()) == 3
    assert min(line.get_xdata()) > 0


# How they look


def test_every_axis_has_a_name_and_every_text_is_large_enough(result, points) -> None:
    for width in ("wide", "narrow"):
        for figure in every_figure(result, points, width):
            figure.draw_without_rendering()
            for axes in figure.axes:
                assert axes.get_xlabel()
                assert axes.get_ylabel() or any(each.get_text() for each in axes.get_yticklabels())
            sizes = [
                each.get_fontsize() for each in figure.findobj(Text) if each.get_text() and each.get_visible()
            ]
            assert min(sizes) >= style.SMALL_PT[width]


@pytest.mark.whole
def test_labels_of_an_axis_do_not_touch(result, points) -> None:
    for width in ("wide", "narrow"):
        for figure in every_figure(result, points, width):
            canvas = FigureCanvasAgg(figure)
            canvas.draw()
            renderer = canvas.get_renderer()
            for axes in figure.axes:
                low, high = sorted(axes.get_xlim())
                boxes = [
                    tick.label1.get_window_extent(renderer)
                    for tick in axes.xaxis.get_major_ticks()
                    if low <= tick.get_loc() <= high and tick.label1.get_text()
                ]
                boxes.sort(key=lambda box: box.x0)
                assert all(left.x1 < right.x0 for left, right in itertools.pairwise(boxes))


# Simulated colour blindness of full severity, on linear RGB: G. M. Machado, M. M. Oliveira and L. A. F. Fernandes,
# A physiologically-based model for simulation of color vision deficiency, IEEE Transactions on Visualization and
# Computer Graphics 15, 2009 (from memory).
BLINDNESS = {
    "none": np.eye(3),
    "red": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "green": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "blue": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}


def linear(colour: str) -> np.ndarray:
    """Linear RGB of an sRGB colour: IEC 61966-2-1 (from memory)."""
    share = np.array([int(colour[at : at + 2], 16) for at in (1, 3, 5)]) / 255
    return np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)


def lightness_and_hue(rgb: np.ndarray) -> np.ndarray:
    """CIELAB under D65: CIE 15 (from memory)."""
    to_xyz = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    x, y, z = np.array(to_xyz) @ np.clip(rgb, 0, 1) / [0.9505, 1.0, 1.089]
    fx, fy, fz = (np.cbrt(each) if each > 0.008856 else 7.787 * each + 16 / 116 for each in (x, y, z))
    return np.array([116 * fy - 16, 500 * (fx - fy), 200 * (fy - fz)])


def contrast(one: str, other: str) -> float:
    """Contrast ratio of the Web Content Accessibility Guidelines 2.1 (from memory)."""
    light, dark = sorted(float([0.2126, 0.7152, 0.0722] @ linear(each)) + 0.05 for each in (one, other))
    return dark / light


@pytest.mark.parametrize("colours", [style.COLOURS, style.DARK_COLOURS])
@pytest.mark.parametrize("kind", BLINDNESS)
def test_colours_stay_apart_for_the_colour_blind(kind, colours) -> None:
    seen = [lightness_and_hue(np.array(BLINDNESS[kind]) @ linear(each)) for each in colours]
    assert min(float(np.linalg.norm(a - b)) for a, b in itertools.combinations(seen, 2)) > 25


def test_colours_stand_out_from_the_ground() -> None:
    # WCAG 2.1 asks for 3 to 1 of graphics and 4.5 to 1 of text.
    assert min(contrast(each, style.PAPER) for each in style.COLOURS) > 3
    assert min(contrast(each, style.DARK_PAPER) for each in style.DARK_COLOURS) > 3
    for ink, paper in ((style.INK, style.PAPER), (style.DARK_INK, style.DARK_PAPER)):
        assert contrast(ink, paper) > 7
    for ink, paper in ((style.FAINT, style.PAPER), (style.DARK_FAINT, style.DARK_PAPER)):
        assert contrast(ink, paper) > 4.5


def test_no_two_lines_differ_by_colour_alone() -> None:
    looks = [style.line(place) for place in range(style.MOST_LINES)]
    assert len({look.marker for look in looks}) == len(looks)
    assert len({str(look.dash) for look in looks}) == len(looks)
    assert len(set(style.HATCHES)) == len(style.HATCHES)


# As files


def test_the_same_figure_gives_the_same_bytes_of_every_kind(result) -> None:
    for kind, start in (("png", b"\x89PNG"), ("svg", b"<?xml"), ("pdf", b"%PDF")):
        first, second = (picture_bytes(plots.time_per_stage(result), kind) for _ in range(2))
        assert first == second
        assert first.startswith(start)


def test_a_picture_is_written_as_the_kind_that_its_name_says(result, tmp_path) -> None:
    assert plots.save(plots.time_per_stage(result), tmp_path / "a.SVG").read_bytes().startswith(b"<?xml")
    with pytest.raises(ValueError, match=r"ends in '\.gif'"):
        plots.save(plots.time_per_stage(result), tmp_path / "a.gif")


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize(
    "name",
    shortened(
        ["$x^2$", r"a\$b$", "<script>alert(1)</script>", "予約", "x" * 64, "a\nb", "_a"],
        kept={"$x^2$", "<script>alert(1)</script>"},
    ),
)
def test_a_name_is_drawn_as_it_stands_and_never_read_as_a_formula(result, points, name) -> None:
    renamed = replace(result, title=name, classes=(replace(result.classes[0], name=name),))
    for figure in (
        plots.latency_distribution(renamed),
        plots.comparison([renamed, result], [name, name]),
        plots.load_curve(
            replace(points, points=tuple(replace(each, result=renamed) for each in points.points))
        ),
    ):
        svg = inline_svg(figure, "p")
        assert "<script>" not in svg
        if name == "$x^2$":
            assert "$x^2$" in svg
    picture_bytes(figure, "png")  # which draws the letters themselves


def test_a_picture_for_a_page_keeps_its_text_and_takes_the_pages_colours_and_own_ids(result) -> None:
    svg = inline_svg(plots.latency_distribution(result), "first")
    assert "requests that take longer, %" in svg
    assert "var(--line0)" in svg
    assert not re.search(r"#[0-9a-f]{6}\b", svg)
    assert all(each.startswith("first-") for each in re.findall(r'\bid="([^"]*)"', svg))
    assert all(each.startswith("first-") for each in re.findall(r"url\(#([^)]*)\)", svg))
    assert "font-family" not in svg
    assert "http://www.w3.org" in svg
    assert not re.search(r'(?:src|href)="(?!#)', svg)


def test_no_window_and_no_global_state_is_touched(result) -> None:
    plots.time_per_stage(result)
    assert "matplotlib.pyplot" not in sys.modules or not sys.modules["matplotlib.pyplot"].get_fignums()


def test_sizes_are_written_short() -> None:
    assert [byte_size(each) for each in (512, 8192, 1 << 20, 3 << 30)] == ["512 B", "8 KiB", "1 MiB", "3 GiB"]


def test_an_answer_kept_as_files_has_its_pictures_of_the_kinds_asked_for(tmp_path) -> None:
    scenario = str(SCENARIOS / "one-station.toml")
    settings = [part for each in SHORT for part in ("--set", each)]
    command = ["run", scenario, *settings, "--workers", "1", "--out", str(tmp_path)]
    done = CliRunner().invoke(app, [*command, "--pictures", "svg,png"])
    assert done.exit_code == 0, done.stderr
    drawn = {file.name for file in tmp_path.iterdir() if file.suffix in (".png", ".svg", ".pdf")}
    assert drawn == {"latency.png", "latency.svg", "time_per_stage.png", "time_per_stage.svg"}
    refused = CliRunner().invoke(app, [*command, "--pictures", "gif"])
    assert refused.exit_code == 2
    assert "pictures is 'gif'; accepted: png, svg, pdf, several of them, or none" in refused.stderr


def test_the_journey_of_the_slowest_has_a_line_for_each_with_its_stops_end_to_end() -> None:
    followed = journey(load(SCENARIOS / "one-station.toml", SHORT), 3)
    axes = plots.journey_of_the_slowest(followed).axes[0]
    assert len(axes.get_yticks()) == 3
    ends = [bar.get_x() + bar.get_width() for bar in axes.patches if round(bar.get_y() + 0.15) == 0]
    unit = 1e3 if "ms" in axes.get_xlabel() else 1e6
    assert max(ends) == pytest.approx(followed.trips[0].latency_s * unit)


def test_closed_forms_give_the_quantiles_of_the_textbook() -> None:
    # Exponential response of M/M/1 at 800 of 1,000 /s: mean 5 ms, quantiles -5 ms * ln(1 - p); derived.
    text = (SCENARIOS / "one-station.toml").read_text().replace("servers = 4", "servers = 1")
    found = plots.closed_tail(parse(text.replace("3200 /s", "800 /s")), ps=(0.5, 0.9, 0.99))
    assert found["booking"] == pytest.approx({p: -5e-3 * math.log(1 - p) for p in (0.5, 0.9, 0.99)}, rel=1e-4)


def test_the_distribution_of_an_answer_rises_and_holds_its_quantiles(result) -> None:
    figures = result.classes[0].all
    values = [each.value for each in figures.distribution_s.values()]
    assert values == sorted(values)
    assert len(values) >= 10
    for name, p in QUANTILES.items():
        if figures.latency_s[name].value is not None:
            assert figures.distribution_s[p].value == figures.latency_s[name].value
            assert figures.distribution_s[p].low == pytest.approx(figures.latency_s[name].low)
        else:
            assert p not in figures.distribution_s


def test_the_same_label_has_the_same_look_in_every_panel() -> None:
    known = tuple(IntervalEstimate(value, 0.9 * value, 1.1 * value, 9, "t") for value in (1e-3, 2e-3))
    one, two, three = (Series(label, (1.0, 2.0), known) for label in ("one queue", "two queues", "three"))
    panels = [Panel("mean, ms", (one, two)), Panel("p99, ms", (two, three, one))]
    figure = lines(panels, "load")("wide")
    looks: dict[str, set[tuple[str, str, str]]] = {}
    for axes in figure.axes:
        for drawn in axes.lines:
            look = (str(drawn.get_color()), str(drawn.get_marker()), str(drawn.get_linestyle()))
            looks.setdefault(str(drawn.get_label()), set()).add(look)
    assert set(looks) == {"one queue", "two queues", "three"}
    assert all(len(each) == 1 for each in looks.values())
    assert len(set.union(*looks.values())) == 3


def test_no_name_of_an_axis_or_a_line_is_cut_off_on_a_telephone() -> None:
    known = tuple(IntervalEstimate(value, 0.9 * value, 1.1 * value, 9, "t") for value in (1e-3, 2e-3))
    series = tuple(
        Series(label, (1.0, 2.0), known, exact=(1e-3, 2e-3))
        for label in ("mean, eight queues", "p99, eight queues")
    )
    label = "queue depth: requests that each client keeps under way"
    for width in ("wide", "narrow"):
        figure = lines([Panel("latency, ms", series)], label)(width)
        figure.draw_without_rendering()
        ink = figure.get_window_extent()
        names = [name for axes in figure.axes for name in (axes.xaxis.label, axes.yaxis.label)]
        for text in [*names, *figure.legends[0].get_texts()]:
            extent = text.get_window_extent()
            assert ink.x0 - 1 <= extent.x0, text
            assert extent.x1 <= ink.x1 + 1, text
