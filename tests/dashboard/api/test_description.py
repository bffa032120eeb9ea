"""The description against independent tools: a validator of OpenAPI 3.1, and calls made up from it."""

import re

import hypothesis
import schemathesis
from openapi_spec_validator import OpenAPIV31SpecValidator

from dashboard.access import Scope


def test_description_is_valid_openapi(app) -> None:
    """OpenAPI 3.1 by openapi-spec-validator; nothing in it leads to another host."""
    document = app.test_client().get("/api/v1/openapi.json").json
    assert document["openapi"].startswith("3.1")
    assert list(OpenAPIV31SpecValidator(document).iter_errors()) == []
    assert not re.search(r"https?://", str(document))


def test_description_names_every_call(app) -> None:
    """Each route of the interface is described, with its method and its scope."""
    document = app.test_client().get("/api/v1/openapi.json").json
    routes = {
        (re.sub(r"<(\w+)>", r"{\1}", rule.rule), method.lower())
        for rule in app.url_map.iter_rules()
        if rule.rule.startswith("/api/v1/") and not rule.rule.endswith("openapi.json")
        for method in rule.methods - {"HEAD", "OPTIONS"}
    }
    described = {(path, method) for path, methods in document["paths"].items() for method in methods}
    assert described == routes


def test_made_up_calls_find_nothing(app, tokens) -> None:
    """Calls made up from the description, right and wrong: no fault, no answer but the described ones."""
    headers = {"Authorization": f"Bearer {tokens.add('made-up', frozenset(Scope))}"}
    schema = schemathesis.openapi.from_wsgi("/api/v1/openapi.json", app)
    tried: set[str] = set()
    settings = hypothesis.settings(
        max_examples=25, deadline=None, derandomize=True, database=None,
        suppress_health_check=list(hypothesis.HealthCheck),
    )  # fmt: skip
    for result in schema.get_all_operations():
        operation = result.ok()

        @settings
        @hypothesis.given(case=operation.as_strategy())
        def call(case) -> None:
            tried.add(case.operation.label)
            case.call_and_validate(headers=headers)

        call()
    assert len(tried) == 11
