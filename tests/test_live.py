"""The live page without a browser: who is let in, what can be set, how much is run, and whether answers are right."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Awaitable, Callable, Mapping
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

pytest.importorskip("starlette", reason="no extra `live`; to get it: pip install -e '.[live]'")

from tailrace.answer.run import simulate
from tailrace.cli import app as commands
from tailrace.crew.progress import Progress
from tailrace.errors import ScenarioError, SettingError
from tailrace.lessons import LESSONS
from tailrace.lessons.starts import STARTS
from tailrace.live import desk as desks
from tailrace.live import worker as workers
from tailrace.live.address import State, read
from tailrace.live.cards import ratio_of
from tailrace.live.controls import controls_at, in_front, scenario_at
from tailrace.live.desk import MOST_PAGES, Desk, Mailbox
from tailrace.live.guard import Guard
from tailrace.live.kept import Keeping
from tailrace.live.piece import Piece
from tailrace.live.pieces import Pieces
from tailrace.live.reckoned import LOOKS, MOST_LONG, Reckoner, bounded
from tailrace.live.serve import is_loopback
from tailrace.live.site import site
from tailrace.live.starts import Start, starts
from tailrace.live.stream import Stream, written
from tailrace.measure.interval import IntervalEstimate
from tailrace.scenario.reading.conditions import states
from tailrace.scenario.reading.read import parse
from tailrace.study.compare import compare
from through import ENGINE

SCENARIOS = Path(__file__).parent.parent / "shared" / "scenarios"
KEYS = st.text("abz_.", min_size=1, max_size=20)
VALUES = st.text("aé1 =&%/+.", max_size=20).map(str.strip)
KEY, HOST = "the-key", "127.0.0.1:8000"
SHORT = ["run.requests=2000", "run.replications=4"]


@pytest.fixture(scope="module")
def known() -> Mapping[str, Start]:
    return starts(SCENARIOS / "booking-spinning.toml", SHORT)


# Who is let in


def guarded(known: Mapping[str, Start], desk: Desk | None = None, by_address: bool = False) -> Guard:
    return Guard(site(known, desk or Desk(known, ENGINE)), KEY, ["127.0.0.1", "localhost"], 8000, by_address)


def asked(
    app: Any,
    path: str = f"/{KEY}/",
    query: str = "",
    method: str = "GET",
    headers: Mapping[str, str] | None = None,
    receive: Callable[[], Awaitable[Any]] | None = None,
) -> tuple[int, dict[str, str], str]:
    """Status, headers and body of one request, straight to the application."""
    sent: list[Any] = []

    async def nothing() -> Any:
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(message: Any) -> None:
        sent.append(message)

    asyncio.run(app(scope_of(path, query, method, headers), receive or nothing, send))
    begin = sent[0]
    body = b"".join(each.get("body", b"") for each in sent[1:]).decode()
    return begin["status"], {k.decode(): v.decode() for k, v in begin["headers"]}, body


def scope_of(
    path: str, query: str = "", method: str = "GET", headers: Mapping[str, str] | None = None
) -> dict[str, Any]:
    told = {"host": HOST} | dict(headers or {})
    return {
        "type": "http",
        "http_version": "1.1",
        "scheme": "http",
        "server": ("127.0.0.1", 8000),
        "method": method,
        "path": path,
        "raw_path": path.encode(),
        "root_path": "",
        "query_string": query.encode(),
        "headers": [(k.encode(), v.encode()) for k, v in told.items()],
    }


def test_the_page_comes_with_its_key_and_allows_no_script_but_its_own(known) -> None:
    status, headers, body = asked(guarded(known))
    assert status == 200
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "script-src 'self'" in policy
    assert "unsafe" not in policy
    assert headers["referrer-policy"] == "no-referrer"  # or the key would be handed on
    assert headers["cache-control"] == "no-store"
    assert body.count("<script") == 1
    assert ' style="' not in body
    assert "http://" not in body


@pytest.mark.parametrize("path", ["/", "/wrong/", "/the-ke/", f"/{KEY}x/", "/favicon.ico", "/é/"])
def test_without_the_key_there_is_nothing(known, path: str) -> None:
    assert asked(guarded(known), path)[0] == 404


@pytest.mark.parametrize("host", ["evil.example:8000", "127.0.0.1:8001", "127.0.0.1", "", "10.0.0.7:8000"])
def test_another_host_is_sent_away(known, host: str) -> None:
    assert asked(guarded(known), headers={"host": host})[0] == 403


def test_where_others_are_let_in_an_address_will_do_and_a_name_will_not(known) -> None:
    app = guarded(known, by_address=True)
    assert asked(app, headers={"host": "10.0.0.7:8000"})[0] == 200
    assert asked(app, headers={"host": "evil.example:8000"})[0] == 403


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": "https://127.0.0.1:8000"},
        {"sec-fetch-site": "cross-site", "sec-fetch-mode": "cors"},
    ],
)
def test_another_origin_is_sent_away(known, headers: dict[str, str]) -> None:
    assert asked(guarded(known), f"/{KEY}/events", headers=headers)[0] == 403


def test_its_own_origin_and_a_link_from_elsewhere_are_let_in(known) -> None:
    app = guarded(known)
    assert asked(app, headers={"origin": f"http://{HOST}", "sec-fetch-site": "same-origin"})[0] == 200
    assert asked(app, headers={"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate"})[0] == 200


@pytest.mark.parametrize(
    "path",
    [
        "/../../etc/passwd",
        "/take/../../../etc/passwd",
        "/take/..%2f..%2fpyproject.toml",
        "/take/pyproject.toml",
        "/live.py",
        "/./live.js/../serve.py",
    ],
)
def test_no_path_leads_to_a_file(known, path: str) -> None:
    status, _, body = asked(guarded(known), f"/{KEY}{path}")
    assert status == 404
    assert "root:" not in body


def test_a_body_of_ten_megabytes_is_refused_unread(known) -> None:
    reads = 0

    async def receive() -> Any:
        nonlocal reads
        reads += 1
        return {"type": "http.request", "body": bytes(65_536), "more_body": True}

    for method, expected in (("POST", 405), ("PUT", 405), ("GET", 413)):
        status, headers, _ = asked(
            guarded(known), method=method, headers={"content-length": "10000000"}, receive=receive
        )
        assert status == expected
        assert headers["connection"] == "close"
    assert asked(guarded(known), headers={"transfer-encoding": "chunked"})[0] == 413
    assert asked(guarded(known), query="set=" + "x" * 9_000)[0] == 414
    assert reads == 0


def test_names_from_outside_are_escaped_wherever_they_stand(known) -> None:
    attack = "<img src=x onerror=alert(1)>"
    status, _, body = asked(guarded(known), query=f"set=load={attack}&start=")
    assert status == 200
    assert "<img" not in body
    assert "&lt;img" in body
    status, headers, body = asked(guarded(known), f"/{KEY}/controls", query=f"set=load={attack}")
    assert status == 422
    assert headers["content-type"].startswith("text/plain")


# How many, and how slow


def test_of_a_thousand_event_streams_so_many_are_open_as_there_is_room_for(known) -> None:
    desk = Desk(known, ENGINE)
    app = guarded(known, desk)

    async def all_at_once() -> list[int]:
        statuses: list[int] = []
        over = asyncio.Event()

        async def listening() -> Any:
            await over.wait()
            return {"type": "http.disconnect"}

        async def send(message: Any) -> None:
            if message["type"] == "http.response.start":
                statuses.append(message["status"])

        streams = [
            asyncio.create_task(app(scope_of(f"/{KEY}/events", f"tab={tab}&number=1"), listening, send))
            for tab in range(1000)
        ]
        while len(statuses) < 1000:
            await asyncio.sleep(0)
        assert len(desk.questions) == MOST_PAGES
        over.set()
        await asyncio.gather(*streams)
        return statuses

    statuses = asyncio.run(all_at_once())
    assert statuses.count(200) == MOST_PAGES
    assert statuses.count(503) == 1000 - MOST_PAGES
    assert desk.questions == {}  # all have left, so there is room again


def test_a_slow_reader_holds_up_nobody_and_misses_only_what_is_out_of_date(known) -> None:
    desk = Desk(known, ENGINE)

    async def both() -> list[str]:
        never = asyncio.Event()
        quick: list[str] = []

        async def listening() -> Any:
            await never.wait()

        async def slow_send(_: Any) -> None:
            await never.wait()

        async def quick_send(message: Any) -> None:
            quick.append(message.get("body", b"").decode())

        slow, fast = (desk.ask(tab, 1, Piece("forms", State())) for tab in ("slow", "fast"))
        first = asyncio.create_task(Stream(desk, slow)(scope_of(""), listening, slow_send))
        second = asyncio.create_task(Stream(desk, fast)(scope_of(""), listening, quick_send))
        for step in range(1000):
            slow.mailbox.put("verdict", f"step {step}")
        assert len(slow.mailbox._events) == 1
        fast.mailbox.put("verdict", "here\nit is")
        await asyncio.sleep(0)
        fast.mailbox.put("done", "")
        await second
        first.cancel()
        await asyncio.gather(first, return_exceptions=True)
        return quick

    assert "event: verdict\ndata: here\ndata: it is\n\n" in "".join(asyncio.run(both()))


def test_a_newer_question_of_a_page_takes_the_place_of_the_older_one(known) -> None:
    desk = Desk(known, ENGINE)

    async def three() -> tuple[bool, bool, bool, list[tuple[str, str]]]:
        first = desk.ask("tab", 1, Piece("forms", State()))
        other = desk.ask("other", 1, Piece("forms", State()))
        second = desk.ask("tab", 2, Piece("forms", State()))
        late = desk.ask("tab", 1, Piece("forms", State()))
        assert not late.is_wanted
        return first.is_wanted, other.is_wanted, second.is_wanted, await first.mailbox.take()

    assert asyncio.run(three()) == (False, True, True, [("done", "")])


def test_a_mailbox_hands_out_the_latest_of_each_event_in_order() -> None:
    async def taken() -> list[tuple[str, str]]:
        box = Mailbox()
        for event, text in (("a", "1"), ("b", "2"), ("a", "3")):
            box.put(event, text)
        return await box.take()

    assert asyncio.run(taken()) == [("b", "2"), ("a", "3")]


def test_closed_forms_that_come_late_do_not_take_the_place_of_a_simulated_answer(known) -> None:
    async def told() -> list[tuple[str, str]]:
        desk = Desk(known, ENGINE)
        question = desk.ask("tab", 1, Piece("forms", State()))
        desk._put(question, Piece("seen", State(), 1), "verdict", "simulated")
        desk._put(question, Piece("forms", State()), "verdict", "closed forms")
        return await question.mailbox.take()

    assert asyncio.run(told()) == [("verdict", "simulated")]


def test_a_piece_that_takes_too_long_ends_its_process(known, monkeypatch: pytest.MonkeyPatch) -> None:
    import multiprocessing

    def stuck(pipe: Any, *_: Any) -> None:
        pipe.send(("ready", ""))
        while True:
            pipe.recv()  # and no word about it

    monkeypatch.setattr(workers, "_work", stuck)
    monkeypatch.setattr(workers, "USUALLY_S", 0.01)
    monkeypatch.setattr(workers, "clean_context", lambda: multiprocessing.get_context("fork"))
    worker = workers.Worker(known, ENGINE)
    told: list[tuple[str, str]] = []
    worker.carry_out(Piece("forms", State()), lambda *each: told.append(each), lambda: True)
    assert [event for event, _ in told] == ["problem"]
    assert "tailrace run takes any time" in told[0][1]
    assert worker._process is None


# What can be set


@given(
    st.dictionaries(KEYS, VALUES, max_size=5),
    st.none() | st.dictionaries(KEYS, VALUES, max_size=3),
    st.sampled_from(["", *LESSONS]),
)
def test_an_address_holds_the_whole_state(settings, kept, start) -> None:
    state = State(start, settings, kept)
    assert read(state.query) == state


@pytest.mark.parametrize(
    "query", ["set=load", "set==2", "set=load=" + "9" * 101, "&".join(["set=load=2"] * 999)]
)
def test_an_address_that_is_none_says_so(query: str) -> None:
    with pytest.raises(SettingError, match="accepted: "):
        read(query)


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("workload.booking.file", "/etc/passwd"),
        ("workload.booking.name", "other"),
        ("server.media.service", '{law = "empirical", file = "/etc/passwd"}'),
        ("server.media.file", "/etc/passwd"),
        ("server.media.part", "../../../etc/passwd"),
        ("server.network.part", "network-10"),
        ("server.media.count", '{file = "/etc/passwd"}'),
        ("workload.booking.request_size", '[{size = "4 KiB", share = 1.0}]'),
        ("workload.booking.arrivals", "/etc/passwd"),
        ("run.requests", "1000000000"),
        ("title", "another"),
        ("nothing.of.the.kind", "1"),
    ],
)
def test_files_names_lists_and_lengths_cannot_be_set(known, key: str, value: str) -> None:
    with pytest.raises(ScenarioError) as raised:
        scenario_at(known[""], {key: value})
    assert "root:" not in str(raised.value)


def test_useful_keys_stand_in_front_and_every_stop_of_a_slider_is_one_that_the_key_takes(known) -> None:
    controls = controls_at(known[""], {})
    front = in_front(controls)
    assert [each.label for each in front] == [
        "Load",
        "Request size (booking)",
        "Read share (booking)",
        "Drives",
        "Kind of drive",
        "Rate (booking)",
    ]
    assert len(controls) > 60
    assert all(each.explanation and each.accepted for each in controls)
    for each in front:
        ends = each.stops[:1] + each.stops[-1:] or tuple(value for value, _ in each.choices[1:3])
        for value in ends:
            assert problems_of(known[""], {each.key: value}) <= {"workload.booking.span"}


def problems_of(start: Start, settings: Mapping[str, str]) -> set[str]:
    """The keys at fault; none where the scenario becomes another one. One drive alone has no room for the span."""
    try:
        turned = scenario_at(start, settings)
    except ScenarioError as error:
        return {each.key for each in error.problems}
    return set() if turned != start.scenario else {"nothing changed"}


def test_another_drive_brings_its_own_keys_and_keeps_how_many_there_are(known) -> None:
    chosen = {"server.media.part": "flash-two-lanes", "workload.booking.request_size": "4 KiB"}
    scenario = scenario_at(known[""], chosen)
    assert scenario.server.media.kind == "flash"
    assert scenario.server.media.count == 24
    assert scenario.server.lanes.pcie_generation == 4
    keys = {each.key for each in controls_at(known[""], chosen)}
    assert "server.media.channels" in keys
    assert "server.media.rpm" not in keys
    with pytest.raises(ScenarioError, match="rpm"):
        scenario_at(known[""], chosen | {"server.media.rpm": "5400 rpm"})


@pytest.mark.parametrize("name", LESSONS)
def test_every_lesson_opens_with_a_question_and_two_controls_that_turn(known, name: str) -> None:
    assert set(STARTS) == set(LESSONS)
    start = known[name]
    assert "?" in start.question
    front = in_front(controls_at(start, {}), start.keys)
    assert len(front) == 2
    for each in front:
        values = [*each.stops, *(value for value, _ in each.choices)]
        other = next(value for value in values if value not in ("", each.value))
        assert scenario_at(start, {each.key: other}) != start.scenario


# How much is run, and what comes of it


def test_a_scenario_of_a_thousand_million_requests_runs_no_more_than_a_page_affords(known) -> None:
    large = known[""].scenario
    large = large.model_copy(
        update={"run": large.run.model_copy(update={"requests": 10**9, "replications": 10_000})}
    )
    run = bounded(large).run
    assert run.requests == MOST_LONG
    assert run.replications <= 32
    assert not run.fixed_length
    lesson = starts(None)["queue-depth"]
    with pytest.raises(SettingError, match="1,000,000 requests under way"):
        bounded(
            scenario_at(lesson, {"workload.booking.queue_depth": "100", "workload.booking.clients": "10000"})
        )


STATION = """
[server.media]
kind = "generic"
servers = SERVERS
service = {law = "exponential", mean = "1 ms"}
[[workload]]
name = "booking"
rate = "1500 /s"
request_size = "8 KiB"
[workload.target]
p99 = "20 ms"
[run]
seed = 11
requests = 4000
precision = 0.05
replications = 6
"""


def reckoner() -> Reckoner:
    return Reckoner(Keeping(lambda _: None), ENGINE)


def test_the_last_step_is_the_answer_of_a_run_and_every_step_pays_for_all_looks() -> None:
    scenario = parse(STATION.replace("SERVERS", "4"))
    usual = simulate(scenario, engine=ENGINE)
    reckons = reckoner()
    steps = [reckons.seen(scenario, None, step).result for step in range(1, LOOKS + 1)]
    last = steps[-1]
    assert last is not None
    assert last.class_named("booking").all == usual.class_named("booking").all
    assert last.requests == usual.requests
    widths = []
    for each in steps:
        assert each is not None
        assert each.looks == LOOKS
        target = each.classes[0].targets[0]
        assert target.level == pytest.approx(1 - 0.05 / LOOKS)
        assert target.judged.low < target.estimate.low
        widths.append(each.classes[0].all.latency_s["mean"].relative_half_width)
    assert widths[0] > widths[-1]


def test_beside_a_kept_answer_differences_are_those_of_compare() -> None:
    ours, theirs = (parse(STATION.replace("SERVERS", str(count))) for count in (4, 3))
    found = reckoner().seen(ours, theirs, LOOKS)
    usual = compare(theirs, ours, names=["kept", "this"], engine=ENGINE)
    told = {each.quantity: each.paired for each in usual.differences if each.kind == "all"}
    beside = {each.quantity: each.paired for each in found.beside}
    for quantity in ("mean", "p99"):
        assert beside[quantity] == told[quantity]
    assert found.kept[""].class_named("booking").all == usual.designs[0].result.class_named("booking").all
    assert beside["rate"].ratio.value == pytest.approx(1.0, abs=0.01)


def test_an_overload_is_said_before_any_run_and_one_seen_in_a_run_waits_for_a_longer_one() -> None:
    scenario = parse(STATION.replace("SERVERS", "1"))
    for step in range(1, LOOKS + 1):
        found = reckoner().seen(scenario, None, step).result
        assert found is not None
        assert found.verdict == "overloaded"
        assert found.requests == 0


def test_replications_are_carried_out_once_and_not_kept_without_end(monkeypatch: pytest.MonkeyPatch) -> None:
    from tailrace.live import kept

    done = 0

    def count(_: Progress) -> None:
        nonlocal done
        done += 1

    crew = Keeping(count)
    reckons = Reckoner(crew, ENGINE)
    scenario = parse(STATION.replace("SERVERS", "4"))
    first = reckons.seen(scenario, None, 1)
    performed = crew.tally.performed
    assert performed == 4
    assert reckons.seen(scenario, None, 1).result == first.result
    assert crew.tally.performed == performed
    monkeypatch.setattr(kept, "MOST_REQUESTS", 8_000)
    reckons.seen(parse(STATION.replace("SERVERS", "3")), None, 1)
    assert sum(key[-1] for key in crew._kept) <= 8_000
    assert done > 0


def test_what_nobody_wants_any_more_is_stopped_between_two_replications() -> None:
    class StoppedError(Exception):
        pass

    def stop(progress: Progress) -> None:
        if progress.done == 2:
            raise StoppedError

    crew = Keeping(stop)
    with pytest.raises(StoppedError):
        Reckoner(crew, ENGINE).seen(parse(STATION.replace("SERVERS", "4")), None, 1)
    assert crew.tally.performed == 2


@pytest.mark.parametrize(
    ("value", "low", "high", "expected"),
    [
        (2.0, 1.8, 2.2, ("×", "2.0", "±0.2")),
        (0.5, 0.4, 0.625, ("÷", "2.0", "±0.5")),
        (1.0, 0.7, 1.3, ("×", "1.0", "±0.3")),
        (0.998, 0.798, 1.198, ("×", "1.0", "±0.2")),
        (None, None, None, ("", "", "")),
        (0.01, None, None, ("÷", "100", "")),
    ],
)
def test_a_ratio_reads_as_times_or_divided_by(value, low, high, expected) -> None:
    # 1/0.4 = 2.5 and 1/0.625 = 1.6 around 1/0.5 = 2: the wider side is 0.5.
    assert ratio_of(IntervalEstimate(value, low, high, 10, "any")) == expected


def test_conditions_have_an_answer_each_and_can_be_kept() -> None:
    text = STATION.replace("SERVERS", "4") + (
        '[[condition]]\nname = "day"\nhours = 16\n[[condition]]\nname = "night"\nhours = 8\nset.load = 0.5\n'
    )
    start = Start("", "any", "", parse(text))
    # What a condition sets for itself is multiplied as that of the scenario is.
    assert [each.scenario.load for each in states(scenario_at(start, {"load": "1.1"}))] == [1.1, 0.55]
    reckons = reckoner()
    scenario = scenario_at(start, {"load": "1.1"})
    found = reckons.seen(scenario, start.scenario, 1)
    assert list(found.results) == ["day", "night"]
    assert {each.condition for each in found.beside} == {"day", "night"}
    day = {e.quantity: e.paired.ratio.value for e in found.beside if e.condition == "day"}
    assert day["rate"] == pytest.approx(1.1, rel=0.02)
    night = {e.quantity: e.paired.ratio.value for e in found.beside if e.condition == "night"}
    assert night["rate"] == pytest.approx(1.1, rel=0.02)
    pieces = Pieces({"": start}, ENGINE, lambda _: None)
    events = dict(pieces.carried_out(Piece("seen", State("", {"load": "1.1"}, {}), 1)))
    assert "Condition night" in events["verdict"]
    assert "this / kept" in events["verdict"]
    assert 'style="' not in "".join(events.values())


def test_what_is_taken_along_gives_the_same_answer_again() -> None:
    start = Start("", "any", "", parse(STATION.replace("SERVERS", "4")))
    state = State("", {"server.media.servers": "3"})
    pieces = Pieces({"": start}, ENGINE, lambda _: None)
    files = {
        name: dict(pieces.carried_out(Piece("take", state, name=name)))["file"]
        for name in ("scenario.toml", "numbers.csv")
    }
    again = simulate(parse(files["scenario.toml"]), engine=ENGINE)
    p99 = again.class_named("booking").all.latency_s["p99"].value
    assert p99 is not None
    assert f"{p99!r}" in files["numbers.csv"]
    assert "# Set on a live page: server.media.servers = 3" in files["scenario.toml"]


def test_what_takes_too_long_after_a_first_answer_leaves_that_answer(known) -> None:
    async def told() -> list[tuple[str, str]]:
        desk = Desk(known, ENGINE)
        question = desk.ask("tab", 1, Piece("forms", State()))
        desk._put(question, Piece("seen", State(), 1), "verdict", "simulated")
        desk._put(question, Piece("seen", State(), 2), "problem", "too long")
        desk._put(question, Piece("curve", State()), "problem", "too long as well")
        return await question.mailbox.take()

    events = dict(asyncio.run(told()))
    assert events["verdict"] == "simulated"
    assert events["progress"] == "No finer answer follows: too long"
    assert "too long as well" in events["load"]
    assert "problem" not in events


def test_events_are_written_line_by_line() -> None:
    assert written("done", "") == "event: done\ndata: \n\n"
    assert written("", "") == ":\n\n"


# The command


def test_without_the_extra_one_line_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tailrace.cli.live.find_spec", lambda _: None)
    done = CliRunner().invoke(commands, ["live"])
    assert done.exit_code == 2
    assert done.stderr.count("\n") == 1
    assert "install tailrace with its extra 'live'" in done.stderr


def test_others_are_let_in_only_where_that_is_said() -> None:
    done = CliRunner().invoke(commands, ["live", "--host", "0.0.0.0"])
    assert done.exit_code == 2
    assert "--allow-others" in done.stderr
    assert "not encrypted" in done.stderr.replace("\n", " ")
    assert is_loopback("127.0.0.1")
    assert is_loopback("::1")
    assert not is_loopback("192.168.0.1")
    assert not math.isnan(desks.MOST_PAGES)


def test_bad_input_is_one_line_before_anything_listens(tmp_path: Path) -> None:
    for arguments, said in (
        ([str(tmp_path / "none.toml")], "no such file"),
        (["--at", "set=load"], "accepted: KEY=VALUE"),
        (["--host", "no.such.host.invalid", "--allow-others"], "port is 0 on"),
    ):
        done = CliRunner().invoke(commands, ["live", *arguments])
        assert done.exit_code == 2, arguments
        assert said in done.stderr
