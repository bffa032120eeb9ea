"""What is done on the emulated board, and what is seen of it; judged elsewhere.

Prints lines `FACT name JSON`. The pins are read from the kernel by this program, which never drives one. One
argument: `whole`, or `killed` for nothing but a killed program.
"""

import json
import os
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
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
STATION = [sys.executable, "-m", "station", "--settings", SETTINGS]
STEADY_S = 6.0


def fact(name: str, value: object) -> None:
    """Tell one thing that was seen."""
    print("FACT", name, json.dumps(value), flush=True)


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
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
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
        return self.process.wait(30)


def watch(seconds: float, look: Callable[[], bool] = lambda: False) -> dict[str, list]:
    """How often each output changed, and whether it was ever high or no output; ends early when ``look`` says."""
    before, changes, high, odd = None, dict.fromkeys(OUTPUTS, 0), set(), set()
    beats_s, end_s = [], time.monotonic() + seconds
    while time.monotonic() < end_s and not look():
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
    return {"changes": changes, "high": sorted(high), "no-output": sorted(odd), "beats_s": beats_s}


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
    fact("read", parts.tell("read"))
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
    """The whole daemon beside a real broker, until SIGTERM; then once more, until SIGKILL."""
    broker = subprocess.Popen(["mosquitto", "-c", str(BOARD / "broker.conf")])
    notified = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    notified.bind("/run/benchward/notify")
    notified.settimeout(60)
    began_s = time.monotonic()
    station = subprocess.Popen([*STATION, "run"], env={**os.environ, "NOTIFY_SOCKET": "/run/benchward/notify"})
    fact("notified", [notified.recv(4096).decode(), time.monotonic() - began_s])
    fact("steady", watch(STEADY_S))
    fact("cpu_s of the steady seconds and before", cpu_s(station.pid))
    fact("lamp-test refused", ask("lamp-test"))
    fact("acknowledged", ask("ack"))
    fact("lamp-test", ask("lamp-test"))
    fact("tried", watch(3.0))
    fact("held by the station", claims())
    station.send_signal(signal.SIGTERM)
    fact("station SIGTERM code", station.wait(60))
    fact("station after SIGTERM", {"pins": seen(), "claims": claims()})
    with sqlite3.connect(f"file:{RECORD}?mode=ro", uri=True) as record:
        fact("events", [json.loads(body) for (body,) in record.execute("SELECT body FROM events ORDER BY seq")])
        columns = "plate_mean_cc, plate_min_cc, plate_max_cc, cold_junction_cc, extraction_ma, quality, valid_ms"
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
