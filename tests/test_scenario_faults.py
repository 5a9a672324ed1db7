"""Absurd scenarios are refused with file, key, value and what is accepted, all problems at once."""

import copy
import datetime
import pickle
import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drives import by_parts, spinning
from tailrace.errors import Problem, ScenarioError, TailraceError
from tailrace.scenario import Scenario, parse
from tailrace.scenario.reading.complaint import examine
from tailrace.scenario.tables.checks import machine

SPINNING = f"""
{spinning(capacity="2 TB", inner_rate="100 MB/s")}
[[workload]]
name = "cameras"
clients = 200
rate = "1 /s"
request_size = "1 MiB"
read_share = 0.0
pattern = "sequential"
"""


def problems(*changes, text=None):
    """What is wrong with a scenario once the changes (KEY=VALUE) are made."""
    with pytest.raises(ScenarioError) as caught:
        parse(by_parts() if text is None else text, overrides=changes)
    return caught.value.problems


def only(*changes, text=None):
    """The one problem that there is."""
    (problem,) = problems(*changes, text=text)
    return problem


@pytest.mark.parametrize(
    ("key", "value", "wrong"),
    [
        ("workload.booking.rate", '"0 /s"', "not above 0"),
        ("workload.booking.rate", '"-5 /s"', "not above 0"),
        ("workload.booking.rate", '"nan /s"', "not a finite number"),
        ("workload.booking.rate", '"inf /s"', "not a finite number"),
        ("workload.booking.rate", "nan", "a number without a unit"),
        ("workload.booking.rate", "50", "a number without a unit"),
        ("workload.booking.rate", '"50"', "a number without a unit"),
        ("workload.booking.rate", '"50 %"', "a percentage"),
        ("workload.booking.rate", '"8 KiB"', "a size, but a request rate is due"),
        ("workload.booking.rate", '"1e999 /s"', "the number is too large"),
        ("workload.booking.rate", '"1e13 /s"', "above 1000000000000 /s"),
        ("workload.booking.rate", "true", "not a quantity"),
        ("workload.booking.rate", "[50]", "not a quantity"),
        ("workload.booking.rate", "1979-05-27", "not a quantity"),
        ("workload.booking.request_size", '"0 B"', "not above 0"),
        ("workload.booking.request_size", '"-8 KiB"', "not above 0"),
        ("workload.booking.request_size", '"8 KB"', "unknown unit 'KB' (write kB or KiB)"),
        ("workload.booking.request_size", '"8 Gb"', "unknown unit 'Gb' (write Gbit or GB or GiB)"),
        ("workload.booking.request_size", '"50 MB/s"', "a data rate, but a size is due"),
        ("workload.booking.request_size", "8192", "a number without a unit"),
        ("workload.booking.request_size", '"8 %"', "a percentage"),
        ("workload.booking.request_size", '"2 GiB"', "above 1 GiB"),
        ("workload.booking.request_size", "[]", "too few"),
        ("workload.booking.request_size", '""', "not a number with a unit"),
        ("workload.booking.clients", "0", "below 1"),
        ("workload.booking.clients", "-1", "below 1"),
        ("workload.booking.clients", "1.5", "not a whole number"),
        ("workload.booking.clients", "40.0", "not a whole number"),
        ("workload.booking.clients", "true", "not a whole number"),
        ("workload.booking.clients", '"40"', "not a whole number"),
        ("workload.booking.clients", "1_000_000_000_000", "above 2147483647"),
        ("workload.booking.read_share", "1.01", "above 1"),
        ("workload.booking.read_share", "-0.1", "below 0"),
        ("workload.booking.read_share", "nan", "not a finite number"),
        ("workload.booking.read_share", '"70 %"', "a percentage, not a number"),
        ("workload.booking.read_share", "true", "not a number"),
        ("workload.booking.aligned", "1", "neither true nor false"),
        ("workload.booking.aligned", '"yes"', "neither true nor false"),
        ("workload.booking.pattern", '"sequentiel"', "unknown"),
        ("workload.booking.pattern", "1", "unknown"),
        ("workload.booking.priority", "256", "above 255"),
        ("workload.booking.popularity", "0", "not above 0"),
        ("workload.booking.popularity", "5.5", "above 5"),
        ("workload.booking.target", "1", "not a table"),
        ("workload.booking.target.p99", '"1 ms/s"', "a unit of another kind, but a time is due"),
        ("workload.booking.target.p99", '"0 s"', "not above 0"),
        ("server.network.rate", '"25 Gb/s"', "unknown unit 'Gb' (write Gbit or GB or GiB)"),
        ("server.network.rate", '"25 Gbit"', "a size, but a line rate is due"),
        ("server.network.rate", '"0 Gbit/s"', "not above 0"),
        ("server.network.ports", "0", "below 1"),
        ("server.network.round_trip", '"-1 us"', "below 0"),
        ("server.network", "3", "not a table"),
        ("server.controller.cores", "0", "below 1"),
        ("server.controller.variability", "-1", "below 0"),
        ("server.lanes.width", "3", "unknown"),
        ("server.lanes.width", "true", "not a whole number"),
        ("server.lanes.pcie_generation", "7", "above 6"),
        ("server.lanes.max_payload", '"300 B"', "unknown"),
        ("server.media", "3", "not a table"),
        ("server.media.count", "0", "below 1"),
        ("server.media.capacity", '"0 TB"', "not above 0"),
        ("server.media.capacity", '"3.84 TB/s"', "a data rate, but a size is due"),
        ("server.media.write_amplification", "0.5", "below 1"),
        ("server.layout.stripe_unit", '"1000 B"', "not a multiple of 512 B"),
        ("server.layout.redundancy", '"triple parity"', "unknown"),
        ("run.seed", "-1", "below 0"),
        ("run.seed", "1.5", "not a whole number"),
        ("run.precision", "1", "not below 1"),
        ("run.precision", "0", "not above 0"),
        ("run.requests", "999", "below 1000"),
        ("run.replications", "1", "below 2"),
        ("load", "0", "not above 0"),
        ("load", "inf", "not a finite number"),
        ("load", "1" + "0" * 400, "not a number"),
        ("title", "1", "not text"),
        ("title", r'"a\u001b[31m"', "not printable text, or blanks at its ends"),
        ("server", "1", "not a table"),
    ],
)
def test_an_absurd_value_is_refused_with_its_key_and_what_is_accepted(key, value, wrong):
    problem = only(f"{key}={value}")
    assert problem.key == key
    assert problem.value is not None
    said, _, accepted = problem.message.partition("; accepted: ")
    assert said == wrong
    assert accepted


