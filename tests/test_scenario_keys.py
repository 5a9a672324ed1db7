"""What is read off the models: the key table, the JSON Schema, and the starter file."""

import re
import tomllib
from pathlib import Path

import pytest

from drives import by_parts, generic
from tailrace.errors import ScenarioError
from tailrace.scenario import Scenario, parse, schema, starter
from tailrace.scenario.reading import keys

ROOT = Path(__file__).parent.parent


def rows(path, when=""):
    return [row for row in keys.rows() if row.path == path and when in row.when]


def test_every_key_has_a_description_a_kind_and_a_range():
    assert len(keys.rows()) > 100
    for row in keys.rows():
        assert row.description.endswith((".", "requests")), row
        assert row.description[0].isupper() or row.description.startswith(("a ", "c ")), row
        assert row.kind, row
        assert row.range, row


def test_what_is_accepted_is_said_in_words_that_hold():
    said = [row.range for row in keys.rows()]
    assert not any("None" in text or text == "a list of such" for text in said)
    (cache,) = rows("server.controller.read_cache.size")
    assert cache.range == "at least 16 KiB, at most 1024 PiB"  # the tighter of two lower bounds
    (size,) = rows("workload.NAME.request_size")
    assert size.range.startswith('a size, such as "8 KiB"')


def test_no_key_comes_twice():
    pairs = [(row.path, row.when) for row in keys.rows()]
    assert len(set(pairs)) == len(pairs)


@pytest.mark.parametrize(
    ("path", "when", "kind", "default", "range_"),
    [
        ("server.network.rate", "", "line rate", "required", "above 0, at most 8000 Tbit/s"),
        ("server.network.round_trip", "", "time", '"0 s"', "at least 0, at most 1000000000 s"),
        ("server.network.discipline", "", "choice", '"ps"', '"ps" or "fcfs"'),
        (
            "server.lanes.max_payload",
            "",
            "size",
            '"256 B"',
            '"128 B", "256 B", "512 B", "1 KiB", "2 KiB" or "4 KiB"',
        ),
        ("server.media.kind", "", "choice", "required", '"spinning", "flash", "measured" or "generic"'),
        ("server.media.rpm", "spinning", "rotation rate", "required", "above 0, at most 600000 rpm"),
        ("server.media.inner_rate", "spinning", "data rate", "", "above 0, at most 1 PB/s"),
        ("server.media.page", "flash", "size", '"16 KiB"', "at least 512 B, at most 1024 PiB"),
        ("server.media.seek_curve[].share", "as a list", "number", "required", "at least 0, at most 1"),
        (
            "server.layout.stripe_unit",
            "",
            "size",
            '"64 KiB"',
            "at least 512 B, at most 1024 PiB, a multiple of 512 B",
        ),
        ("server.STAGE.service.scv", "hyper", "number", "required", "above 1, at most 1000000"),
        ("workload.NAME.aligned", "", "true or false", "true", "true or false"),
        ("workload.NAME.priority", "", "whole number", "0", "at least 0, at most 255"),
        ("workload.NAME.request_size[].size", "", "size", "required", "above 0, at most 1 GiB"),
        ("workload.NAME.target.p99", "", "time", "", "above 0, at most 1000000000 s"),
        ("run.replications", "", "whole number", "16", "at least 2, at most 10000"),
    ],
)
def test_a_row_shows_kind_default_and_range(path, when, kind, default, range_):
    (row,) = rows(path, when)
    assert (row.kind, row.default, row.range) == (kind, default, range_)


def written_keys(table, path=""):
    """The paths of all keys in a file, as the key table writes them."""
    for key, value in table.items():
        here = f"{path}{key}"
        yield here
        if isinstance(value, dict):
            yield from written_keys(value, f"{here}.")
        for item in value if isinstance(value, list) else ():
            yield from written_keys(item, "workload.NAME." if key == "workload" else f"{here}[].")


def test_every_key_of_the_starter_is_in_the_table():
    assert set(written_keys(tomllib.loads(starter()))) <= {row.path for row in keys.rows()}


