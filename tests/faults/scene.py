"""A bench on which one fault is brought about: the station as a process, its broker, its card, its page.

A row of the table is words; here stands what each word does. Everything is real but the wires: the command
`benchward run --simulate` with its threads, Mosquitto, a SQLite file on a disk, the dashboard's process.
"""

import datetime as dt
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections import Counter
from contextlib import ExitStack, closing, suppress
from pathlib import Path

import msgspec
from collecting import Running
from fault import NO_PAGE, NOTHING, Fault, Seen
from guarded import GuardedBroker, certify, leading_nowhere
from live import Broker, Listener, free_port, wait_until
from observed import Pins, count_of, in_state, matches, page_text
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from shared.history import History
from shared.messages import topic
from station.link.asking import Asker

ROOT = Path(__file__).resolve().parents[2]
FAKETIME = sorted(Path("/usr/lib").glob("*/faketime/libfaketime.so.1"))
COMMON: dict[str, object] = {
    # Shorter than on a bench, so that a row takes seconds. What is judged by them stands in the rows.
    "limits.extraction.proof_s": 1.0,
    "limits.alarms.journal_delay_s": 1.0,
    "limits.alarms.link_delay_s": 1.0,
    "journal.batch_s": 1.0,
}
PLACES = ("outputs", "journal", "broker", "page", "log")
DAY = dt.timedelta(days=1)


class NotHereError(Exception):
    """The fault cannot be brought about on this machine; says why."""


class World:
    """A broker and the pages over it. Rows that leave the broker alone share one."""

    def __init__(self, folder: Path, kind: str = "") -> None:
        """Start both.

        Args:
            folder: for their files.
            kind: `password`, `allowed` (an ACL), `tls`: a broker with such a door; `absent`: none yet;
                `nowhere`: an address whose packets vanish; otherwise an open one.
        """
        self.folder, self.kind, self._parts = folder, kind, ExitStack()
        folder.mkdir(parents=True, exist_ok=True)
        folder.chmod(0o777)
        with ExitStack() as undo:
            undo.callback(self.close)
            self.broker = self._made()
            self.port = self.broker.door.port if type(self.broker) is Broker else self.broker.door_port
            if kind == "nowhere":
                self.port = self._parts.enter_context(leading_nowhere())
            self.listener: Listener | None = None
            if kind != "absent":
                self.start_broker()
            self.page_port = free_port()
            self._pages: subprocess.Popen | None = None
            self.serve()
            undo.pop_all()

    def _made(self) -> Broker:
        door = {
            "password": ("allow_anonymous false", "password_file {folder}/passwords"),
            "allowed": ("allow_anonymous true", "acl_file {folder}/acl"),
            "tls": ("allow_anonymous true", "certfile {folder}/broker.crt", "keyfile {folder}/broker.key"),
        }.get(self.kind)
        if door is None:
            return Broker(self.folder)
        broker = GuardedBroker(self.folder, *door)
        if self.kind == "password":
            broker.set_password("old")
            (self.folder / "word").write_text("new\n")
        elif self.kind == "allowed":
            broker.acl.write_text("topic write benchward/v1/+/status\n")
        else:
            certify(self.folder, DAY, 2 * DAY)
        return broker

    def start_broker(self) -> None:
        """Start it and let somebody listen; what was heard before is kept."""
        before = [] if self.listener is None else self.listener.heard
        self.broker.start()
        self.listener = Listener(self.broker.port)
        self.listener.heard[:0] = before
        self.broker.door.open()

    def stop_broker(self, number: int) -> None:
        """End it by a signal."""
        if self.listener is not None:
            self.listener.close()
        self.broker.end(number)

    def serve(self) -> None:
        """Start the pages; harmless where they run."""
        if self._pages is not None and self._pages.poll() is None:
            return
        command = [sys.executable, "-m", "dashboard", "--port", str(self.page_port)]
        with (self.folder / "pages.log").open("ab") as log:
            self._pages = subprocess.Popen(
                [*command, "--broker", f"127.0.0.1:{self.broker.port}"], cwd=ROOT, stdout=log, stderr=log
            )
        wait_until(lambda: page_text(f"http://127.0.0.1:{self.page_port}/"), 40, "the pages")

    def end_pages(self, number: int) -> None:
        """End them by a signal."""
        if self._pages is not None and self._pages.poll() is None:
            self._pages.send_signal(number)
            self._pages.wait(15)

    def close(self) -> None:
        """End both."""
        if hasattr(self, "_pages"):
            self.end_pages(signal.SIGTERM)
        if getattr(self, "listener", None) is not None:
            self.listener.close()
        if hasattr(self, "broker"):
            self.broker.end(signal.SIGKILL)
        self._parts.close()