def test_the_line_of_a_problem_shows_file_key_value_and_what_is_accepted():
    text = by_parts().replace('rate = "25 Gbit/s"', 'rate = "25 Gb/s"')
    with pytest.raises(ScenarioError) as caught:
        parse(text, source="ferry.toml")
    assert str(caught.value) == (
        "ferry.toml: server.network.rate = \"25 Gb/s\": unknown unit 'Gb' (write Gbit or GB or GiB); "
        'accepted: data per time, such as "25 Gbit/s" or "190 MB/s", above 0, at most 8000 Tbit/s'
    )


@pytest.mark.parametrize(
    ("changes", "key", "wrong"),
    [
        (['workload.booking.span="50 TB"'], "workload.booking.span", "beyond the usable capacity"),
        (['workload.booking.span="4 KiB"'], "workload.booking.span", "too short for a request of 8 KiB"),
        (['workload.booking.start="40 TB"'], "workload.booking.start", "reaches beyond the usable capacity"),
        (
            ["workload.booking.pattern=sequential", 'workload.booking.span="100 KiB"'],
            "workload.booking.span",
            "too short for a request of 8 KiB for each of 40 clients",
        ),
        (['server.media.capacity="1 KiB"'], "server.media.capacity", "less than one stripe unit"),
        (
            ['server.media.capacity="1024 PiB"', "server.media.count=9"],
            "server.media.count",
            "8 EiB or more in all",
        ),
        (["workload.booking.queue_depth=4"], "workload.booking", "both rate and queue_depth or think_time"),
        (["workload.booking.think=constant"], "workload.booking.think", "belongs to closed classes"),
        (["workload.booking.arrivals=bursty"], "workload.booking.burstiness", "missing"),
        (["workload.booking.burstiness=9"], "workload.booking.burstiness", "belongs to bursty arrivals"),
        (
            ["workload.booking.popularity=0.8", "workload.booking.pattern=sequential"],
            "workload.booking.popularity",
            "belongs to random addresses",
        ),
        (
            ['workload.booking.request_size=[{size="8 KiB", share=0.5}, {size="64 KiB", share=0.4}]'],
            "workload.booking.request_size",
            "the shares add up to 0.9",
        ),
        (
            ["workload.booking.read_share=1", "workload.booking.target.write_p99=1 ms"],
            "workload.booking.target.write_p99",
            "the class has no writes",
        ),
        (
            ["workload.booking.read_share=0", "workload.booking.target.read_p99=1 ms"],
            "workload.booking.target.read_p99",
            "the class has no reads",
        ),
        (["workload.booking.target={}"], "workload.booking.target", "no limit in it"),
        (['server.lanes.rate="12 Gbit/s"'], "server.lanes", "both pcie_generation and rate"),
        (["server.lanes={}"], "server.lanes", "neither pcie_generation nor rate"),
        (["server.lanes.coding=8b/10b"], "server.lanes.coding", "does not belong to this kind of link"),
        (
            ["server.lanes.drives_per_adapter=8"],
            "server.lanes",
            "a shared uplink without adapter_generation, adapter_width",
        ),
        (['server.media.page="6 KiB"'], "server.media.page", "not a multiple of map_unit"),
        (['server.media.buffer="31 KiB"'], "server.media.buffer", "less than two pages"),
        (
            ['server.controller={service={law="uniform", low="3 ms", high="2 ms"}}'],
            "server.controller.service.high",
            "not above low",
        ),
    ],
)
def test_keys_that_contradict_each_other_are_refused(changes, key, wrong):
    problem = only(*changes)
    assert problem.key == key
    assert problem.message.startswith(f"{wrong}; accepted: ")


