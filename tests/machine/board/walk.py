"""What is done on the emulated board, and what is seen of it; judged elsewhere.

Prints lines `FACT name = JSON`. The pins are read from the kernel by this program, which never drives one.
One argument: `whole`, or `killed` for nothing but a killed program.
"""

import json
import os
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

from kernel_lines import claim, pins

SETTINGS = "/etc/benchward/station.toml"
RECORD = Path("/var/lib/benchward/station.db")
BOARD = Path(__file__).parent
PINS = {
    "permit": 21, "red": 5, "amber": 6, "green": 13, "blue": 19, "buzzer": 26, "heartbeat": 20,
    "cradle": 17, "acknowledge": 27,
}  # fmt: skip
OUTPUTS = list(PINS)[:7]
# What the programs say: on the console it would run into the facts; printed at the end.
PROGRAMS = Path("/tmp/programs.log").open("ab")
STATION = [sys.executable, "-m", "station", "--settings", SETTINGS]
STEADY_S = 6.0
# How long a busy host may make anything take.
PATIENCE_S = 300.0


def fact(name: str, value: object) -> None:
    """Tell one thing that was seen."""
    print(f"FACT {name} = {json.dumps(value)}", flush=True)


def seen() -> dict[str, list]:
    """Function and level of every pin that has a name, from the kernel."""
    found = pins()
    return {name: list(found[pin]) for name, pin in PINS.items()}


def claims() -> dict[str, list[str]]:
    """How every named line is held, from the kernel."""
    return {name: claim(pin) for name, pin in PINS.items()}


class Parts:
    """`parts.py` in a process of its own."""

    def __init__(self) -> None:
        """Start it and wait until it holds the pins."""
        began_s = time.monotonic()
        self.process = subprocess.Popen(
            [sys.executable, str(BOARD / "parts.py"), SETTINGS],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=PROGRAMS, text=True,
        )  # fmt: skip
        assert self.hear() == "ready"
        self.start_s = time.monotonic() - began_s

    def hear(self) -> object:
        """The next answer."""
        return json.loads(self.process.stdout.readline())

    def tell(self, command: str) -> object:
        """A command's answer."""
        self.process.stdin.write(command + "\n")
        self.process.stdin.flush()
        return self.hear()

    def end(self, number: int) -> int:
        """Its exit code after a signal."""
        self.process.send_signal(number)
        return self.process.wait(PATIENCE_S)


def watch(seconds: float, wanted: set[str]) -> dict[str, object]:
    """How often each output changed, whether it was ever high or no output, and the heartbeat's times.

    For so many seconds; longer, on a busy host, until what is wanted has been high.
    """
    before, changes, high, odd = None, dict.fromkeys(OUTPUTS, 0), set(), set()
    beats_s, began_s = [], time.monotonic()
    while (past_s := time.monotonic() - began_s) < seconds or (not wanted <= high and past_s < PATIENCE_S):
        found, now_s = pins(), time.monotonic()
        levels = {name: found[PINS[name]].high for name in OUTPUTS}
        odd |= {name for name in OUTPUTS if found[PINS[name]].function != "gpio_out"}
        high |= {name for name, level in levels.items() if level}
        if before is not None:
            for name in OUTPUTS:
                changes[name] += levels[name] != before[name]
            if levels["heartbeat"] != before["heartbeat"]:
                beats_s.append(round(now_s, 4))
        before = levels
        time.sleep(0.005)
    return {
        "seconds": past_s, "changes": changes, "high": sorted(high), "no-output": sorted(odd),
        "beats_s": beats_s,
    }  # fmt: skip


def outputs_safe() -> list:
    """`benchward outputs-safe`, as the service's unit runs it after the station; code, words, seconds."""
    began_s = time.monotonic()
    done = subprocess.run([*STATION, "outputs-safe"], capture_output=True, text=True)
    return [done.returncode, done.stdout + done.stderr, time.monotonic() - began_s]


