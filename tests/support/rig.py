"""A whole station in this process: real threads, real disk, real broker, simulated wires within reach.

Unlike the station in a process of its own (`live.Station`), whatever can befall the wires can be made to
befall them here while it runs, and what it does to its outputs is seen at the pins.
"""

import threading
import time
from contextlib import suppress
from pathlib import Path

from gpiozero.pins.mock import MockPin
from live import wait_until

from shared.history import History
from shared.requests import parse_text
from shared.sheet import default_sheet
from station.bootstrap import simulated_station
from station.daemon import Asking
from station.rules.limits import Limits
from station.rules.tick import Book
from station.settings import BrokerSettings, JournalSettings, Settings, StationSettings

COLOURS = ("red", "amber", "green", "blue")


class Rig:
    """A running station. ``plant`` is its bench; use as a context manager."""

    def __init__(
        self,
        folder: Path,
        port: int | None,
        *,
        station: str = "bench-1",
        limits: Limits | None = None,
        sync_file: Path | None = None,
        seed: int = 0,
        batch_s: float = 1.0,
        speed: float = 1.0,
    ) -> None:
        """Not started; ``port`` is the broker's, None without one."""
        self.db = folder / f"{station}.db"
        self.settings = Settings(
            station=StationSettings(id=station, sync_file=None if sync_file is None else str(sync_file)),
            limits=limits or Limits(),
            broker=BrokerSettings(port=port or 1),
            journal=JournalSettings(path=str(self.db), batch_s=batch_s),
        )
        self.station, self.plant, self.clock = simulated_station(
            self.settings,
            Book(self.settings.limits, default_sheet()),
            speed=speed,
            seed=seed,
            linked=port is not None,
        )
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="rig")
        self.died: BaseException | None = None

    def _run(self) -> None:
        try:
            self.station.run(self._stop)
        except BaseException as error:
            self.died = error
            raise

    def __enter__(self) -> "Rig":
        self.station.__enter__()
        self._thread.start()
        return self

    def __exit__(self, *details: object) -> None:
        self._stop.set()
        self._thread.join(30)
        self.station.__exit__(None, None, None)

    def pin(self, name: str) -> MockPin:
        """An output's pin."""
        return self.plant._pins.pin(getattr(self.settings.wires.pins, name))

    def permit(self) -> bool:
        """Whether the iron has power, at the pin."""
        return bool(self.pin("permit").state)

    def when_permit_goes(self) -> list[float]:
        """A list that gets the monotonic time, s, of each fall of the permit's pin, where it is driven."""
        fell: list[float] = []
        pin, drive = self.pin("permit"), type(self.pin("permit"))._change_state

        def change(value: bool) -> bool:
            changed = bool(drive(pin, value))
            if changed and not value:
                fell.append(time.monotonic())
            return changed

        pin._change_state = change
        return fell

    def ask(self, text: str, timeout_s: float = 10.0) -> tuple[bool, list[str]]:
        """A request through the inbox; whether it was accepted, and the reasons, once that is on disk."""
        answers: list = []
        assert self.station.inbox.put(Asking(parse_text(text), answers.append)), "the inbox is full"
        wait_until(lambda: answers, timeout_s, f"an answer to {text!r}")
        return answers[0].accepted, answers[0].reasons

    def do(self, *texts: str) -> None:
        """Requests that must be accepted."""
        for text in texts:
            accepted, reasons = self.ask(text)
            assert accepted, f"{text}: {reasons}"

    def events(self, after: int = 0) -> list[dict]:
        """What the journal holds on disk, as printed, beyond a seq."""
        if not self.db.exists():
            return []
        with suppress(FileNotFoundError), History(self.db) as history:
            return [dated.to_dict() for dated in history.events(after)]
        return []
