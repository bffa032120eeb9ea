"""The contract's document against the official schema of AsyncAPI 3.0, from the package registry."""

import json
import shutil
import subprocess
import tarfile

import pytest
from jsonschema import Draft7Validator

from shared.asyncapi import document

pytestmark = pytest.mark.system
PACKAGE, SCHEMA = "@asyncapi/specs@6.8.0", "package/schemas/3.0.0-without-$id.json"


@pytest.fixture(scope="module")
def validator(tmp_path_factory):
    """The official schema; skipped by name where the registry cannot be reached."""
    npm = shutil.which("npm")
    if npm is None:
        pytest.skip("npm is not installed: the official AsyncAPI schema was not checked")
    folder = tmp_path_factory.mktemp("npm")
    try:
        run = subprocess.run([npm, "pack", PACKAGE], cwd=folder, capture_output=True, timeout=20)
    except subprocess.TimeoutExpired:
        run = None
    if run is None or run.returncode != 0:
        pytest.skip("the npm registry cannot be reached: the official AsyncAPI schema was not checked")
    with tarfile.open(next(folder.glob("*.tgz"))) as archive:
        file = archive.extractfile(SCHEMA)
        assert file is not None
        return Draft7Validator(json.load(file))


def test_document_obeys_the_official_schema(validator):
    """No error at all; and one as soon as an operation's action is none."""
    whole = document()
    assert [error.message for error in validator.iter_errors(whole)] == []
    whole["operations"]["publish-events"]["action"] = "shout"
    assert list(validator.iter_errors(whole))
