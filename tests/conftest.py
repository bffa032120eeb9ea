"""What holds for every test: made-up examples are not judged by the clock, for machines are shared.

They are the same in every run, so that a red run is red for whoever looks into it. Others are thought of with
``BENCHWARD_EXPLORE=1``.
"""

import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings
from live import Broker
from playwright.sync_api import Browser, sync_playwright
from secured import SecuredBroker

settings.register_profile("benchward", deadline=None, derandomize="BENCHWARD_EXPLORE" not in os.environ)
settings.load_profile("benchward")

# No voice of its own to any other host.
CHROMIUM = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update",
            "--disable-sync", "--no-first-run"]  # fmt: skip


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """A running Chromium, Debian's."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=CHROMIUM)
        yield browser
        browser.close()


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder where other users reach what they know the name of; pytest's own let nobody in."""
    with tempfile.TemporaryDirectory(prefix="benchward-open-") as name:
        Path(name).chmod(0o711)
        yield Path(name)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    """A running Mosquitto."""
    tmp_path.chmod(0o777)
    broker = Broker(tmp_path)
    broker.start()
    yield broker
    broker.end()


@pytest.fixture
def secured(open_folder: Path) -> Iterator[SecuredBroker]:
    """A running Mosquitto with TLS, passwords and roles."""
    broker = SecuredBroker(open_folder)
    broker.start()
    yield broker
    broker.end()