class Scene:
    """One station, and whoever does to it what a row says. Use as a context manager."""

    def __init__(self, row: Fault, world: World, folder: Path) -> None:
        """Write its settings; nothing is started."""
        self.row, self.world, self.folder, self.name = row, world, folder, row.name
        folder.mkdir(parents=True, exist_ok=True)
        self.card = folder / "card"
        self.card.mkdir()
        self.db, self.log = self.card / "bench.db", folder / "station.log"
        self.settings = folder / "settings.toml"
        self.process: subprocess.Popen | None = None
        self.code: int | None = None
        self.pins = Pins(folder / "pins-0")
        self._starts = 0
        self._said = 0
        self._heard, self._events, self._state, self._status = 0, [], {}, {}
        self._undo = ExitStack()
        self._held: dict[str, sqlite3.Connection] = {}
        self._asker: Asker | None = None
        self._collector: Running | None = None
        self._collected = folder / "collected.db"
        self._preload: dict[str, str] = {}
        self.began_s = self.began_station_s = 0.0
        self._wall = folder / "wall"
        self._wall.write_text("+0s\n")
        self._write_settings()

    def _write_settings(self) -> None:
        values: dict[str, object] = {
            "station.id": self.name, "journal.path": str(self.db), "broker.port": self.world.port, **COMMON,
        }  # fmt: skip
        if self.world.kind == "password":
            values |= {"broker.user": "bench-1", "broker.password_file": str(self.world.folder / "word")}
        if self.world.kind == "tls":
            values |= {"broker.host": "localhost", "broker.ca_file": str(self.world.folder / "ca.crt")}
        values |= {
            k: str(v).format(folder=self.folder) if isinstance(v, str) else v
            for k, v in self.row.settings.items()
        }
        sections: dict[str, list[str]] = {}
        for key, value in values.items():
            section, _, name = key.rpartition(".")
            sections.setdefault(section, []).append(f"{name} = {msgspec.json.encode(value).decode()}")
        self.settings.write_text("".join(f"[{s}]\n" + "\n".join(ls) + "\n" for s, ls in sections.items()))

    def __enter__(self) -> "Scene":
        return self

    def __exit__(self, *_: object) -> None:
        if self._asker is not None:
            self._asker.close()
        if self.process is not None:
            self.process.kill()
            self.process.wait(10)
            assert self.process.stdin is not None
            with suppress(BrokenPipeError):
                self.process.stdin.close()
        for held in self._held.values():
            held.close()
        if self._collector is not None:
            self._collector.end(signal.SIGKILL)
        self._undo.close()

    # Words ------------------------------------------------------------------------------------------------

    def do(self, words: tuple[str, ...]) -> None:
        """Do what a row says, one word after another."""
        for word in words:
            verb, _, rest = word.partition(" ")
            getattr(self, f"do_{verb.replace('-', '_')}")(rest)

    def begin(self) -> None:
        """From here on it counts: the fault is brought about now."""
        self.began_s, self.began_station_s = time.monotonic(), self.pins.look().now_s

    def do_station(self, what: str) -> None:
        """Start it; end it by a signal; stop it for some seconds and let it go on; start a second one."""
        verb, _, rest = what.partition(" ")
        if verb == "start":
            self._start()
            if rest != "in vain":
                wait_until(
                    lambda: self.pins.look().edges.get("heartbeat") or self._ended(), 40, "the station"
                )
        elif verb == "freeze":
            self._freeze(float(rest))
        elif verb == "second":
            log = self.folder / "second.log"
            with log.open("wb") as out:
                second = subprocess.run(
                    [sys.executable, "-m", "station", "--settings", self.settings, "run", "--simulate"],
                    cwd=ROOT, stdout=out, stderr=out, timeout=40,
                )  # fmt: skip
            assert second.returncode == 1, f"the second station ended with {second.returncode}"
            with self.log.open("a") as into:
                into.write(log.read_text())
        else:
            assert self.process is not None
            self.process.send_signal(getattr(signal, f"SIG{verb.upper()}"))
            self.process.wait(30)

    def _start(self) -> None:
        if self.process is not None and self.process.poll() is None:
            raise AssertionError("the station runs already")
        if self.process is not None and self.process.stdin is not None:
            with suppress(BrokenPipeError):
                self.process.stdin.close()
        self._starts += 1
        self._hear()
        self._state = {}
        self.pins = Pins(self.folder / f"pins-{self._starts}")
        command = [
            sys.executable,
            str(Path(__file__).with_name("reachable.py")),
            str(self.folder / f"pins-{self._starts}"),
        ]
        command += ["--settings", str(self.settings), "run", "--simulate", "--speed", str(self.row.speed)]
        env = os.environ | self._preload
        if self.row.kind == "clock":
            if not FAKETIME:
                raise NotHereError("libfaketime is not installed: apt-get install faketime")
            env |= {
                "LD_PRELOAD": str(FAKETIME[0]), "FAKETIME_TIMESTAMP_FILE": str(self._wall),
                "FAKETIME_CACHE_DURATION": "1", "DONT_FAKE_MONOTONIC": "1", "FAKETIME_DONT_FAKE_MONOTONIC": "1",
            }  # fmt: skip
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                command, cwd=ROOT, stdin=subprocess.PIPE, stdout=log, stderr=log, env=env, text=True
            )

    def _ended(self) -> bool:
        return self.process is not None and self.process.poll() is not None

    def _freeze(self, seconds: float) -> None:
        assert self.process is not None
        self.process.send_signal(signal.SIGSTOP)
        began_s = time.monotonic()
        time.sleep(seconds)
        beats = self.pins.look().beats(began_s + 0.3)
        self.process.send_signal(signal.SIGCONT)
        assert beats == 0, f"{beats} heartbeats came of a station that was stopped"

    def do_wire(self, words: str) -> None:
        """Something befalls the wires, inside the station."""
        assert self.process is not None
        assert self.process.stdin is not None
        done = len(self.pins.look().done)
        self.process.stdin.write(f"{words}\n")
        self.process.stdin.flush()
        wait_until(lambda: len(self.pins.look().done) > done, 10, f"that {words!r} was done")
        assert not self.pins.failed, self.pins.failed

    def do_ask(self, text: str) -> None:
        """A request that must be accepted."""
        answer = self._answer(text)
        assert answer.accepted, f"{text}: {answer.reasons}"

    def do_ask_unanswered(self, text: str) -> None:
        """A request that nobody may answer, since it is not on record."""
        assert self._hand().ask(text, timeout_s=3) is None, f"{text}: answered, and not on record"

    def do_refused(self, words: str) -> None:
        """A request that must be refused: `reason request`."""
        reason, _, text = words.partition(" ")
        answer = self._answer(text)
        assert reason in answer.reasons, f"{text}: accepted {answer.accepted}, {answer.reasons}"

    def _hand(self) -> Asker:
        if self._asker is None:
            self._asker = Asker("127.0.0.1", self.world.broker.port, self.name, f"hand-{self.name}")
        return self._asker

    def _answer(self, text: str):
        self.do_until("heard")
        answer = self._hand().ask(text, timeout_s=10)
        assert answer is not None, f"no answer to {text!r}"
        return answer

    def do_soldering(self, _: str) -> None:
        """The station runs, and somebody solders with proven extraction."""
        self.do(("station start", "wire fan on", "until permit", "ask sign-in technician=T-4",
                 "ask book-in unit=U-1 model=m", "ask start step=solder"))  # fmt: skip

    def do_heating(self, _: str) -> None:
        """The station runs with its permit, and a panel is heated to the step's setpoint."""
        self.do(("station start", "wire fan on", "until permit", "ask book-in unit=U-1 model=m",
                 "wire heat 90", "wait 0.5", "ask start step=separate", "wire heat 100",
                 "until event plate-at-setpoint"))  # fmt: skip

    def do_until(self, what: str) -> None:
        """Wait for the permit, an event on disk, a reading on the broker, or words in the log."""
        verb, _, rest = what.partition(" ")
        looks = {
            "permit": lambda: self.pins.look().level("permit"),
            "event": lambda: count_of(rest, self.recorded()),
            "heard": lambda: self._hear() or self._state,
            "log": lambda: rest in self.log.read_text(errors="replace"),
            "page": lambda: rest in self.page(),
        }
        wait_until(looks[verb], 40, f"{what!r}")

    def do_wait(self, seconds: str) -> None:
        """Let the machine's time pass."""
        time.sleep(float(seconds))

    def do_pages(self, what: str) -> None:
        """Kill, freeze or thaw the pages, or start them again."""
        if what == "start":
            self.world.serve()
        elif what == "kill":
            self._undo.callback(self.world.serve)  # the next row wants them
            self.world.end_pages(signal.SIGKILL)
        else:
            raise ValueError(what)

    def do_collector(self, what: str) -> None:
        """Start a collector of all that the broker passes on, or kill it."""
        if what == "start":
            to = f"sqlite:///{self._collected}"
            self._collector = Running(self.folder, self.world.broker.port, to, f"collector-{self.name}")
        elif what == "kill":
            assert self._collector is not None
            self._collector.end(signal.SIGKILL)
        else:
            raise ValueError(what)

    def do_broker(self, what: str) -> None:
        """Kill, stop, freeze, thaw or start it; let the station in; let it publish; a valid certificate."""
        broker = self.world.broker
        if what == "start":
            self.world.start_broker()
        elif what in ("kill", "stop"):
            # What it has acknowledged dies with it: only what is said from here on must come through.
            wait_until(lambda: not self._not_heard(), 20, "that all events were heard")
            self.world.stop_broker(signal.SIGKILL if what == "kill" else signal.SIGTERM)
        elif what in ("freeze", "thaw"):
            broker._process.send_signal(signal.SIGSTOP if what == "freeze" else signal.SIGCONT)
        elif what == "let in":
            broker.set_password("new")
            broker.signal(signal.SIGHUP)
        elif what == "let publish":
            broker.acl.write_text("topic write benchward/#\ntopic read benchward/#\n")
            broker.signal(signal.SIGHUP)
        elif what.startswith("limit"):
            with broker._config.open("a") as config:
                config.write(f"message_size_limit {what.split()[1]}\n")
            broker.signal(signal.SIGHUP) if hasattr(broker, "signal") else broker._process.send_signal(
                signal.SIGHUP
            )
        elif what == "certify":
            certify(self.world.folder, -DAY, DAY)
            broker.signal(signal.SIGHUP)
        elif what == "certify expired":
            self.world.stop_broker(signal.SIGTERM)
            certify(self.world.folder, -2 * DAY, -DAY)
            self.world.start_broker()
        else:
            raise ValueError(what)

    def do_card(self, what: str) -> None:
        """What befalls the card on which the journal is."""
        verb, _, rest = what.partition(" ")
        getattr(self, f"_card_{verb.replace('-', '_')}")(rest)

    def _card_small(self, megabytes: str) -> None:
        if os.geteuid() != 0:
            raise NotHereError("a card of its own wants root (mount)")
        made = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", f"size={megabytes}m", "tmpfs", self.card],
            capture_output=True,
            text=True,
        )
        if made.returncode:
            raise NotHereError(f"no card can be mounted here: {made.stderr.strip()}")
        self._undo.callback(subprocess.run, ["umount", "-l", str(self.card)], check=False)

    def _card_full(self, _: str) -> None:
        with suppress(OSError), (self.card / "filler").open("wb", buffering=0) as filler:
            while True:
                filler.write(bytes(4096))

    def _card_room(self, _: str) -> None:
        (self.card / "filler").unlink()

    def _card_read_only(self, _: str) -> None:
        subprocess.run(["mount", "-o", "remount,ro", self.card], check=True, capture_output=True)

    def _card_writable(self, _: str) -> None:
        subprocess.run(["mount", "-o", "remount,rw", self.card], check=True, capture_output=True)

    def _connect(self, name: str) -> sqlite3.Connection:
        self._held[name] = sqlite3.connect(self.db, isolation_level=None, check_same_thread=False)
        return self._held[name]

    def _card_failable(self, _: str) -> None:
        """The card of the station started next is as slow, and fails as, it is told to: not at all at first."""
        compiler = shutil.which("cc")
        if compiler is None:
            raise NotHereError("a card that fails wants a C compiler: apt-get install gcc libc6-dev")
        library, source = self.folder / "bad_card.so", Path(__file__).with_name("bad_card.c")
        subprocess.run([compiler, "-shared", "-fPIC", "-o", library, source, "-ldl"], check=True)
        self._preload = {"LD_PRELOAD": str(library), "BAD_CARD_FILE": str(self.folder / "bad-card")}
        self._fail_card("0 0")

    def _fail_card(self, text: str) -> None:
        fresh = self.folder / "bad-card.new"
        fresh.write_text(text)
        fresh.replace(self.folder / "bad-card")

    def _card_slow(self, seconds: str) -> None:
        self._fail_card(f"{seconds} 0")

    def _card_errno(self, number: str) -> None:
        self._fail_card(f"0 {number}")

    def _card_lock(self, _: str) -> None:
        self._connect("lock").execute("BEGIN IMMEDIATE")

    def _card_unlock(self, _: str) -> None:
        self._held.pop("lock").close()

    def _card_reader(self, _: str) -> None:
        reader = self._connect("reader")
        reader.execute("BEGIN")
        assert reader.execute("SELECT count(*) FROM events").fetchone()

    def _card_leaves(self, _: str) -> None:
        self._held.pop("reader").close()

    def _card_garbled(self, _: str) -> None:
        """Every page but the first is noise, as a card leaves behind that lost its map."""
        for beside in ("-wal", "-shm"):
            self.db.with_name(self.db.name + beside).unlink(missing_ok=True)
        size = self.db.stat().st_size
        with self.db.open("r+b") as file:
            file.seek(4096)
            file.write(random.Random(7).randbytes(size - 4096))

    def _card_no_database(self, _: str) -> None:
        self.db.write_bytes(random.Random(7).randbytes(8192))

    def _card_newer(self, _: str) -> None:
        with sqlite3.connect(self.db) as made:
            made.execute("PRAGMA user_version = 9999")
        made.close()

    def do_clock(self, what: str) -> None:
        """Step the wall clock by seconds, start it in 1970, or let the machine say that it is set."""
        if what == "set":
            (self.folder / "synchronised").touch()
        elif what == "1970":
            self._wall.write_text(f"{-time.time() + 60:+f}s\n")
        else:
            self._wall.write_text(f"{float(what):+f}s\n")

    def do_publish(self, what: str) -> None:
        """A request no station should act on."""
        requests, client = topic(self.name, "requests"), self.world.listener.client
        properties = Properties(PacketTypes.PUBLISH)
        properties.ResponseTopic, properties.CorrelationData = f"benchward/v1/answers/{self.name}", b"1"
        payload, retain, times = {
            "nonsense": (b"make tea=now", False, 1),
            "broken JSON": (b'{"verb": "sign-in", "technician": ', False, 1),
            "deep JSON": (b"[" * 3000, False, 1),
            "bytes": (bytes(range(128, 256)), False, 1),
            "long": (b"sign-in technician=" + b"T" * 100_000, False, 1),
            "huge": (b"sign-in technician=" + b"T" * 3_000_000, False, 1),
            "retained": (b"sign-in technician=T-9", True, 1),
            "twice": (b"sign-in technician=T-9", False, 2),
            "clear": (b"", True, 1),
        }[what]  # fmt: skip
        for _ in range(times):
            client.publish(requests, payload, qos=1, retain=retain, properties=properties).wait_for_publish(
                10
            )

    def do_settings(self, what: str) -> None:
        """Break the settings file: a line replaced, or the whole of it."""
        text = self.settings.read_text()
        broken = {
            "syntax": text + "this is no line of TOML\n",
            "unknown": text.replace("[station]\n", "[station]\nidentity = 1\n"),
            "type": text.replace("[station]\n", '[station]\ntick_s = "soon"\n'),
            "range": text.replace("[station]\n", "[station]\ntick_s = 30.0\n"),
            "contradiction": text.replace("proof_s", "proven_a = 0.1\nlost_a = 0.2\nproof_s"),
            "pins": text + "[wires.pins]\nred = 21\n",
        }
        if what == "gone":
            self.settings.unlink()
        else:
            self.settings.write_text(broken[what])

    def do_calibrated(self, due: str) -> None:
        """A calibration is on record that held until then."""
        from shared import events
        from shared.timeline import Moment
        from station.journal.ledger import Ledger, Told

        ledger = Ledger(self.db)
        values = {"gain": 1.0, "offset_c": 0.0}
        body = events.Calibrated(channel="plate", due=due, technician="S-1", values=values)
        ledger.write([Told(Moment("before", 0), (body,))])
        ledger.close()

    # What is seen -----------------------------------------------------------------------------------------

    def recorded(self) -> list[dict]:
        """Every event on disk; nothing while the file cannot be read."""
        with suppress(Exception), History(self.db) as history:
            return [dated.to_dict() for dated in history.events()]
        return []

    def _hear(self) -> None:
        if self.world.listener is None:
            return
        heard = self.world.listener.heard
        base = topic(self.name, "")
        while self._heard < len(heard):
            message = heard[self._heard]
            self._heard += 1
            if not message.topic.startswith(base) or not message.payload:
                continue
            leaf = message.topic[len(base) :]
            if leaf in ("state", "status", "events"):
                told = msgspec.json.decode(message.payload)
                if leaf == "events":
                    self._events.append(told["data"])
                elif leaf == "state":
                    self._state = told
                else:
                    self._status = told

    def page(self) -> str:
        """The words of the bench's page."""
        return page_text(f"http://127.0.0.1:{self.world.page_port}/bench/{self.name}")

    def watch(self, seen: Seen) -> dict[str, list[str]]:
        """Look until all is seen or time is up; by place, what was not seen (empty: all was)."""
        wanted = self._questions(seen)
        missing = {place: list(questions) for place, questions in wanted.items()}
        end_s = time.monotonic() + seen.within_s
        while any(missing.values()) and time.monotonic() < end_s:
            self.pins.look()
            self._hear()
            recorded = self.recorded() if missing.get("journal") else []
            page = self.page() if missing.get("page") else ""
            log = self.log.read_text(errors="replace") if missing.get("log") else ""
            for place in missing:
                missing[place] = [q for q in missing[place] if not wanted[place][q](recorded, page, log)]
            time.sleep(0.05)
        final = self.recorded()
        for pattern in seen.never:
            if count_of(pattern, final):
                missing.setdefault("journal", []).append(f"must not be: {pattern}")
        return missing

    def _questions(self, seen: Seen) -> dict[str, dict]:
        """By place, what is asked: a text, and how to answer it by journal, page and log."""
        asked: dict[str, dict] = {place: {} for place in PLACES}
        outputs, pins = asked["outputs"], self.pins
        if seen.light:
            outputs[f"light {seen.light}"] = lambda *_: pins.light() == seen.light
        if seen.sound:
            outputs[f"sound {seen.sound}"] = lambda *_: seen.sound in pins.sound(self.began_station_s)
        if seen.permit is not None:
            outputs[f"permit {seen.permit}"] = lambda *_: pins.level("permit") == seen.permit
        if seen.no_later_s:
            outputs[f"permit fell within {seen.no_later_s} s"] = lambda *_: (
                (pins.fell_after("permit", self.began_s) or 9e9) * self.row.speed <= seen.no_later_s
            )
        if seen.heartbeat:
            wanted = range(6, 10**9) if seen.heartbeat == "beats" else range(1)
            outputs[f"heartbeat {seen.heartbeat}"] = lambda *_: pins.beats(time.monotonic() - 1.0) in wanted
        if seen.exits is not None:
            outputs[f"exit code {seen.exits}"] = lambda *_: (
                self._ended() and self.process.returncode == seen.exits
            )
        for pattern in seen.events:
            asked["journal"][pattern] = lambda recorded, *_, p=pattern: count_of(p, recorded)
            if self.can_be_heard and not pattern[0].isdigit():
                asked["broker"][pattern] = lambda *_, p=pattern: any(matches(p, e) for e in self._events)
        for pattern in seen.broker:
            if pattern.startswith("status "):
                asked["broker"][pattern] = lambda *_, p=pattern: all(
                    in_state(w, self._status) for w in p.split()[1:]
                )
            else:
                asked["broker"][pattern] = lambda *_, p=pattern: in_state(p, self._state)
        for words in seen.page:
            asked["page"][words] = lambda _, page, __, w=words: (w in page) if w != NO_PAGE else not page
        for words in seen.log:
            asked["log"][words] = lambda _, __, log, w=words: w in log
        return asked

    @property
    def can_be_heard(self) -> bool:
        """Whether the broker takes the station's events now: not where the fault is that it does not."""
        return not self.row.broker

    def finish(self) -> list[str]:
        """End the station in order; what was lost by then: events, the chain, safe outputs, an orderly end."""
        lost = []
        if self.row.end is not None and self.process is not None:
            before_s = time.monotonic()
            self.process.send_signal(signal.SIGTERM)
            code = self.process.wait(40)
            log = self.log.read_text(errors="replace")
            if code != self.row.end:
                lost.append(f"ended with {code} after {time.monotonic() - before_s:.1f} s")
            if "outputs read back at the end: none on" not in log:
                lost.append("outputs not read back as safe")
            lost += [f"{name} left on" for name in ("permit", "buzzer") if self.pins.look().level(name)]
        if self.db.exists() and self.row.end is not None:
            with suppress(FileNotFoundError), History(self.db) as history:
                problem = history.verify().problem
                lost += [] if problem is None else [f"chain: {problem}"]
            lost += self._unheard() + self._uncollected()
        if not self.row.untidy and "Traceback" in self.log.read_text(errors="replace"):
            lost.append("a traceback in the log")
        return lost

    def _unheard(self) -> list[str]:
        """Events on disk that the broker never passed on."""
        if self.row.broker == "nowhere":
            return []
        end_s = time.monotonic() + 5
        while (unheard := self._not_heard()) and time.monotonic() < end_s:
            time.sleep(0.1)
        return [f"never heard: {kind} {boot}/{seq}" for (boot, seq), kind in unheard.items()]

    def _not_heard(self) -> dict[tuple[str, int], str]:
        self._hear()
        heard = {(event["boot"], event["seq"]) for event in self._events}
        on_disk = {(event["boot"], event["seq"]): event["kind"] for event in self.recorded()}
        return {place: kind for place, kind in on_disk.items() if place not in heard}

    def _uncollected(self) -> list[str]:
        """Events on disk that a collector, where there is one, has not or has twice."""
        if self._collector is None:
            return []
        on_disk = Counter((event["boot"], event["seq"]) for event in self.recorded())
        end_s = time.monotonic() + 15
        found: Counter[tuple[str, int]] = Counter()
        while found != on_disk and time.monotonic() < end_s:
            with suppress(sqlite3.Error), closing(sqlite3.connect(self._collected)) as collected:
                found = Counter(
                    collected.execute(
                        "SELECT boot, seq FROM events JOIN boots ON boots.id = boot_id WHERE station = ?",
                        (self.name,),
                    ).fetchall()
                )
            time.sleep(0.2)
        return [f"collected {found[each]} times: {each}" for each in on_disk | found if found[each] != 1]


def play(row: Fault, world: World, folder: Path) -> tuple[dict[str, list[str]], dict[str, object]]:
    """One row from beginning to end.

    Returns:
        By place, what was not seen (all empty: nothing was lost), and figures of it.

    Raises:
        NotHereError: it cannot be brought about here.
        AssertionError: the bench could not be brought as far as the fault.
    """
    with Scene(row, world, folder) as scene:
        scene.do(row.ready)
        scene.begin()
        scene.do(row.inject)
        lost = scene.watch(row.seen)
        figures: dict[str, object] = {"seen_s": round(time.monotonic() - scene.began_s, 2)}
        fell_s = scene.pins.look().fell_after("permit", scene.began_s)
        if fell_s is not None and row.seen.permit is False:
            figures["permit_s"] = round(fell_s * row.speed, 2)
        if row.then or row.back is not NOTHING:
            scene.do(row.then)
            for place, missing in scene.watch(row.back).items():
                lost.setdefault(place, []).extend(f"afterwards: {each}" for each in missing)
        lost["end"] = scene.finish()
        figures["asked"] = {place: len(questions) for place, questions in scene._questions(row.seen).items()}
        return lost, figures