@pytest.mark.parametrize(
    ("changes", "key", "wrong"),
    [
        (
            ['server.media.inner_rate="300 MB/s"'],
            "server.media.inner_rate",
            "the inner edge is faster than the outer one",
        ),
        (['server.media.seek_average="5 ms"'], "server.media.seek_average", "no seek curve has this average"),
        (['server.media.seek_full="0.5 ms"'], "server.media.seek_full", "not above seek_adjacent"),
        (
            ['server.media.seek_curve=[{share=0.5, time="1 ms"}, {share=1, time="2 ms"}]'],
            "server.media.seek_adjacent",
            "given beside seek_curve",
        ),
        (["workload.cameras.surge={factor=2, share=0.1}"], "workload.cameras.surge.length", "missing"),
        (["workload.cameras.rate=[]"], "workload.cameras.rate", "not a quantity"),
    ],
)
def test_spinning_drives_and_cameras_are_checked_as_well(changes, key, wrong):
    first = problems(*changes, text=SPINNING)[0]
    assert first.key == key
    assert first.message.startswith(f"{wrong}; accepted: ")


def test_an_impossible_average_seek_is_answered_with_the_possible_ones():
    # 0.6 + 16.4/3 and 0.6 + 16.4·11/15, derived
    assert "accepted: 6.067 ms to 12.63 ms" in only('server.media.seek_average="5 ms"', text=SPINNING).message


@pytest.mark.parametrize(
    ("curve", "key", "wrong"),
    [
        ("3", "", "neither a list nor a table"),
        ('[{share=1, time="1 ms"}]', "", "too few"),
        (
            '[{share=0, time="1 ms"}, {share=0.9, time="2 ms"}]',
            "[1].share",
            "the curve ends before the whole stroke",
        ),
        ('[{share=1, time="1 ms"}, {share=1, time="2 ms"}]', "[1].share", "not above the share before it"),
        ('[{share=0, time="2 ms"}, {share=1, time="1 ms"}]', "[1].time", "shorter than the time before it"),
        ('[{share=0, time="2 ms"}, {share=1, time=3}]', "[1].time", "a number without a unit"),
        (
            '{cylinders=9, boundary=9, near=["1 ms", "1 ms"], far=["9 ms", "1 ms"]}',
            ".boundary",
            "beyond the longest seek",
        ),
        (
            '{cylinders=9, boundary=5, near=["9 ms", "1 ms"], far=["1 ms", "1 ms"]}',
            ".far",
            "the curve falls at the boundary",
        ),
        ('{cylinders=9, boundary=5, near=["9 ms"], far=["10 ms", "1 ms"]}', ".near[1]", "missing"),
    ],
)
def test_a_measured_seek_curve_must_be_one(curve, key, wrong):
    lines = [line for line in SPINNING.splitlines() if not line.startswith("seek")]
    problem = only(f"server.media.seek_curve={curve}", text="\n".join(lines))
    assert problem.key == f"server.media.seek_curve{key}"
    assert problem.message.startswith(f"{wrong}; accepted: ")


# ---- capacity and memory ------------------------------------------------------------


