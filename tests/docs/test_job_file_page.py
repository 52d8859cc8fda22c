"""The page of the job file says what the model does: every key, its meaning, unit, default and limits.

``python -m tests.docs.test_job_file_page`` writes the page's tables anew.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from geofence.inputs.job import STARTER, job_schema, read_job, resolve
from geofence.systems import catalogue
from geofence.systems.system import OVERRIDABLE, System
from geofence.toml_file import shown, unit_of

PAGE = Path(__file__).parents[2] / "docs" / "job-file.md"
START, END = "<!-- tables -->\n", "<!-- end of tables -->"
MANY = ("gate", "zone")


def tables(schema: dict[str, Any]) -> str:
    """The tables of all keys, as the page has them."""
    parts = []
    for table, reference in schema["properties"].items():
        if table == "schema":
            continue
        definition = schema["$defs"][_definition(reference)]
        heading = f"[[{table}]]" if table in MANY else f"[{table}]"
        rows = [_row(table, key, part, definition) for key, part in definition["properties"].items()]
        lines = ["| key | meaning | unit | default | limits |", "|---|---|---|---|---|", *rows]
        parts.append(f"### `{heading}`\n\n{definition['description']}\n\n" + "\n".join(lines) + "\n")
    return "\n" + "\n".join(parts) + "\n"


def _definition(reference: dict[str, Any]) -> str:
    found = re.search(r"#/\$defs/(\w+)", str(reference))
    assert found, reference
    return found[1]


def _row(table: str, key: str, part: dict[str, Any], definition: dict[str, Any]) -> str:
    if key in definition.get("required", ()):
        default = "needed"
    elif key in OVERRIDABLE.get(table, ()):
        default = "the system's"
    else:
        default = f"`{shown(part['default'])}`".replace("'", '"') if "default" in part else ""
    meaning = part["description"].replace("|", "\\|")
    return f"| `{key}` | {meaning} | {unit_of((key,))} | {default} | {_limits(part)} |"


def _limits(part: dict[str, Any]) -> str:
    if part.get("type") == "array" and "items" in part:
        limits = _limits(part["items"])
        return f"each {limits}" if limits else ""
    words = {"exclusiveMinimum": "above", "minimum": "from", "exclusiveMaximum": "below", "maximum": "up to"}
    bounds = [f"{word} {shown(float(part[name]))}" for name, word in words.items() if name in part]
    return " ".join(bounds) or ", ".join(f"`{word}`" for word in part.get("enum", ()))


def blocks() -> list[str]:
    return re.findall(r"```toml\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)


def leaves(schema: dict[str, Any]) -> Iterator[tuple[str, str]]:
    for table, reference in schema["properties"].items():
        if table != "schema":
            yield from ((table, key) for key in schema["$defs"][_definition(reference)]["properties"])


def test_the_tables_are_those_of_the_model():
    page = PAGE.read_text(encoding="utf-8")
    assert page.partition(START)[2].partition(END)[0] == tables(job_schema())


def test_the_tables_say_what_the_validator_does():
    """Spot checks written by hand, so that a mistake in the rendering shows."""
    page = PAGE.read_text(encoding="utf-8")
    for row in (
        "| `module_m` | a full bay, centre to centre of its posts | m | the system's | above 0 up to 20 |",
        "| `fit` | where cut bays go: end, start, both-ends, equal (all bays alike), or best (where the levels come "
        'out cheapest) |  | `"end"` | `end`, `start`, `both-ends`, `equal`, `best` |',
        "| `corner_deg` | a vertex that turns by this or more is a corner | deg | `10` | above 0 below 180 |",
        "| `width_m` | centre to centre of its posts | m | needed | above 0 up to 30 |",
    ):
        assert row in page


def test_every_job_on_the_page_can_be_read(tmp_path):
    jobs = [text for text in blocks() if text.startswith("schema")]
    assert len(jobs) >= 3
    for text in jobs:
        (tmp_path / "fence.toml").write_text(text, encoding="utf-8")
        read_job(tmp_path / "fence.toml")
        jsonschema.validate(tomllib.loads(text), job_schema())


def test_the_system_on_the_page_can_be_planned_with(tmp_path):
    (text,) = (text for text in blocks() if text.startswith("name"))
    (tmp_path / "larch.toml").write_text(text, encoding="utf-8")
    system = catalogue.load("larch.toml", base=tmp_path)
    assert system.name == "larch-board"
    assert resolve(read_job(STARTER), system).levels.dig_max_m == -0.02


def test_the_page_names_every_key_of_a_system():
    page = PAGE.read_text(encoding="utf-8")
    for table, field in System.model_fields.items():
        sections = getattr(field.annotation, "model_fields", {"": None})
        for key in sections:
            if key not in OVERRIDABLE.get(table, ()):
                assert re.search(rf"`\[*{table}{'.' if key else ''}{key}\]*`", page), f"{table}.{key}"


def test_the_page_quotes_a_true_error(tmp_path):
    quoted = re.search(r"```text\n(.*?)\n```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    file = tmp_path / "fence.toml"
    lines = ["schema = 1", "[line]", 'file = "b.geojson"', "[ground]", 'files = "g.tif"', "[fence]", *[""] * 4]
    file.write_text("\n".join([*lines, "[layout]", "min_bay_m = 2.0"]), encoding="utf-8")
    with pytest.raises(Exception) as caught:
        resolve(read_job(file), catalogue.load("aac-panel"))
    assert quoted
    assert str(caught.value).replace(str(file), "fence.toml") == quoted[1]


def test_the_starter_shows_every_key_and_is_a_job_with_each_of_them(tmp_path):
    text = STARTER.read_text(encoding="utf-8")
    read_job(STARTER)
    everything = re.sub(r"^# (?=\w+ = |\[\[)", "", text, flags=re.MULTILINE)
    values = tomllib.loads(everything)
    for table, key in leaves(job_schema()):
        section = set().union(*values[table]) if table in MANY else values[table]
        assert key in section or key in ("near", "name_field"), f"{table}.{key} is not in the starter"
    (tmp_path / "fence.toml").write_text(everything, encoding="utf-8")
    read_job(tmp_path / "fence.toml")


def test_the_starter_shows_the_defaults_as_they_are():
    text = STARTER.read_text(encoding="utf-8")
    everything = tomllib.loads(re.sub(r"^# (?=\w+ = )", "", text, flags=re.MULTILINE).replace("# [[", "[["))
    used = resolve(read_job(STARTER), catalogue.load("aac-panel")).parameters
    for address, parameter in used.items():
        table, key = address.split(".")
        if address != "job.name":
            assert everything[table][key] == parameter.value, address


if __name__ == "__main__":
    before, _, rest = PAGE.read_text(encoding="utf-8").partition(START)
    PAGE.write_text(before + START + tables(job_schema()) + END + rest.partition(END)[2], encoding="utf-8")
