"""A recorded morning, a station that answers as it is told, and programs with tokens over the interface."""

import pytest
from asked import PLENTY, AskedBoard
from morning import record_morning

from dashboard.access import Scope
from dashboard.app import create_app
from dashboard.tokens import Tokens


@pytest.fixture(scope="session")
def journal(tmp_path_factory):
    """The database of that morning."""
    path = tmp_path_factory.mktemp("api") / "bench.db"
    record_morning(path)
    return path


@pytest.fixture
def board(clock):
    """Stations that can be asked."""
    return AskedBoard(clock)


@pytest.fixture
def tokens(tmp_path):
    """The people's file."""
    tokens = Tokens(tmp_path / "people.db")
    yield tokens
    tokens.close()


@pytest.fixture
def app(board, journal, tokens, bench):
    """The application; the station bench-1 has spoken."""
    bench.say()
    app = create_app(board, None, journal, tokens=tokens, rates=PLENTY)
    app.testing = True
    return app


@pytest.fixture
def call(app, tokens):
    """Calls as a program with both scopes: ``call(path)`` or ``call(path, json=…)`` to ask."""
    headers = {"Authorization": f"Bearer {tokens.add('both', frozenset(Scope))}"}
    client = app.test_client()

    def called(path: str, method: str = "GET", accept: str = "*/*", **more):
        whole = {**headers, "Accept": accept}
        return client.open(f"/api/v1{path}", method=method, headers=whole, **more)

    return called
