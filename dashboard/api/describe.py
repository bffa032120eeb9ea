"""The description of the interface, OpenAPI 3.1, made from the views and the shapes that they use."""

import copy
from typing import Any

import msgspec
from flask import Flask
from spectree import Response, SpecTree
from spectree.model_adapter import get_msgspec_model_adapter

from dashboard.access import ATTRIBUTE, Scope
from dashboard.api.problem import BASE, MIMETYPE, Problem, refuse_invalid
from shared import VERSION
from shared.requests import IDENTIFIER, AnyRequest

SECURITY = "token"
ABOUT = (
    "One bench's record and state, for programs. Every call but this description and /healthz carries a "
    "token: `Authorization: Bearer TOKEN`. Lists come in pages: pass `next_after` of one page as `after` of "
    "the next until it is null. Errors are problem details (RFC 9457); 429 and 503 say in Retry-After when "
    "to try again. What could not be measured is null or a gap, never a number. "
    "This is not a safety-rated interface."
)
api_description = SpecTree(
    "flask",
    model_adapter=get_msgspec_model_adapter(),
    before=refuse_invalid,
    validation_error_model=Problem,
    naming_strategy=lambda model: str(getattr(model, "__name__", model)),
    nested_naming_strategy=lambda _parent, child: child,
    mode="strict",
    title="Benchward",
    version=VERSION,
    description=ABOUT,
)


def answers(model: Any, *problems: int) -> Response:
    """What a view may answer: its shape, the problems of every call, and those of its own."""
    every = {f"HTTP_{status}": Problem for status in (401, 403, 429, *problems)}
    return Response(HTTP_200=model, **every)


def description(app: Flask) -> dict[str, Any]:
    """The whole document for an application."""
    if not hasattr(api_description, "app"):
        api_description.app = app  # the calls are the same in every application; they can be read only once
    with app.app_context():
        document: dict[str, Any] = copy.deepcopy(api_description.spec)
    components = document["components"]
    components["securitySchemes"] = {
        SECURITY: {"type": "http", "scheme": "bearer", "description": "benchward token add NAME --scope read"}
    }
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            _finish(operation, _scope(app, path, method))
    _add_request_body(document)
    _add_csv(document)
    return document


def _scope(app: Flask, path: str, method: str) -> Scope | None:
    """The scope that guards an operation, as `access` holds it."""
    for rule in app.url_map.iter_rules():
        if rule.rule.replace("<", "{").replace(">", "}") == path and method.upper() in (rule.methods or ()):
            found: Scope | None = getattr(app.view_functions[rule.endpoint], ATTRIBUTE)
            return found
    return None


def _finish(operation: dict[str, Any], scope: Scope | None) -> None:
    if scope is None:
        operation["security"] = []
    else:
        operation["security"] = [{SECURITY: []}]
        operation["description"] = f"{operation['description']}\n\nScope: {scope}.".strip()
    for status, response in operation["responses"].items():
        content = response.get("content", {})
        if content.get("application/json", {}).get("schema") == {"$ref": "#/components/schemas/Problem"}:
            content[MIMETYPE] = content.pop("application/json")
            if status in ("429", "503"):
                schema = {"type": "integer", "minimum": 0}
                response["headers"] = {"Retry-After": {"description": "Seconds to wait", "schema": schema}}


def _add_request_body(document: dict[str, Any]) -> None:
    """A request's body is one of all requests, told apart by ``verb``."""
    (schema,), components = msgspec.json.schema_components(
        [AnyRequest], ref_template="#/components/schemas/{name}"
    )
    finish = components["Finish"]
    # Findings may stand beside the other keys as well as in `findings`.
    finish["additionalProperties"] = {"type": ["string", "number", "boolean"]}
    finish["propertyNames"] = {"pattern": IDENTIFIER}
    document["components"]["schemas"].update(components)
    body = {"required": True, "content": {"application/json": {"schema": schema}}}
    document["paths"][f"{BASE}/stations/{{station}}/requests"]["post"]["requestBody"] = body


def _add_csv(document: dict[str, Any]) -> None:
    content = document["paths"][f"{BASE}/units/{{unit}}/heat"]["get"]["responses"]["200"]["content"]
    content["text/csv"] = {"schema": {"type": "string"}}
