"""`benchward contract`: what other programs may rely on, for machines."""

import json

import click

from shared.asyncapi import document, payload_schemas


@click.group()
def contract() -> None:
    """Print the contract over MQTT."""


@contract.command()
def asyncapi() -> None:
    """Print topics and payloads as an AsyncAPI 3.0 document."""
    click.echo(json.dumps(document(), ensure_ascii=False, indent=2))


@contract.command()
def schemas() -> None:
    """Print a JSON Schema for each kind of payload, by topic."""
    click.echo(json.dumps(payload_schemas(), ensure_ascii=False, indent=2))