def classes(*spans):
    return by_parts() + "".join(
        f'\n[[workload]]\nname = "class {index}"\nrate = "1 /s"\nrequest_size = "4 KiB"\n{span}\n'
        for index, span in enumerate(spans)
    )


def test_spans_that_do_not_fit_one_after_the_other_are_refused_with_their_sum():
    # 12 drives of 3.84 TB hold 46.08 TB; 16 TiB are 17.59 TB
    problem = only(text=classes('span = "20 TB"', 'span = "20 TB"'))
    assert problem.key == 'workload."class 1".span'
    assert problem.message.startswith("the spans add up to 57.5922 TB; accepted: at most 46.08 TB in all")


def test_a_request_larger_than_all_drives_is_refused():
    changes = [
        'server.media.capacity="128 KiB"',
        "server.media.count=1",
        'workload[0].request_size="256 KiB"',
    ]
    found = problems(*changes, text=by_parts().replace('span = "16 TiB"', ""))
    assert [(problem.key, problem.message) for problem in found] == [
        ("workload.booking.request_size", "larger than all the drives; accepted: at most 128 KiB")
    ]


def test_a_start_of_their_own_lets_classes_share_addresses():
    scenario = parse(classes('span = "20 TB"\nstart = "0 B"', 'span = "40 TB"\nstart = "0 B"'))
    assert scenario.spans()[1:] == ((0, 20 * 10**12), (0, 40 * 10**12))


def test_a_class_without_a_span_needs_room():
    problem = only("workload.booking.span=46.08 TB", text=classes(""))
    assert problem.key == 'workload."class 0".span'
    assert problem.message.startswith("the spans of the other classes leave no room")


@pytest.mark.parametrize(
    ("changes", "states"),
    [
        (["workload.booking.clients=1_000_000_000", "workload.booking.arrivals=regular"], 10**9),
        (["workload.booking.clients=1_000_000_000", "workload.booking.pattern=sequential"], 10**9),
        (["workload.booking.clients=1_000_000_000", "server.network.client_rate=1 Gbit/s"], 10**9),
    ],
)
def test_a_thousand_million_clients_are_refused_with_the_memory_they_need(monkeypatch, changes, states):
    monkeypatch.setattr(machine, "machine_memory", lambda: 64_000_000_000)
    problem = only(*changes)
    assert (problem.key, problem.value) == ("workload.booking.clients", "1000000000")
    assert problem.message == (
        f"{states} clients need about 2000.0 GB, and this machine has 64.0 GB; "
        "accepted: about 16000000 in all classes, where queue_depth counts clients again"
    )


def test_outstanding_requests_of_closed_classes_need_memory_too(monkeypatch):
    text = by_parts().replace('rate = "50 /s"', "queue_depth = 1000")
    monkeypatch.setattr(machine, "machine_memory", lambda: 2 * 40 * 1000 * machine.STATE_BYTES)
    parse(text)
    monkeypatch.setattr(machine, "machine_memory", lambda: 2 * 40 * 1000 * machine.STATE_BYTES - 2)
    assert only(text=text).key == "workload.booking.clients"


def test_poisson_arrivals_at_random_addresses_keep_nothing_for_a_client(monkeypatch):
    monkeypatch.setattr(machine, "machine_memory", lambda: 10**9)
    parse(by_parts(), overrides=["workload.booking.clients=1_000_000_000"])


def test_a_thousand_million_dies_are_refused_with_the_memory_they_need(monkeypatch):
    monkeypatch.setattr(machine, "machine_memory", lambda: 64_000_000_000)
    problem = only("server.media.count=50_000", "server.media.dies=20_000")
    assert (problem.key, problem.value) == ("server.media.count", "50000")
    assert problem.message == (
        "their dies and links need about 3002.4 GB, and this machine has 64.0 GB; "
        "accepted: about 532 drives of 20016 stations each"
    )


def test_the_dies_of_as_many_drives_as_the_message_names_are_accepted(monkeypatch):
    monkeypatch.setattr(machine, "machine_memory", lambda: 64_000_000_000)
    parse(by_parts(), overrides=["server.media.count=532", "server.media.dies=20_000"])
    assert only("server.media.count=534", "server.media.dies=20_000").key == "server.media.count"


def test_where_the_system_does_not_tell_its_memory_nothing_is_refused_for_it(monkeypatch):
    monkeypatch.setattr(machine, "machine_memory", lambda: None)
    parse(
        by_parts(), overrides=["workload.booking.clients=1_000_000_000", "workload.booking.arrivals=regular"]
    )


