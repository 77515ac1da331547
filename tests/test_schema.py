"""The table of fields has three faces: reader, JSON Schema, documentation. They say the same."""

import re
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from bringup.files.bench_fields import CONFIGURATION
from bringup.files.composing import compose
from bringup.files.field_docs import fields_of
from bringup.files.nodes import Listing, Node, Pairs, Problems
from bringup.files.schema import TABLES, schema_of
from bringup.files.sections import ByName, Field, Section
from bringup.files.source import KINDS, kind_of, open_file

ROOT = Path(__file__).parent.parent
SHIPPED = sorted(
    path
    for folder in ("procedures", "fixtures/boards", "fixtures/benches", "bringup/instruments/dialects")
    for path in (ROOT / folder).rglob("*.yaml")
)
STRUCTURAL = [
    "unknown-key", "no-name", "no-rails", "no-value", "list-where-mapping", "unknown-converter", "unknown-action",
    "two-actions", "step-without-action", "no-steps", "apply-without-limit", "on-fail",
    "expect-where-nothing-is-read", "several-at-once", "by-hans", "output-zero", "date", "fault-word",
    "dialect-operation", "dialect-reply", "dialect-number", "dialect-of-supply-with-functions",
]  # fmt: skip
"""Broken files whose fault a schema can see."""


def as_json(node: Node) -> Any:
    """Return what a YAML 1.2 editor makes of a node (core schema)."""
    if isinstance(node, Pairs):
        return {key.text: as_json(value) for key, value in node.pairs}
    if isinstance(node, Listing):
        return [as_json(item) for item in node.items]
    if node.empty:
        return None
    if node.plain and node.text in ("true", "false"):
        return node.text == "true"
    if node.plain and re.fullmatch(r"[-+]?[0-9]+", node.text):
        return int(node.text)
    if node.plain and re.fullmatch(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?", node.text):
        return float(node.text)
    return node.text


@cache
def validator_of(kind: str) -> Draft202012Validator:
    schema = schema_of(kind)
    Draft202012Validator.check_schema(schema)
    return Draft202012Validator(schema)


@cache
def sections_of(kind: str) -> list[Section]:
    names = re.findall(r"^### (.+)$", fields_of(kind), re.MULTILINE)
    found: dict[str, Section] = {}

    def collect(shape: Any) -> None:
        if isinstance(shape, Section) and shape.name not in found:
            found[shape.name] = shape
            for field in shape.fields:
                collect(field.holds)
        for inner in ("of", "text", "other"):
            if hasattr(shape, inner):
                collect(getattr(shape, inner))

    collect(TABLES[kind])
    assert sorted(names) == sorted(found), "the documentation leaves a section out"
    return list(found.values())


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_every_file_that_ships_is_valid_by_its_schema(path: Path) -> None:
    root = open_file(path).root
    kind = kind_of(root)
    assert root is not None
    assert kind is not None

    assert [error.message for error in validator_of(kind).iter_errors(as_json(root))] == []


@pytest.mark.parametrize("name", STRUCTURAL)
def test_a_schema_sees_the_faults_of_structure(name: str) -> None:
    root = open_file(ROOT / "fixtures" / "broken" / f"{name}.yaml").root
    kind = kind_of(root)
    assert root is not None
    assert kind is not None

    assert list(validator_of(kind).iter_errors(as_json(root))) != []


def test_a_schema_does_not_see_what_only_the_board_can_tell() -> None:
    root = open_file(ROOT / "fixtures" / "broken" / "simulated-output.yaml").root
    assert root is not None

    assert list(validator_of("bench").iter_errors(as_json(root))) == []


@pytest.mark.parametrize("kind", KINDS)
def test_every_field_of_the_table_is_in_the_schema_and_in_the_documentation(kind: str) -> None:
    definitions, docs = schema_of(kind)["$defs"], fields_of(kind)
    for section in sections_of(kind):
        definition = definitions[section.name.replace(" ", "_")]
        whole = definition if "properties" in definition else definition["anyOf"][0]
        assert list(whole["properties"]) == [field.name for field in section.fields]
        assert all(f"| `{field.name}` | {field.doc} |" in docs for field in section.fields)


EVERY_FIELD = [
    pytest.param(field, id=f"{kind}-{section.name}-{field.name}")
    for kind in KINDS
    for section in sections_of(kind)
    for field in section.fields
    if field.example
] + [pytest.param(field, id=f"configuration-{field.name}") for field in CONFIGURATION.fields]


@pytest.mark.parametrize("field", EVERY_FIELD)
def test_the_example_of_every_field_is_read_by_that_field(field: Field) -> None:
    text = f"{field.name}: {field.example}\n"
    problems = Problems("example.yaml", text)
    root = compose(text, problems)
    assert isinstance(root, Pairs)

    field.holds.read(root.pairs[0][1], problems)

    assert [str(problem) for problem in problems.found] == []


@pytest.mark.parametrize("kind", KINDS)
def test_every_field_has_one_line_of_documentation_and_an_example_where_it_holds_a_value(kind: str) -> None:
    for section in sections_of(kind):
        for field in section.fields:
            assert field.doc
            assert "\n" not in field.doc
            assert field.example or section.alone, f"{section.name}.{field.name}"
            assert not (field.required and field.default), f"{section.name}.{field.name} is needed and has a default"


def test_one_more_line_in_the_table_is_one_more_key_everywhere() -> None:
    colour = Field("colour", TABLES["board"].fields[0].holds, "colour of the solder mask", example="green")
    table = Section("board", "A board.", (*TABLES["board"].fields, colour))
    problems = Problems("board.yaml", "")
    root = compose("board: Buoy lamp\ncolour: 1.10\nrails: {5V0: 5 V ± 5 %}\n", problems)
    assert root is not None

    values = table.read(root, problems)

    definitions: dict[str, Any] = {}
    table.schema(definitions)
    assert (values.get("colour"), problems.found) == ("1.10", [])
    assert definitions["board"]["properties"]["colour"]["description"] == "colour of the solder mask"


def test_names_that_people_choose_are_not_a_closed_list() -> None:
    rails = next(field for field in TABLES["board"].fields if field.name == "rails")

    assert isinstance(rails.holds, ByName)
    assert rails.holds.names == ()
