"""Which broker the pages go to."""

import click
import pytest

from dashboard.cli import broker_address, dashboard
from station.settings import BrokerSettings, Settings

SETTINGS = Settings(broker=BrokerSettings(host="192.0.2.7", port=18555))


@pytest.mark.parametrize(
    ("settings", "told", "found"),
    [
        (None, None, ("127.0.0.1", 1883)),
        (SETTINGS, None, ("192.0.2.7", 18555)),
        (SETTINGS, "198.51.100.4:1884", ("198.51.100.4", 1884)),
        (None, "[2001:db8::1]:1883", ("2001:db8::1", 1883)),
    ],
)
def test_broker_is_the_one_told_or_that_of_the_settings(settings, told, found):
    """What the command line says goes before the settings, and those before a broker on this machine."""
    context = click.Context(dashboard, obj=settings)
    assert broker_address(context, context.command.params[0], told) == found


@pytest.mark.parametrize("told", ["", "host", "host:", ":1883", "host:0", "host:65536", "host:x"])
def test_an_address_that_is_none_is_refused(told):
    """Exit code 2, with the value."""
    context = click.Context(dashboard)
    with pytest.raises(click.BadParameter, match="is not HOST:PORT"):
        broker_address(context, context.command.params[0], told)
