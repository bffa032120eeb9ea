"""The person at the bench, asked at a terminal: prompts on stderr, answers from stdin."""

import click

from station.commissioning.parties import Act, Sight
from station.simulation.helper import SimulatedHelper, SimulatedRoom


class AtTheBench:
    """A person at a terminal."""

    def tell(self, text: str) -> None:
        """Print it."""
        click.echo(text, err=True)

    def do(self, act: Act, text: str) -> None:
        """Ask, and wait for Enter."""
        click.prompt(f"{text} Enter when done", default="", show_default=False, prompt_suffix=" … ", err=True)

    def sees(self, sight: Sight, text: str) -> bool:
        """Ask for yes or no; nothing is taken for granted."""
        return click.confirm(text, default=None, err=True)


class AnsweringByHand(SimulatedHelper):
    """The simulated helper acts, a person answers what it sees."""

    def __init__(self, room: SimulatedRoom) -> None:
        super().__init__(room)
        self._person = AtTheBench()

    def sees(self, sight: Sight, text: str) -> bool:
        """Ask the person."""
        return self._person.sees(sight, text)
