"""A bench under attack: station, broker with roles, pages; and whether the bench minded.

All is as in a workshop: Mosquitto on the files of `deploy/broker-files` (TLS, passwords, roles), the station and
the pages as processes of their own. The iron has its permit, nobody works. What an attack may never do: stop the
heartbeat, take or give the permit, put into the record what nobody may ask, or leave the bench unable to answer.
"""

import itertools
import os
import socket
import ssl
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import NamedTuple

import msgspec
from live import free_port, wait_until
from observed import Pins, page_text
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from secured import SecuredBroker

from shared.broker_access import BrokerAccess
from shared.history import History
from shared.messages import topic
from station.link.asking import Asker

ROOT = Path(__file__).resolve().parents[2]
NAME = "bench-1"
# The heartbeat turns with each tick, 100 ms; three of them may pass on a machine that others use too.
LONGEST_BEAT_S = 0.3
GROWN_AT_MOST_MB = 60.0


class Attack(NamedTuple):
    """What is done, and what of it may stand in the record.

    ``act``: does it, as hard as ``seconds`` allow; how often what was done. ``records``: kinds of events that
    may come of it.
    """

    name: str
    act: Callable[["Besieged", float], Counter[str]]
    records: frozenset[str] = frozenset()


class Outcome(NamedTuple):
    """How the bench took an attack: what was done and found, and what must not have been."""

    name: str
    counts: dict[str, int]
    figures: dict[str, float]
    wrong: list[str]


