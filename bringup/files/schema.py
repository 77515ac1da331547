"""The table of fields as JSON Schema (draft 2020-12), for editors that complete and check while one types."""

from __future__ import annotations

from bringup.files.bench_fields import BENCH
from bringup.files.board_fields import BOARD
from bringup.files.dialect_fields import DIALECT_FILE
from bringup.files.fields import PROCEDURE
from bringup.files.sections import Section
from bringup.files.shapes import Schema

TABLES: dict[str, Section] = {"procedure": PROCEDURE, "bench": BENCH, "board": BOARD, "dialect": DIALECT_FILE}
"""The table of each kind of file."""


def schema_of(kind: str) -> Schema:
    """Return the JSON Schema of a kind of file. Raises KeyError for an unknown kind."""
    definitions: dict[str, Schema] = {}
    root = TABLES[kind].schema(definitions)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"{kind} file of bringup",
        **root,
        "$defs": definitions,
    }