def test_the_memory_of_this_machine_is_known():
    assert machine.machine_memory() > 2**28


# ---- all at once --------------------------------------------------------------------

BREAKS = {
    "load": "nan",
    "server.network.rate": '"25 Gb/s"',
    "server.controller.cores": "0",
    "server.controller.corse": "3",
    "server.lanes.drives_per_adapter": "8",
    "server.media.capacity": '"3.84 TX"',
    "server.media.page": '"6 KiB"',
    "workload.booking.rate": "50",
    "workload.booking.think": '"constant"',
    "workload.booking.popularity": "9",
    "workload.booking.target.write_p9": '"1 ms"',
    "workload.booking.target.read_p95": '"1 s"',
    "run.seed": "1.5",
}
FOLLOW = {"server.lanes.drives_per_adapter": "server.lanes"}


@given(st.sets(st.sampled_from(sorted(BREAKS)), min_size=1))
@settings(max_examples=60, deadline=None)
def test_all_problems_come_at_once_and_none_that_only_follows_from_another(keys):
    found = {
        problem.key
        for problem in problems(*(f"{key}={BREAKS[key]}" for key in keys), "workload.booking.read_share=0")
    }
    expected = {FOLLOW.get(key, key) for key in keys} | {"workload.booking.target.read_p95"} & keys
    if "workload.booking.rate" in keys:  # whether the class is open is then not known
        expected.discard("workload.booking.think")
    assert found == expected


def test_a_missing_key_hides_neither_the_others_nor_what_does_not_rest_on_it():
    text = by_parts().replace('capacity = "3.84 TB"', "", 1).replace('rate = "50 /s"', "")
    text = text.replace('span = "16 TiB"', 'span = "4 KiB"')
    messages = [str(problem) for problem in problems(text=text)]
    assert len(messages) == 3
    assert messages[0].startswith("<text>: server.media.capacity: missing; accepted: a size")
    assert messages[1].startswith(
        "<text>: workload.booking: neither rate nor queue_depth; accepted: either rate (open)"
    )
    assert messages[2].startswith('<text>: workload.booking.span = "4 KiB": too short for a request of 8 KiB')


def test_a_file_without_a_server_and_a_workload_lacks_both():
    assert [str(problem) for problem in problems(text="# nothing yet\n")] == [
        "<text>: server: missing; accepted: a table",
        "<text>: workload: missing; accepted: tables in double brackets, [[workload]]",
    ]


def test_a_class_in_single_brackets_is_answered_with_double_ones():
    problem = only(text=by_parts().replace("[[workload]]", "[workload]"))
    assert problem.message == "not a list; accepted: tables in double brackets, [[workload]]"


# ---- names --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("key", "nearest"),
    [
        ("titel", "title"),
        ("servers", "server"),
        ("workloads", "workload"),
        ("server.netwrok", "network"),
        ("server.network.rates", "rate"),
        ("server.network.Rate", "rate"),
        ("server.network.roundtrip", "round_trip"),
        ("server.media.chanels", "channels"),
        ("server.media.channel_rat", "channel_rate"),
        ("server.layout.stripeunit", "stripe_unit"),
        ("workload.booking.read_shares", "read_share"),
        ("workload.booking.requestsize", "request_size"),
        ("workload.booking.target.p99.9", None),
        ("workload.booking.target.p999s", "p999"),
        ("run.replication", "replications"),
    ],
)
def test_a_misspelt_key_is_answered_with_the_nearest_one(key, nearest):
    if nearest is None:
        assert problems(f"{key}=1")[0].message.startswith("no keys inside")
        return
    problem = only(f'{key}="1 ms"')
    assert problem.key == key
    assert problem.message == f"unknown key; accepted: {nearest} (the nearest known key)"


def test_a_key_of_another_table_is_answered_with_its_place():
    message = only('server.media.rpm="7200 rpm"').message
    assert message.startswith(
        "unknown key; accepted: here kind, count, slow_drives, slow_factor, price, power, capacity, "
    )
    assert message.endswith('; elsewhere server.media.rpm (kind = "spinning")')


def test_a_misspelt_key_is_not_reported_missing_as_well():
    problem = only(text=by_parts().replace("dies = 64", "dice = 64"))
    assert (problem.key, problem.value) == ("server.media.dice", "64")


