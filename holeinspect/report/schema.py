"""The published JSON Schema of the result."""

from __future__ import annotations

import json

from holeinspect.inspection import SCHEMA_VERSION, Inspection

DIALECT = "https://json-schema.org/draft/2020-12/schema"
"""The dialect that pydantic writes."""


def schema_text() -> str:
    """JSON Schema of an inspection as the command line writes it, as text that ends with a line break."""
    schema = {"$schema": DIALECT, **Inspection.model_json_schema(mode="serialization")}
    schema["title"] = f"Inspection, schema version {SCHEMA_VERSION}"
    return json.dumps(schema, indent=2) + "\n"