def walk_killed() -> None:
    """Everything on, then killed: what does the kernel leave, and what makes it safe again?"""
    parts = Parts()
    parts.tell("on " + ",".join(OUTPUTS))
    fact("before kill", seen())
    parts.end(signal.SIGKILL)
    fact("after kill", seen())
    time.sleep(1)
    fact("a second after kill", {"pins": seen(), "claims": claims()})
    fact("outputs-safe", outputs_safe())
    fact("after outputs-safe", seen())


def walk_parts() -> None:
    """Each output alone, the wires read, ticks timed, SIGTERM."""
    fact("untouched", seen())
    parts = Parts()
    fact("parts start_s", parts.start_s)
    fact("held", {"pins": seen(), "claims": claims()})
    read = parts.tell("read")
    for _ in range(20):  # on a busy host the first windows come late
        if read["extraction"]["quality"] not in ("stale", "too-few-samples"):
            break
        time.sleep(0.5)
        read = parts.tell("read")
    fact("read", read)
    fact("ticks_ms", parts.tell("ticks 100"))
    for name in OUTPUTS:
        told = parts.tell(f"on {name}")
        fact(f"only {name}", {"told": told, "pins": seen()})
    fact("second owner", outputs_safe())
    parts.tell("on " + ",".join(OUTPUTS))
    fact("before SIGTERM", seen())
    fact("SIGTERM code", parts.end(signal.SIGTERM))
    fact("after SIGTERM", {"pins": seen(), "claims": claims()})


def ask(text: str) -> dict:
    """A request over the broker, as any program would make it."""
    import msgspec

    from station.link.asking import Asker

    with Asker("127.0.0.1", 1883, "bench-1", "walk") as asker:
        return msgspec.to_builtins(asker.ask(text))


def walk_station() -> None:
    """The whole daemon beside a real broker, until SIGTERM."""
    broker = subprocess.Popen(
        ["mosquitto", "-c", str(BOARD / "broker.conf")], stdout=PROGRAMS, stderr=PROGRAMS
    )
    notified = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    notified.bind("/run/benchward/notify")
    notified.settimeout(PATIENCE_S)
    began_s = time.monotonic()
    environment = {**os.environ, "NOTIFY_SOCKET": "/run/benchward/notify"}
    station = subprocess.Popen([*STATION, "run"], env=environment, stdout=PROGRAMS, stderr=PROGRAMS)
    fact("notified", [notified.recv(4096).decode(), time.monotonic() - began_s])
    fact("steady", watch(STEADY_S, {"amber", "buzzer"}))
    fact("cpu_s", cpu_s(station.pid))
    fact("lamp-test refused", ask("lamp-test"))
    fact("acknowledged", ask("ack"))
    fact("lamp-test", ask("lamp-test"))
    fact("tried", watch(3.0, {"red", "amber", "green", "blue", "buzzer"}))
    fact("held by the station", claims())
    station.send_signal(signal.SIGTERM)
    fact("station SIGTERM code", station.wait(PATIENCE_S))
    fact("station after SIGTERM", {"pins": seen(), "claims": claims()})
    with sqlite3.connect(f"file:{RECORD}?mode=ro", uri=True) as record:
        events = record.execute("SELECT body FROM events ORDER BY seq")
        fact("events", [json.loads(body) for (body,) in events])
        columns = "plate_mean_cc, plate_min_cc, plate_max_cc, cold_junction_cc, valid_ms"
        fact("readings", list(record.execute(f"SELECT {columns} FROM readings ORDER BY second")))
    broker.terminate()


def cpu_s(pid: int) -> float:
    """Processor time a process has had, seconds."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def main() -> None:
    """Walk."""
    fact("model", Path("/proc/device-tree/model").read_text().rstrip("\0"))
    fact("kernel", os.uname().release)
    parameter = Path("/sys/module/pinctrl_bcm2835/parameters/persist_gpio_outputs")
    fact("persist_gpio_outputs", parameter.read_text().strip())
    fact("devices", sorted(path.name for path in Path("/dev").glob("[sg]p*")))
    if sys.argv[1] == "whole":
        walk_parts()
        walk_station()
    walk_killed()
    fact("uptime_s", float(Path("/proc/uptime").read_text().split()[0]))


if __name__ == "__main__":
    main()
