"""The demo: a broker, a simulated station and the pages, together, through a working morning.

Every part is the real one; only the wires and the technician's hands are simulated. What the demo started it
ends, however it ends.
"""

import contextlib
import logging
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import webbrowser
from collections.abc import Callable, Iterator
from pathlib import Path

import msgspec

from shared.history import History
from shared.problems import FailureError, InputError
from station.bootstrap import Station, simulated_station
from station.journal.backup import back_up
from station.link.asking import Asker
from station.rules.tick import Book
from station.settings import BrokerSettings, JournalSettings, Settings, StationSettings
from station.simulation.morning import Hands, work

LOG = logging.getLogger("benchward.demo")
READY_S = 10.0
END_S = 8.0
KEPT_UP = 0.95
# Invented: name, role, PIN.
DEMO_PEOPLE = (("T-04", "technician", "260400"), ("S-01", "safety-lead", "815100"))
Tell = Callable[[str], None]


def free_port() -> int:
    """A TCP port on loopback that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def answers(port: int) -> bool:
    """Whether something listens on a loopback port."""
    with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=0.5):
        return True
    return False


def _wait_for(port: int, process: subprocess.Popen[bytes], what: str) -> None:
    end_s = time.monotonic() + READY_S
    while not answers(port):
        if process.poll() is not None or time.monotonic() > end_s:
            raise FailureError(f"{what} does not answer on port {port} (exit code {process.poll()}).")
        time.sleep(0.02)


@contextlib.contextmanager
def _running(command: list[str], log: Path) -> Iterator[subprocess.Popen[bytes]]:
    """A program in a process group of its own, so that Ctrl-C reaches us and we end it in order."""
    with log.open("wb") as output:
        process = subprocess.Popen(command, stdout=output, stderr=output, start_new_session=True)
        try:
            yield process
        finally:
            early = process.poll()
            if early is None:
                os.killpg(process.pid, signal.SIGTERM)
            else:
                LOG.error("%s ended by itself during the demo, exit code %d", Path(command[0]).name, early)
            try:
                process.wait(END_S)
            except subprocess.TimeoutExpired:
                os.killpg(process.pid, signal.SIGKILL)
                process.wait()


@contextlib.contextmanager
def local_broker(folder: Path) -> Iterator[int]:
    """A Mosquitto of our own on a free loopback port, without persistence; yields the port.

    Raises:
        FailureError: it is not installed, or does not come up.
    """
    program = shutil.which("mosquitto", path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/local/sbin")
    if program is None:
        raise FailureError("mosquitto is not installed. Run: sudo apt-get install mosquitto")
    port = free_port()
    config = folder / "broker.conf"
    config.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\nset_tcp_nodelay true\n"
        "max_queued_messages 100000\n",
        "ascii",
    )
    with _running([program, "-c", str(config)], folder / "broker.log") as process:
        _wait_for(port, process, "mosquitto")
        yield port


def demo_settings(settings: Settings, folder: Path, port: int) -> Settings:
    """The settings with this demo's broker and database."""
    return msgspec.structs.replace(
        settings,
        station=StationSettings(id=settings.station.id, sheet=settings.station.sheet, clock="trusted"),
        broker=BrokerSettings(port=port),
        journal=JournalSettings(path=str(folder / "demo.db"), batch_s=1.0),
    )


def _add_people(people: Path) -> None:
    """The demo's invented people, so that the pages can be worked with."""
    for name, role, pin in DEMO_PEOPLE:
        command = [sys.executable, "-m", "station", "user", "add", name, "--role", role, "--pin"]
        done = subprocess.run(
            [*command, "--password-stdin", "--people", str(people)],
            input=pin, text=True, capture_output=True, check=False,
        )  # fmt: skip
        if done.returncode:
            raise FailureError(f"The demo's people could not be added: {done.stderr.strip()}")


