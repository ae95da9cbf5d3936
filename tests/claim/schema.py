"""JSON Schema of a write-up, from the facts it is made of.

``python -m tests.claim.schema`` writes the one that is shipped anew.
"""

from __future__ import annotations

import inspect
import json
from pathlib import Path
from typing import Any

import msgspec

from swapinfer.claim.facts import ClaimFacts
from swapinfer.claim.settings import ClaimSettings
from swapinfer.claim.write import SHAPE

SHIPPED = Path(__file__).parents[2] / "swapinfer" / "claim" / "claim.schema.json"


def claim_schema() -> dict[str, Any]:
    """Describe the file in JSON Schema (draft 2020-12): it holds all of this and nothing else."""
    (settings, facts), parts = msgspec.json.schema_components(
        (ClaimSettings, ClaimFacts), ref_template="#/$defs/{name}"
    )
    properties = {
        "shape": {"const": SHAPE},
        "settings": settings,
        "facts": facts,
        "job": {
            "description": "The exported job; null where something is left out.",
            "type": ["object", "null"],
            "required": ["format", "records", "packs"],
        },
        "seal": {
            "description": "SHA-256 of the canonical JSON of all other members.",
            "type": "string",
            "pattern": "^[0-9a-f]{64}$",
        },
    }
    for part in parts.values():
        part["description"] = inspect.cleandoc(part["description"])
        for field in part["properties"].values():
            field.pop("default", None)
        part["required"] = list(part["properties"])
        part["additionalProperties"] = False
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": SHAPE,
        "type": "object",
        "properties": properties,
        "required": list(properties),
        "additionalProperties": False,
        "$defs": dict(sorted(parts.items())),
    }


if __name__ == "__main__":
    SHIPPED.write_text(json.dumps(claim_schema(), indent=2) + "\n", encoding="utf-8")