def paragraph(start):
    """A commented alternative of the starter, from the line after `start` to the next blank one, uncommented."""
    lines = starter().split(f"{start}\n")[1].split("\n\n")[0].splitlines()
    return "\n".join(line.removeprefix("# ") for line in lines)


FLASH = by_parts().replace('span = "16 TiB"', "", 1)
SPINNING_DRIVES = paragraph("# Spinning drives instead:")
MEASURED_DRIVES = paragraph(
    "# Drives that nobody can describe by parts, a virtual disk say, known by measurements (tailrace guide measuring):"
)
GENERIC_DRIVES = paragraph(
    "# Drives that are no more than a service time, and so may any stage be, by its key `service`:"
)
FLASH_DRIVES = FLASH[FLASH.index("[server.media]") : FLASH.index("\n\n# Spinning drives")]
TEXTS = {
    "": FLASH,
    'kind = "flash"': FLASH,
    'kind = "spinning"': FLASH.replace(FLASH_DRIVES, SPINNING_DRIVES, 1),
    'kind = "measured"': FLASH.replace(FLASH_DRIVES, MEASURED_DRIVES, 1),
    'kind = "generic"': FLASH.replace(FLASH_DRIVES, GENERIC_DRIVES, 1),
}


@pytest.mark.parametrize(
    ("when", "kind"),
    [("", "flash"), *((f'kind = "{kind}"', kind) for kind in ("spinning", "measured", "generic"))],
)
def test_the_starter_is_a_scenario_with_each_of_its_kinds_of_drives(when, kind):
    assert parse(TEXTS[when]).server.media.kind == kind


# Not to be set beside the keys that the starter has: coding and payload_share are of serial links, think of closed
# classes, columns of traces, and write-back memory has a size; steps have a test of their own.
DEFAULTS = [
    row
    for row in keys.rows()
    if row.default not in ("", "required")
    and "STAGE" not in row.path
    and ".columns." not in row.path
    and ".step." not in row.path
    and ".write_back." not in row.path
    and not row.path.startswith("choice.")
    and row.path not in ("server.lanes.coding", "server.lanes.payload_share", "workload.NAME.think")
]


@pytest.mark.parametrize("row", DEFAULTS, ids=lambda row: f"{row.path} {row.when}")
def test_a_default_written_out_changes_nothing(row):
    key = row.path.rpartition(".")[2]
    text = "\n".join(line for line in TEXTS[row.when].splitlines() if not line.startswith(f"{key} = "))
    if row.path.startswith("cluster."):
        text += "\n[cluster]\nservers = 4\ncopies = 2\n"
    if row.path.startswith("cluster.network."):
        text += '[cluster.network]\nrate = "10 Gbit/s"\n'
    set_to = f"{row.path.replace('NAME', 'booking')}={row.default}"
    assert parse(text, overrides=[set_to]).digest == parse(text).digest


# ---- schema ----------------------------------------------------------------------------------------------------


def tables(document):
    return {"Scenario": document, **document["$defs"]}


def test_the_schema_describes_every_key_and_allows_no_other():
    for name, table in tables(schema()).items():
        assert table["additionalProperties"] is False, name
        for key, described in table["properties"].items():
            assert described["description"], (name, key)
            assert described.get("default", "") is not None, (name, key)


def test_the_schema_has_no_null_since_toml_has_none():
    assert "null" not in str(schema())


def test_the_schema_shows_units_range_and_default_of_a_quantity():
    piece = schema()["$defs"]["Controller"]["properties"]["copy_piece"]
    assert piece["type"] == "string"
    assert piece["default"] == "64 KiB"
    assert piece["description"].endswith('Range: at least 512 B, at most 1024 PiB. Default: "64 KiB".')
    assert re.search(piece["pattern"], "64 KiB")
    assert not re.search(piece["pattern"], "64 KB")
    assert not re.search(piece["pattern"], "64 KiB/s")


def test_the_key_that_chooses_a_model_is_required_and_every_required_key_has_no_default():
    definitions = schema()["$defs"]
    assert definitions["Flash"]["required"][:2] == ["kind", "capacity"]
    assert definitions["Gamma"]["required"] == ["law", "mean", "scv"]
    assert "inner_rate" not in definitions["Spinning"]["required"]
    for table in definitions.values():
        for key in table.get("required", ()):
            assert "default" not in table["properties"][key]


