"""The interface described: as OpenAPI for programs, as a page for people."""

from __future__ import annotations

import json
import re
from functools import cache
from typing import Any

from fastapi import APIRouter, Request
from fastapi.openapi.utils import get_openapi
from fastapi.responses import Response

from app import __version__
from app.web.api import block_routes, logs, routes, words
from app.web.api.plan_shapes import EXAMPLE
from app.web.pages import json_answer, page

router = APIRouter()
OPERATIONS = (routes.router, logs.router, block_routes.router, words.router)
ABOUT = """Read a coach's roster and write to it. Make a token on the account page and send it with each
request as `Authorization: Bearer TOKEN`; it reads, or reads and writes, and can be revoked at any time.
Lists come in pages: pass `next` as `after`. Dates are days on the lifter's calendar, instants are UTC, masses
kilograms unless a unit stands beside them. A change names the version it was made on; if another is stored by
now, nothing is done and the answer is 409 with what is stored under `current`. A write that must not happen
twice carries an `Idempotency-Key`: sent again with the same one, it is answered as before. An error is a
problem document (RFC 9457) whose `detail` says what to do."""
PROBLEM = {
    "type": "object",
    "required": ["type", "title", "status", "detail"],
    "properties": {
        "type": {"type": "string"},
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "detail": {"type": "string"},
        "request_id": {"type": "string"},
        "current": {
            "description": "What is stored now, where it is not what the request was made on",
            "anyOf": [
                {"$ref": f"#/components/schemas/{name}"}
                for name in ("SetOut", "SessionOut", "BlockPlan", "TakingBackOut")
            ],
        },
        "errors": {
            "type": "array",
            "items": {
                "type": "object",
                "required": ["where", "expected"],
                "properties": {
                    "where": {"type": "array", "items": {"type": "string"}},
                    "expected": {"type": "string"},
                },
            },
        },
    },
}


@cache
def document() -> dict[str, Any]:
    """The interface as an OpenAPI document."""
    made = get_openapi(
        title="Terrace",
        version=__version__,
        description=" ".join(ABOUT.split()),
        routes=[one for router in OPERATIONS for one in router.routes],
        # What is read can be sent as it came: one shape, not two that differ in what may be left out.
        separate_input_output_schemas=False,
    )
    made["components"]["schemas"]["Problem"] = PROBLEM
    for name in ("BlockPlan", "VersionDetail", "TemplateDetail"):
        made["components"]["schemas"][name]["properties"]["plan"] = {
            "anyOf": [{"$ref": "#/components/schemas/Plan"}, {"type": "null"}]
        }
    for name in ("HTTPValidationError", "ValidationError"):
        made["components"]["schemas"].pop(name, None)
    return made


@router.get("/api/v1/openapi.json")
def openapi() -> Response:
    return json_answer(document())


@router.get("/api/v1/")
def docs(request: Request) -> Response:
    """The same for people, without any script."""
    found = document()
    groups: dict[str, list[dict[str, Any]]] = {}
    for path, methods in found["paths"].items():
        for method, operation in methods.items():
            body = operation.get("requestBody", {}).get("content", {}).get("application/json", {})
            good: dict[str, Any] = next(
                (answer for status, answer in operation["responses"].items() if status.startswith("2")), {}
            )
            groups.setdefault(operation["tags"][0], []).append(
                {
                    "anchor": _anchor(f"{method} {path.removeprefix('/api/v1/')}"),
                    "method": method.upper(),
                    "path": path,
                    "summary": operation["summary"],
                    "parameters": operation.get("parameters", []),
                    "body": _name(body.get("schema", {})),
                    "answer": _name(good.get("content", {}).get("application/json", {}).get("schema", {})),
                }
            )
    schemas = {
        name: (
            one.get("description", ""),
            [
                (field, _words(kind), field in one.get("required", ()), kind.get("description", ""))
                for field, kind in one["properties"].items()
            ],
        )
        for name, one in sorted(found["components"]["schemas"].items())
    }
    return page(
        request,
        "api/docs.html",
        about=found["info"]["description"],
        groups=[(name, _anchor(f"calls {name}"), calls) for name, calls in groups.items()],
        schemas=schemas,
        draft=json.dumps(EXAMPLE, indent=2),
    )


def _name(schema: dict[str, Any]) -> str:
    return str(schema.get("$ref", "")).rpartition("/")[2]


def _anchor(words: str) -> str:
    """The name by which the contents lead to a place: "patch-lifters-lifter-id-sets-set-id"."""
    return re.sub(r"[^a-z0-9]+", "-", words.lower()).strip("-")


def _words(kind: dict[str, Any]) -> str:
    """A JSON schema in a few words."""
    if "$ref" in kind:
        return _name(kind)
    if "anyOf" in kind:
        return " or ".join(_words(one) for one in kind["anyOf"])
    if "enum" in kind:
        return ", ".join(map(str, kind["enum"]))
    if kind.get("type") == "array":
        return f"list of {_words(kind.get('items', {}))}"
    words = str(kind.get("format") or kind.get("type", "any"))
    low, high = kind.get("minimum"), kind.get("maximum")
    if low is not None or high is not None:
        words += f" {low if low is not None else ''}..{high if high is not None else ''}"
    if "maxLength" in kind:
        words += f", {kind['maxLength']} characters at most"
    return words