@pytest.mark.parametrize(
    ("value", "message"),
    [
        ('"flahs"', 'unknown; accepted: "spinning", "flash", "measured" or "generic" (nearest: "flash")'),
        ("3", 'unknown; accepted: "spinning", "flash", "measured" or "generic"'),
    ],
)
def test_a_misspelt_kind_is_answered_with_the_kinds(value, message):
    problem = only(f"server.media.kind={value}")
    assert (problem.key, problem.message) == ("server.media.kind", message)


def test_a_missing_kind_and_a_missing_law_are_named_as_such():
    assert only(text=by_parts().replace('kind = "flash"', "")).key == "server.media.kind"
    problem = only('server.controller={service={mean="3 ms"}}')
    assert problem.key == "server.controller.service.law"
    assert problem.message.startswith('missing; accepted: "exponential", "constant", ')


def test_paths_show_neither_the_kind_of_drive_nor_the_law():
    assert only("server.media.dies=0").key == "server.media.dies"
    changes = 'server.controller={service={law="gamma", mean="3 ms", scv=0}}'
    assert only(changes).key == "server.controller.service.scv"


def test_a_class_goes_by_its_name_and_otherwise_by_its_position():
    text = by_parts()
    for name in ('name = "night scan"', "", "name = 3", 'name = "booking"', 'name = "a.b"'):
        text += f'\n[[workload]]\n{name}\nrate = "1 /s"\nrequest_size = "4 KiB"\nread_share = 7\n'
    assert {problem.key for problem in problems(text=text)} == {
        'workload."night scan".read_share',
        "workload[2].name",
        "workload[2].read_share",
        "workload[3].name",
        "workload[3].read_share",
        "workload[4].name",
        "workload[4].read_share",
        'workload."a.b".read_share',
    }


@pytest.mark.parametrize("name", ['""', '" x"', r'"a\nb"', '"' + "x" * 65 + '"'])
def test_a_name_is_printable_and_of_moderate_length(name):
    problem = only(f"workload[0].name={name}")
    assert problem.message.endswith("; accepted: text of 1 to 64 characters")


def test_a_long_value_is_shortened_and_line_breaks_are_escaped():
    problem = only(r'title="' + "ab" * 200 + r'\n"')
    assert problem.value.endswith("...")
    assert len(problem.value) == 60
    assert "\n" not in str(only(r'title="a\nb"'))


# ---- no way through -----------------------------------------------------------------

VALUES = st.recursive(
    st.one_of(
        st.integers(),
        st.floats(),
        st.booleans(),
        st.text(max_size=5),
        st.sampled_from(
            ["8 KiB", "1 ms", "50 /s", "25 Gbit/s", "flash", "spinning", "exponential", "1 XB", "7200 rpm"]
        ),
        st.dates(),
        st.just(datetime.time(12)),
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3),
        st.dictionaries(
            st.sampled_from(["service", "law", "kind", "size", "share", "mean", "|flash", "x"]),
            inner,
            max_size=3,
        ),
    ),
    max_leaves=6,
)


def places(table):
    """Every table and list in it, and all below."""
    yield table
    for inner in table.values() if isinstance(table, dict) else table:
        if isinstance(inner, dict | list):
            yield from places(inner)


@given(st.data(), st.sampled_from([by_parts(), SPINNING]))
@settings(max_examples=300, deadline=None)
def test_whatever_stands_in_a_file_it_is_a_scenario_or_a_list_of_problems(data, text):
    table = tomllib.loads(text)
    for _ in range(data.draw(st.integers(1, 3))):
        place = data.draw(st.sampled_from(list(places(table))))
        if isinstance(place, list):
            place.append(data.draw(VALUES))
        else:
            known = ["service", "seek_curve", "think_time", "|x", "span", *map(str, place)]
            place[data.draw(st.sampled_from(known))] = data.draw(VALUES)
    before = copy.deepcopy(table)
    scenario, faults = examine(table)
    assert isinstance(scenario, Scenario) == (not faults)
    assert repr(table) == repr(before)
    for fault in faults:
        assert fault.wrong
        assert fault.accepted


def test_an_error_with_its_problems_survives_pickling():
    error = ScenarioError(
        [Problem("a.toml", "load", "0", "not above 0"), Problem("a.toml", "", None, "empty")]
    )
    again = pickle.loads(pickle.dumps(error))
    assert again.problems == error.problems
    assert str(again) == "a.toml: load = 0: not above 0\na.toml: empty"
    assert isinstance(again, TailraceError)