def test_a_request_size_may_be_one_size_or_a_list_in_the_schema():
    choices = schema()["$defs"]["Workload"]["properties"]["request_size"]["anyOf"]
    assert [choice["type"] for choice in choices] == ["string", "array"]


def test_a_target_takes_any_quantile_and_no_other_key() -> None:
    changed = ["workload.booking.target.p995=2 ms", "workload.booking.target.write_p9999=9 ms"]
    (booking,) = parse(starter(), overrides=changed).workload
    limits = dict(booking.limits)
    assert (limits["p995"], limits["write_p9999"]) == (2e-3, 9e-3)
    ((pattern, allowed),) = schema()["$defs"]["Target"]["patternProperties"].items()
    assert [bool(re.search(pattern, key)) for key in ("p995", "read_p12345", "p000", "p123456", "p9")] == [
        *(True, True, False, False, False)
    ]
    assert allowed["type"] == "string"
    for key in ("p000", "p9", "all_p99", "read_rate"):
        with pytest.raises(ScenarioError, match="unknown key"):
            parse(starter(), overrides=[f"workload.booking.target.{key}=2 ms"])
    assert rows("workload.NAME.target.pNN")[0].kind == "time"


def test_a_class_with_steps_or_a_trace_needs_no_request_size_in_the_schema():
    table = schema()["$defs"]["Workload"]
    assert table["required"] == ["name"]

    def admitted(workload):
        """Whether one of the alternatives holds (JSON Schema, draft 2020-12: required, properties, const)."""
        return any(
            all(key in workload for key in choice["required"])
            and all(workload.get(key) == said["const"] for key, said in choice.get("properties", {}).items())
            for choice in table["anyOf"]
        )

    for file in sorted((ROOT / "shared" / "scenarios").glob("*.toml")):
        for workload in tomllib.loads(file.read_text())["workload"]:
            assert admitted(workload), file
    assert admitted({"name": "booking", "arrivals": "trace", "file": "monday.csv"})
    assert not admitted({"name": "booking", "arrivals": "poisson", "rate": "5 /s"})
    with pytest.raises(ScenarioError, match="request_size: missing"):
        parse(f'{generic()}\n[[workload]]\nname = "booking"\nrate = "5 /s"\n')
    (row,) = rows("workload.NAME.request_size")
    assert row.default == ""
    assert "has steps" in row.description


def test_every_default_of_the_schema_is_one_that_the_reader_takes():
    for name, key in (("Network", "network"), ("Controller", "controller"), ("Layout", "layout")):
        for one, described in schema()["$defs"][name]["properties"].items():
            if isinstance(described.get("default"), str):
                parse(starter(), overrides=[f'server.{key}.{one}="{described["default"]}"'])


# ---- starter ---------------------------------------------------------------------------------------------------


def test_the_starter_is_a_scenario():
    scenario = parse(starter())
    assert isinstance(scenario, Scenario)
    assert [workload.name for workload in scenario.workload] == ["booking"]


@pytest.mark.parametrize(
    "line", re.findall(r"^# (\w+ = .*)", starter(), re.MULTILINE), ids=lambda line: line.split()[0]
)
def test_every_commented_key_of_the_starter_is_one_that_the_models_have(line):
    ((name, _),) = tomllib.loads(line).items()
    assert any(row.path.rpartition(".")[2] == name for row in keys.rows())


DEFAULTS_SHOWN = (
    "load",
    "server.network.frame_payload",
    "server.network.frame_overhead",
    "server.controller.variability",
    "run.replications",
)


@pytest.mark.parametrize("path", DEFAULTS_SHOWN)
def test_a_default_that_the_starter_shows_is_that_of_the_model(path):
    shown = re.search(rf"^# ({path.rpartition('.')[2]} = .*)", starter(), re.MULTILINE)
    ((_, value),) = tomllib.loads(shown[1]).items()
    (row,) = rows(path)
    assert value == tomllib.loads(f"value = {row.default}")["value"]
