"""The description against independent tools: a validator of OpenAPI 3.1, and calls made up from it."""

import re
from collections import Counter
from datetime import datetime

import hypothesis
import pytest
import schemathesis
from openapi_spec_validator import OpenAPIV31SpecValidator
from schemathesis import GenerationMode

from dashboard.access import Scope

REAL = {"unit": "U-1", "station": "bench-1"}


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


def ends_before_it_begins(query) -> bool:
    """A period that no schema can forbid, and that is rightly refused."""
    try:
        begin, end = (datetime.fromisoformat(query[name].upper()) for name in ("from", "to"))
    except (KeyError, ValueError, AttributeError):
        return False
    return begin.tzinfo is not None and end.tzinfo is not None and end < begin


@pytest.mark.parametrize("mode", list(GenerationMode))
def test_made_up_calls_find_nothing(app, tokens, clock, mode: GenerationMode) -> None:
    """Calls made up from the description, right and wrong: no fault, no answer but the described ones.

    Right ones are about the unit and the station that exist, or they would all end at the same 404.
    """
    headers = {"Authorization": f"Bearer {tokens.add('made-up', frozenset(Scope))}"}
    schema = schemathesis.openapi.from_wsgi("/api/v1/openapi.json", app)
    tried: Counter[str] = Counter()
    settings = hypothesis.settings(
        max_examples=30, derandomize=True, database=None,
        suppress_health_check=list(hypothesis.HealthCheck),
    )  # fmt: skip
    for result in schema.get_all_operations():
        operation = result.ok()
        if mode is GenerationMode.NEGATIVE and not (operation.query or operation.path_parameters):
            continue  # nothing can be wrong in it

        @settings
        @hypothesis.given(case=operation.as_strategy(generation_mode=mode))
        def call(case) -> None:
            hypothesis.assume(not ends_before_it_begins(case.query or {}))
            if mode is GenerationMode.POSITIVE:
                case.path_parameters = {name: REAL[name] for name in case.path_parameters or {}}
            clock.now_s += 60.0  # the tool tries wrong tokens too, and would have to wait after twenty
            answer = case.call_and_validate(headers=headers)
            tried[case.operation.label] += 200 <= answer.status_code < 300

        call()
        tried[operation.label] += 0
    assert len(tried) == (11 if mode is GenerationMode.POSITIVE else 10)
    if mode is GenerationMode.POSITIVE:
        assert min(tried.values()) > 0, f"No made-up call was answered: {tried}"