class Besieged:
    """The bench; use as a context manager."""

    def __init__(self, folder: Path) -> None:
        """Nothing is started; ``folder`` must be reachable for the user mosquitto."""
        self.folder, self._parts = folder, ExitStack()
        folder.chmod(0o755)
        self.broker = SecuredBroker(folder)
        self.db, self.log = folder / "bench.db", folder / "station.log"
        self.page_port = free_port()
        self.pins = Pins(folder / "pins")

    def __enter__(self) -> "Besieged":
        try:
            self._parts.callback(self.broker.end)
            self.broker.start()
            files = self.broker.files
            settings = self.folder / "settings.toml"
            settings.write_text(
                f'[station]\nid = "{NAME}"\n[broker]\nhost = "localhost"\nport = {self.broker.port}\n'
                f'user = "{NAME}"\npassword_file = "{files}/{NAME}.password"\nca_file = "{files}/ca.crt"\n'
                f'[journal]\npath = "{self.db}"\nbatch_s = 1.0\n[limits.extraction]\nproof_s = 1.0\n'
            )
            command = [
                sys.executable, Path(__file__).with_name("reachable.py"), self.folder / "pins", "--settings", settings,
                "run", "--simulate",
            ]  # fmt: skip
            # Before others, as its service is.
            self.station = self._started(["nice", "-n", "-5", *command], self.log, stdin=subprocess.PIPE)
            self._parts.callback(self.station.stdin.close)
            wait_until(lambda: self.pins.look().edges.get("heartbeat"), 40, "the station")
            self.station.stdin.write(b"fan on\n")
            self.station.stdin.flush()
            wait_until(lambda: self.pins.look().level("permit"), 20, "the permit")
            people = self.folder / "people.db"
            self._add_lead(people)
            self.pages = self._started(
                [
                    sys.executable, "-m", "dashboard", "--port", str(self.page_port), "--broker",
                    f"localhost:{self.broker.port}", "--user", "dashboard", "--password-file",
                    files / "dashboard.password", "--ca-file", files / "ca.crt", "--people", people, "--db", self.db,
                ],
                self.folder / "pages.log",
            )  # fmt: skip
            wait_until(lambda: page_text(f"http://127.0.0.1:{self.page_port}/healthz"), 40, "the pages")
        except BaseException:
            self._parts.close()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        self._parts.close()

    def _started(self, command, log: Path, **options) -> subprocess.Popen:
        with log.open("ab") as out:
            process = subprocess.Popen([str(w) for w in command], cwd=ROOT, stdout=out, stderr=out, **options)
        self._parts.callback(process.wait, 40)
        self._parts.callback(process.terminate)
        return process

    def _add_lead(self, people: Path) -> None:
        subprocess.run(
            [sys.executable, "-m", "station", "user", "add", "S-9", "--role", "safety-lead",
             "--password-stdin", "--people", people],
            cwd=ROOT, input="a long enough password", text=True, capture_output=True, check=True,
        )  # fmt: skip

    def access(self, role: str) -> BrokerAccess:
        """How a role gets into the broker."""
        files = self.broker.files
        return BrokerAccess(role, str(files / f"{role}.password"), str(files / "ca.crt"))

    def client(self, role: str, name: str = "", **options) -> mqtt.Client:
        """A connected client in a role, its network thread running."""
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2, name, protocol=mqtt.MQTTv5, reconnect_on_failure=False
        )
        self.access(role).open(client)
        client.max_inflight_messages_set(1000)
        client.connect("localhost", self.broker.port, **options)
        client.loop_start()
        wait_until(client.is_connected, 10, f"a connection as {role}")
        return client

    def plain_socket(self):
        """A TLS connection to the broker on which nothing has been said."""
        context = ssl.create_default_context(cafile=str(self.broker.files / "ca.crt"))
        return context.wrap_socket(
            socket.create_connection(("localhost", self.broker.port), 5), server_hostname="localhost"
        )

    def events(self) -> list[dict]:
        """What is on record."""
        with History(self.db) as history:
            return [dated.to_dict() for dated in history.events()]

    def answers(self) -> bool:
        """Whether an honest asker is answered within ten seconds."""
        with Asker("localhost", self.broker.port, NAME, "honest", self.access("job-system")) as asker:
            return asker.ask("silence", timeout_s=10) is not None

    def suffer(self, attack: Attack, seconds: float) -> Outcome:
        """One attack, and what the bench made of it."""
        recorded, began_s = len(self.events()), time.monotonic()
        memory = {"station": resident_mb(self.station.pid), "pages": resident_mb(self.pages.pid)}
        wrong: list[str] = []
        counts: Counter[str] = Counter()
        try:
            counts = attack.act(self, seconds)
        except AssertionError as error:
            wrong.append(str(error))
        try:
            wait_until(self.answers, 30, "an answer to an honest asker")
        except Exception as error:  # whatever it is that keeps the honest out
            wrong.append(f"an honest asker gets no answer: {error!r}")
        ended_s = time.monotonic()
        if not page_text(f"http://127.0.0.1:{self.page_port}/bench/{NAME}"):
            wrong.append("the bench's page is not served afterwards")
        self.pins.look()
        beats = [edge.machine_s for edge in self.pins.edges["heartbeat"]]
        looked_at = [began_s, *(at for at in beats if began_s <= at <= ended_s), ended_s]
        longest_s = max(after - before for before, after in itertools.pairwise(looked_at))
        if longest_s > LONGEST_BEAT_S:
            wrong.append(f"no heartbeat for {longest_s:.2f} s")
        if not self.pins.level("permit"):
            wrong.append("the permit went")
        if self.pins.fell_after("permit", began_s) is not None:
            wrong.append("the permit went meanwhile")
        new = Counter(event["kind"] for event in self.events()[recorded:])
        # The honest asker's own request is refused: nothing sounds.
        for kind in set(new) - attack.records - {"request-refused"}:
            wrong.append(f"recorded: {new[kind]} {kind}")
        grown = {
            name: resident_mb(process.pid) - memory[name]
            for name, process in (("station", self.station), ("pages", self.pages))
        }
        wrong += [f"{name} grew by {mb:.0f} MB" for name, mb in grown.items() if mb > GROWN_AT_MOST_MB]
        figures = {
            "seconds": round(ended_s - began_s, 1),
            "longest_beat_s": round(longest_s, 3),
            "recorded": sum(new.values()),
            **{f"{name}_grew_mb": round(mb, 1) for name, mb in grown.items()},
        }
        return Outcome(attack.name, dict(counts), figures, wrong)

    def state(self) -> dict:
        """The newest snapshot that the station shows."""
        got: list[bytes] = []
        watcher = self.client("dashboard")
        watcher.on_message = lambda _c, _d, message: got.append(message.payload)
        watcher.subscribe(topic(NAME, "state"), qos=1)
        try:
            wait_until(lambda: len(got) > 1, 20, "two snapshots")
            return msgspec.json.decode(got[-1])
        finally:
            watcher.disconnect()
            watcher.loop_stop()


def resident_mb(pid: int) -> float:
    """Memory that a process holds, in MB (Linux, /proc/PID/statm)."""
    with suppress(FileNotFoundError):
        pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
        return pages * os.sysconf("SC_PAGE_SIZE") / 1e6
    return 0.0


def besiege(attacks: tuple[Attack, ...], folder: Path, seconds: float, tell=lambda _: None) -> list[Outcome]:
    """Every attack on one bench, one after another; at the end the chain is whole and no tick was missed."""
    outcomes = []
    with Besieged(folder) as bench:
        first = bench.state()
        for attack in attacks:
            outcomes.append(bench.suffer(attack, seconds))
            tell(outcomes[-1])
        last = bench.state()
        missed = last["ticks_missed"] - first["ticks_missed"]
        with History(bench.db) as history:
            problem = history.verify().problem
        wrong = [f"{missed} ticks missed"] if missed else []
        wrong += [] if problem is None else [f"chain: {problem}"]
        wrong += [] if last["boot"] == first["boot"] else ["the station was started again"]
        figures = {"ticks": last["ticks"] - first["ticks"], "ticks_missed": missed}
        outcomes.append(Outcome("at the end", {}, figures, wrong))
    log = bench.log.read_text(errors="replace")
    if "Traceback" in log:
        outcomes.append(
            Outcome("the station's log", {}, {}, ["a traceback: " + log[log.index("Traceback") :][:1500]])
        )
    return outcomes
