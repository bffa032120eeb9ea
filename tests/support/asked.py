"""Stations that can be asked without a broker, and programs that may call as often as they like."""

from dashboard.access import Scope
from dashboard.api.bearer import Rate
from dashboard.board import Board
from shared.messages import Answer

PLENTY = {scope: Rate(10**9, 10.0**9) for scope in Scope}


class AskedBoard(Board):
    """A board whose stations answer what ``answer`` says, and that notes what they were asked."""

    def __init__(self, clock) -> None:
        super().__init__(clock)
        self.connected = True
        self.answer: Answer | None = Answer(accepted=True, reasons=[], seq=7)
        self.asked: list[tuple[str, str]] = []

    def ask(self, station: str, text: str, timeout_s: float) -> Answer | None:
        """Note the question."""
        self.asked.append((station, text))
        return self.answer