def _add_program(people: Path) -> str:
    """A token for a program that only reads, for the demo's time."""
    command = [sys.executable, "-m", "station", "token", "add", "demo", "--scope", "read"]
    command += ["--people", str(people)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise FailureError(f"The demo's token could not be made: {done.stderr.strip()}")
    return done.stdout.strip()


def run_demo(
    settings: Settings, book: Book, *, speed: float, minutes: float | None, port: int, browser: bool,
    seed: int, stop: threading.Event, tell: Tell, keep: Path | None = None,
) -> None:  # fmt: skip
    """Run the demo until it is told to stop or its time is over, then print what was recorded.

    Args:
        settings: the station's; broker and database are replaced by the demo's own.
        book: limits and sheet.
        speed: simulated time over real time.
        minutes: real minutes to run; None until stopped.
        port: of the pages.
        browser: open them.
        seed: of the simulation.
        stop: ends the demo when set.
        tell: prints a line.
        keep: the file in which its database stays; None: it goes with the demo.

    Raises:
        FailureError: a part could not be started, or what was recorded is not whole or cannot be kept.
        InputError: what shall be kept has no place.
    """
    if keep is not None and (keep.exists() or not keep.parent.is_dir()):
        raise InputError(f"{keep}: name a new file in a folder that exists.")
    if answers(port):
        raise FailureError(f"Port {port} is taken. Name another with --port.")
    with tempfile.TemporaryDirectory(prefix="benchward-demo-", ignore_cleanup_errors=True) as name:
        folder = Path(name)
        folder.chmod(0o755)
        with local_broker(folder) as broker_port:
            settings = demo_settings(settings, folder, broker_port)
            people = folder / "people.db"
            _add_people(people)
            token = _add_program(people)
            pages = [sys.executable, "-m", "dashboard", "--port", str(port), "--people", str(people)]
            pages += ["--db", str(folder / "demo.db"), "--broker", f"127.0.0.1:{broker_port}"]
            with _running(pages, folder / "pages.log") as process:
                _wait_for(port, process, "the dashboard")
                url = f"http://127.0.0.1:{port}/"
                tell(f"The bench is at {url} (simulated, {speed:g} times real time). Ctrl-C ends it.")
                who = ", ".join(f"{name} ({role}, PIN {pin})" for name, role, pin in DEMO_PEOPLE)
                tell(f"Sign in there as {who}.")
                tell(f"A program reads it so: curl -H 'Authorization: Bearer {token}' {url}api/v1/units")
                tell(
                    f"Its broker is at 127.0.0.1:{broker_port} (station {settings.station.id}), "
                    f"its database is {folder / 'demo.db'}; --keep FILE keeps the database when it ends."
                )
                if browser:
                    webbrowser.open(url)
                station = _morning(settings, book, speed, minutes, seed, stop, tell)
        _summary(station, folder / "demo.db", tell)
        if keep is not None:
            copied = back_up(folder / "demo.db", keep)
            tell(f"Kept as {copied.path}: see `benchward units --db {copied.path}`.")


def _morning(
    settings: Settings, book: Book, speed: float, minutes: float | None, seed: int, stop: threading.Event,
    tell: Tell,
) -> Station:  # fmt: skip
    station, plant, clock = simulated_station(settings, book, speed=speed, seed=seed)
    timer = threading.Timer((minutes or 0) * 60, stop.set)
    timer.daemon = True
    broker = settings.broker
    with station:
        end_s = time.monotonic() + READY_S
        while station.link is not None and not station.link.up and time.monotonic() < end_s:
            time.sleep(0.01)
        with Asker(broker.host, broker.port, settings.station.id, "technician") as asker:
            hands = Hands(plant, clock, asker.ask, tell, stop)
            thread = threading.Thread(target=work, args=(hands,), name="technician", daemon=True)
            thread.start()
            if minutes is not None:
                timer.start()
            begun_s, ticked = time.monotonic(), station.daemon.ticks
            try:
                station.run(stop)
            finally:
                stop.set()
                timer.cancel()
                thread.join(END_S)
            ticked_s = (station.daemon.ticks - ticked) * settings.station.tick_s
            _tell_pace(ticked_s, time.monotonic() - begun_s, speed, tell)
    return station


def _tell_pace(simulated_s: float, real_s: float, asked: float, tell: Tell) -> None:
    """Say so where this machine could not run as fast as was asked."""
    kept = simulated_s / real_s if real_s else asked
    if kept < KEPT_UP * asked:
        tell(f"This machine kept up {kept:.0f} of the {asked:g} times real time that were asked for.")


def _summary(station: Station, db: Path, tell: Tell) -> None:
    with History(db) as history:
        counts, verdict = history.counts(), history.verify()
        units = history.units()
    acknowledged = station.link.acknowledged if station.link is not None else 0
    tell("")
    tell(
        f"Recorded: {counts['readings']} readings (one a second), {counts['events']} events, "
        f"{counts['alarms']} alarms, {counts['units']} units; "
        f"{acknowledged} messages acknowledged by the broker."
    )
    tell(f"Ticks: {station.daemon.ticks}, missed {station.daemon.missed}.")
    for unit in units:
        steps = ", ".join(f"{step['step']} {step['result']}" for step in unit["steps"]) or "no step yet"
        tell(f"  {unit['unit']} ({unit['outcome']}): {steps}")
    if verdict.problem is not None:
        raise FailureError(f"The recorded chain breaks: {verdict.problem}.")
    tell(f"Chain of {verdict.count} events unbroken; head {verdict.head}")
