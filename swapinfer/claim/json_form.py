"""A write-up as JSON: every number, and the job that they follow from."""

from __future__ import annotations

import dataclasses
import json
from types import UnionType
from typing import Any, get_args, get_origin, get_type_hints

from swapinfer.claim.facts import ClaimFacts
from swapinfer.claim.settings import ClaimSettings
from swapinfer.claim.write import Claim
from swapinfer.ledger.record import canonical_json, digest_text

SHAPE = "swapinfer.claim/1"

JOB_FORMAT = "swapinfer-job/1"


def to_json(claim: Claim) -> str:
    """Write a claim as JSON.

    Parameters
    ----------
    claim : Claim
        From `swapinfer.claim.write.write_up`.

    Returns
    -------
    str
        One object: ``shape``, ``settings``, ``facts``, ``job`` (the exported job, null where
        something is left out), and ``seal``, the SHA-256 of the canonical JSON of the others.
    """
    job = None
    if not claim.settings.redact:
        records = [record.to_json() for record in claim.records]
        job = {"format": JOB_FORMAT, "records": records, "packs": dict(claim.packs)}
    body = {
        "shape": SHAPE,
        "settings": plain_tree(claim.settings),
        "facts": plain_tree(claim.facts),
        "job": job,
    }
    return dump({**body, "seal": seal_of(body)})


def seal_of(body: dict[str, Any]) -> str:
    """Digest of everything in the file but the seal itself."""
    return digest_text(canonical_json({k: v for k, v in body.items() if k != "seal"}))


def dump(document: object) -> str:
    """Write the file in the one way that is accepted, so that no byte changes unnoticed."""
    return json.dumps(document, ensure_ascii=True, allow_nan=False, indent=1) + "\n"


def plain_tree(value: Any) -> Any:  # noqa: ANN401  any tree of dataclasses
    """Turn dataclasses into objects and tuples into lists."""
    if dataclasses.is_dataclass(value):
        return {f.name: plain_tree(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, (tuple, list)):
        return [plain_tree(item) for item in value]
    return value


def claim_schema() -> dict[str, Any]:
    """Describe the file in JSON Schema (draft 2020-12), from the dataclasses it is made of."""
    definitions: dict[str, Any] = {}
    properties = {
        "shape": {"const": SHAPE},
        "settings": _schema(ClaimSettings, definitions),
        "facts": _schema(ClaimFacts, definitions),
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
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": SHAPE,
        "type": "object",
        "properties": properties,
        "required": list(properties),
        "additionalProperties": False,
        "$defs": dict(sorted(definitions.items())),
    }


_PLAIN = {str: "string", int: "integer", float: "number", bool: "boolean", type(None): "null"}


def _schema(hint: Any, definitions: dict[str, Any]) -> dict[str, Any]:  # noqa: ANN401  a type
    if hint in _PLAIN:
        return {"type": _PLAIN[hint]}
    if dataclasses.is_dataclass(hint) and isinstance(hint, type):
        _define(hint, definitions)
        return {"$ref": f"#/$defs/{hint.__name__}"}
    inner = get_args(hint)
    if get_origin(hint) is UnionType:
        return {"anyOf": [_schema(item, definitions) for item in inner]}
    if inner[-1] is Ellipsis:
        return {"type": "array", "items": _schema(inner[0], definitions)}
    return {
        "type": "array",
        "prefixItems": [_schema(item, definitions) for item in inner],
        "minItems": len(inner),
        "maxItems": len(inner),
    }


def _define(model: type, definitions: dict[str, Any]) -> None:
    if model.__name__ in definitions:
        return
    definitions[model.__name__] = {}
    hints = get_type_hints(model)
    properties = {name: _schema(hint, definitions) for name, hint in hints.items()}
    definitions[model.__name__] = {
        "description": (model.__doc__ or "").split("\n", 1)[0],
        "type": "object",
        "properties": properties,
        "required": list(properties),
        "additionalProperties": False,
    }
