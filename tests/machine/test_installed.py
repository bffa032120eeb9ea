"""A Debian machine, booted for real: Benchward is installed in it, harmed, upgraded and taken off again.

Every test finds the machine with its services up and leaves it so; the last one takes them away. What a
machine does by itself is systemd's doing, asked with its own tools: systemctl(1), systemd-analyze(1),
journalctl(1).
"""

import json
import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from machine import PAYLOAD, PROJECT, Machine, UnavailableError, base_of, wheels_for

from shared.records import SCHEMA_VERSION

pytestmark = pytest.mark.machine

# deploy/test --full names both.
SUITES = os.environ.get("BENCHWARD_SUITES", "bookworm").split()
PARTS = ("station", "dashboard", "shared", "deploy", "pyproject.toml", "README.md")
INSTALL = f"{PAYLOAD}/release/deploy/install --simulate --wheels {PAYLOAD}/wheels"
STATION, PAGES = "benchward-station.service", "benchward-dashboard.service"
SETTINGS = "/etc/benchward/station.toml"
DATA, DB = "/var/lib/benchward", "/var/lib/benchward/benchward.db"
MOST_EXPOSED = 20  # systemd-analyze security --threshold: ten times the level, here 2.0
SLOW_S = 1500.0  # what an emulated machine may take for much work on a busy host

# Asks as fast as it is answered, and tells the console each answer: that is kept outside the machine.
LOAD = """\
password="$(cat /etc/benchward/broker/job-system.password)"
while :; do
    for request in 'sign-in technician=T-04' sign-out; do
        answer="$(mosquitto_rr -V 5 -q 1 -W 20 -p 8883 --cafile /etc/benchward/broker/ca.crt \\
            -u job-system -P "$password" -t benchward/v1/bench-1/requests \\
            -e benchward/v1/answers/job-system/load -m "$request")"
        echo "ANSWERED $answer" >/dev/ttyS0
    done
done
"""
# Holds one thread still while the others run on. Source: ptrace(2), PTRACE_SEIZE and PTRACE_INTERRUPT.
HOLD = """\
import ctypes, sys, time
libc = ctypes.CDLL(None, use_errno=True)
libc.ptrace.argtypes = [ctypes.c_long, ctypes.c_int, ctypes.c_void_p, ctypes.c_void_p]
thread = int(sys.argv[1])
for request in (0x4206, 0x4207):
    if libc.ptrace(request, thread, None, None):
        sys.exit(f"ptrace: error {ctypes.get_errno()}")
time.sleep(600)
"""
LATER_STEP = f'''\
"""One more table."""

import sqlalchemy as sa
from alembic import op

revision = "{SCHEMA_VERSION + 1}"
down_revision = "{SCHEMA_VERSION}"


def upgrade() -> None:
    """Make it."""
    op.create_table("later", sa.Column("id", sa.Integer(), primary_key=True))
'''


def _replace(path: Path, old: str, new: str) -> None:
    text = path.read_text("utf-8")
    assert text.count(old) == 1, (path, old)
    path.write_text(text.replace(old, new), "utf-8")


def _release(folder: Path) -> Path:
    """The project as it would be handed out."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard", *PARTS],
        cwd=PROJECT, capture_output=True, text=True, check=True,
    )  # fmt: skip
    for name in filter(None, listed.stdout.split("\0")):
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(PROJECT / name, folder / name)
    return folder


def _later_release(folder: Path, version: str) -> Path:
    """A release that comes with one more step of the schema."""
    _release(folder)
    _replace(
        folder / "shared/records.py",
        f"SCHEMA_VERSION = {SCHEMA_VERSION}",
        f"SCHEMA_VERSION = {SCHEMA_VERSION + 1}",
    )
    (folder / f"shared/migrations/versions/v{SCHEMA_VERSION + 1}_later.py").write_text(LATER_STEP, "utf-8")
    init = folder / "shared/__init__.py"
    text, changed = re.subn(r'(?m)^VERSION = ".*"', f'VERSION = "{version}"', init.read_text("utf-8"))
    assert changed == 1
    init.write_text(text, "utf-8")
    return folder


@pytest.fixture(scope="module", params=SUITES)
def machine(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Machine]:
    """A machine of this release that nobody has touched, switched on."""
    try:
        base = base_of(request.param)
        wheels = wheels_for(base)
    except UnavailableError as error:
        pytest.skip(f"no machine with {request.param}: {error}")
    folder = tmp_path_factory.mktemp(request.param)
    payload = folder / "payload"
    _release(payload / "release")
    _later_release(payload / "later", "0.2.0")
    broken = _later_release(payload / "broken", "0.3.0")
    _replace(
        broken / "station/cli/run.py",
        "    stop = stop_on_signals()\n",
        '    raise SystemExit("this release cannot run")\n',
    )
    shutil.copytree(wheels, payload / "wheels")
    (payload / "load.sh").write_text(LOAD, "utf-8")
    (payload / "hold.py").write_text(HOLD, "utf-8")
    with Machine(base, folder, payload) as machine:
        yield machine


def _files(machine: Machine) -> set[str]:
    """Every file and folder of the machine's disk, but for what Debian's own programs write when they run."""
    passing = ("/proc", "/sys", "/dev", "/run", "/tmp", "/var/tmp", "/var/log", "/mnt")
    pruned = " -o ".join(f"-path {path}" for path in passing)
    found = set(machine.run(rf"find / -xdev \( {pruned} \) -prune -o -print").splitlines())
    # Where its broker keeps its state, and systemd's folder for when a timer last ran (not what is in it).
    return found - {"/var/lib/mosquitto/mosquitto.db", "/var/lib/systemd/timers"}


@pytest.fixture(scope="module")
def files_before(machine: Machine) -> set[str]:
    """What was there before Benchward came."""
    return _files(machine)


@pytest.fixture(scope="module")
def installed(machine: Machine, files_before: set[str]) -> Machine:
    """The machine with Benchward installed on the simulated bench, and its services up."""
    assert "Benchward runs." in machine.run(INSTALL, SLOW_S)
    assert _state(machine)["station"] == "bench-1"
    # An emulated processor is busy with 1,250 samples of a current a second alone; a switch is looked at.
    machine.run(
        f"printf '[wires.extraction]\\nkind = \"contact\"\\n' >>{SETTINGS} && systemctl restart {STATION}",
        SLOW_S,
    )
    return machine


def _show(machine: Machine, unit: str, what: str) -> str:
    return machine.run(f"systemctl show -p {what} --value {unit}").strip()


def _up(machine: Machine) -> str:
    """Wait until station and pages serve; the station's process number."""
    machine.until(f"systemctl is-active -q {STATION} {PAGES}", SLOW_S)
    machine.until(
        "exec 3<>/dev/tcp/127.0.0.1/8080 && printf 'GET /healthz HTTP/1.0\\r\\n\\r\\n' >&3 && "
        "grep -q ' 200 ' <&3",
        SLOW_S,
    )
    return _show(machine, STATION, "MainPID")


def _started_again(machine: Machine, before: str) -> None:
    """Wait until the station has a new process, and is up."""
    machine.until(
        f"new=$(systemctl show -p MainPID --value {STATION}); [ $new != 0 ] && [ $new != {before} ] && "
        f"systemctl is-active -q {STATION}",
        SLOW_S,
    )


def _state(machine: Machine) -> dict:
    """What the station says over the broker, as the pages hear it."""
    return json.loads(
        machine.run(
            "mosquitto_sub -p 8883 --cafile /etc/benchward/broker/ca.crt -u dashboard "
            '-P "$(cat /etc/benchward/broker/dashboard.password)" -t benchward/v1/bench-1/state -C 1 -W 100'
        )
    )


def _events(machine: Machine) -> dict[int, str]:
    """What is on record: the kind of each event by its number."""
    lines = machine.run("benchward log --format jsonl", SLOW_S).splitlines()
    return {event["seq"]: event["kind"] for event in map(json.loads, lines)}


def _sound(machine: Machine) -> None:
    """Chain and file are whole."""
    machine.run("benchward verify", SLOW_S)


def test_a_dry_run_tells_and_changes_nothing(machine, files_before):
    """With wires or without: every change is told, and the disk is as it was."""
    told = machine.run(f"{INSTALL} --dry-run", SLOW_S)
    for change in ("useradd", "python3 -m venv", "mosquitto.conf", "systemctl enable", "simulated.conf"):
        assert change in told
    machine.run("mkdir -p /boot/firmware && echo '# as it was' >/boot/firmware/config.txt")
    told = machine.run(f"{PAYLOAD}/release/deploy/install --dry-run", SLOW_S)
    for change in ("python3-lgpio", "dtparam=spi=on", "dtparam=strict_gpiod", "groupadd --system spi"):
        assert change in told
    assert machine.run("cat /boot/firmware/config.txt; rm -r /boot/firmware") == "# as it was\n"
    assert _files(machine) == files_before
    assert machine.ask("getent passwd benchward").code != 0


def test_installed_services_are_up(installed):
    """Station, pages, nightly copy and broker run; the state is heard over the broker, by name."""
    _up(installed)
    assert installed.run("systemctl is-active benchward-backup.timer mosquitto").split() == ["active"] * 2
    assert _state(installed)["station"] == "bench-1"
    _sound(installed)


def test_units_are_well_formed_and_hardened_there(installed):
    """systemd-analyze of the machine itself: verify says nothing about ours, exposure is at most 2.0."""
    done = installed.ask("systemd-analyze verify --man=no /etc/systemd/system/benchward-*.{service,timer}")
    assert [line for line in done.out.splitlines() if "benchward" in line] == []
    assert done.code == 0
    for unit in (STATION, PAGES, "benchward-collector.service", "benchward-backup.service"):
        installed.run(f"systemd-analyze security --threshold={MOST_EXPOSED} --no-pager {unit}")


def test_services_come_up_after_a_restart_of_the_machine(installed):
    """Shut down in order and booted again: everything serves, nothing has failed, the end is on record."""
    installed.reboot()
    assert len(set(installed.boots)) == len(installed.boots) == 2
    _up(installed)
    assert installed.run("systemctl --failed --no-legend --plain") == ""
    kinds = list(_events(installed).values())
    assert kinds.count("station-started") == 3
    assert kinds.count("station-stopped") == 2
    assert _state(installed)["station"] == "bench-1"


def test_a_killed_station_comes_back(installed):
    """SIGKILL: there is a new process soon, and the record goes on soundly."""
    before = _up(installed)
    installed.run(f"kill -9 {before}")
    _started_again(installed, before)
    assert _show(installed, STATION, "NRestarts") == "1"
    _sound(installed)


def test_a_hung_tick_is_ended_by_the_watchdog(installed):
    """The thread that ticks is held, the others run on: the service manager starts the station anew."""
    before = _up(installed)
    installed.run(f"nohup python3 {PAYLOAD}/hold.py {before} </dev/null >/dev/null 2>&1 &")
    _started_again(installed, before)
    told = installed.run(f"journalctl -b --no-pager -u {STATION}")
    assert "Watchdog timeout" in told
    assert _show(installed, STATION, "NRestarts") == "2"
    _sound(installed)


def test_a_stopped_station_leaves_its_outputs_off(installed):
    """`systemctl stop`: the outputs, read back from their pins, are off; the stop is on record."""
    _up(installed)
    since = installed.run("date '+%F %T'").strip()
    installed.run(f"systemctl stop {STATION}")
    told = installed.run(f"journalctl --no-pager -u {STATION} --since '{since}'")
    assert "outputs read back at the end: none on" in told
    assert _show(installed, STATION, "Result") == "success"
    assert list(_events(installed).values())[-1] == "station-stopped"
    installed.run(f"systemctl start {STATION}", SLOW_S)


def test_wrong_settings_stop_the_station_once(installed):
    """It says which key is wrong and waits for a person, and does not start over and over."""
    _up(installed)
    installed.run(
        "cp -p /etc/benchward/station.toml /root/ && sed -i '1i nonsense = 1' /etc/benchward/station.toml"
    )
    assert installed.ask(f"systemctl restart {STATION}", SLOW_S).code != 0
    installed.run("sleep 5")
    assert installed.ask(f"systemctl is-failed {STATION}").out.strip() == "failed"
    assert _show(installed, STATION, "NRestarts") == "0"
    assert "nonsense" in installed.run(f"journalctl -b --no-pager -n 20 -u {STATION}")
    installed.run(f"mv /root/station.toml /etc/benchward/ && systemctl restart {STATION}", SLOW_S)


@pytest.mark.parametrize("busy_s", [3, 11])
def test_a_power_cut_loses_nothing_that_was_answered(installed, busy_s):
    """The machine is cut off while it answers requests: the record is sound, and every answer is in it."""
    _up(installed)
    told = installed.console.stat().st_size if installed.console.exists() else 0
    installed.run(f"nohup bash {PAYLOAD}/load.sh </dev/null >/dev/null 2>&1 &")
    installed.until(f"grep -q . /proc/uptime && sleep {busy_s}")
    while "ANSWERED {" not in installed.console.read_text("utf-8", errors="replace")[told:]:
        installed.run("sleep 1")
    installed.cut_power()
    lines = installed.console.read_bytes()[told:].decode("utf-8", errors="replace")
    answered = [json.loads(line) for line in re.findall(r"ANSWERED (\{.*?\})\r?\n", lines)]
    numbers = {answer["seq"] for answer in answered if answer["seq"] is not None}
    assert numbers
    installed.power_on()
    _up(installed)
    _sound(installed)
    assert numbers <= set(_events(installed))


def test_the_nightly_copy_can_be_read_back(installed):
    """The service of the timer makes a copy that verifies by itself."""
    _up(installed)
    installed.run("systemctl start benchward-backup.service", SLOW_S)
    (copy,) = installed.run(f"ls {DATA}/backups").split()
    installed.run(f"benchward verify --db {DATA}/backups/{copy}", SLOW_S)


def test_install_again_is_safe_and_brings_the_collector(installed):
    """Settings, passwords and record stay; what was asked for in addition comes."""
    _up(installed)
    kept = "sha256sum /etc/benchward/station.toml /etc/benchward/broker/{ca.crt,passwords,*.password}"
    before, events = installed.run(kept), _events(installed)
    told = installed.run(f"{INSTALL} --collect-to sqlite:///{DATA}/collected.db", SLOW_S)
    assert "useradd" not in told
    assert "-m venv" not in told
    assert installed.run(kept) == before
    assert _events(installed).items() >= events.items()
    installed.until(f"systemctl is-active -q benchward-collector && [ -s {DATA}/collected.db ]", SLOW_S)
    assert _show(installed, "benchward-collector.service", "NRestarts") == "0"


def _schema(machine: Machine, file: str = DB) -> int:
    asked = f"sqlite3.connect('{file}').execute('PRAGMA user_version').fetchone()"
    return int(machine.run(f'python3 -c "import sqlite3; print(*{asked})"'))


def test_a_failing_upgrade_goes_back(installed):
    """The new release migrates and then does not run: the old one runs again, on its record as it was."""
    _up(installed)
    release, events = installed.run("readlink /opt/benchward/current"), _events(installed)
    done = installed.ask(f"{PAYLOAD}/broken/deploy/upgrade --wheels {PAYLOAD}/wheels", SLOW_S)
    assert done.code == 1, done.out
    assert "runs again, with its record" in done.out
    _up(installed)
    assert installed.run("readlink /opt/benchward/current") == release
    assert _schema(installed) == SCHEMA_VERSION
    assert _events(installed).items() >= events.items()
    _sound(installed)


def test_an_upgrade_with_a_migration_keeps_the_record(installed):
    """The newer release runs, on the same record in the newer schema; the copy from before is there."""
    _up(installed)
    events = _events(installed)
    told = installed.run(f"{PAYLOAD}/later/deploy/upgrade --wheels {PAYLOAD}/wheels", SLOW_S)
    assert re.search(r"(?m)^0\.2\.0-\w+ runs\.", told)
    _up(installed)
    assert installed.run("benchward --version").split()[-1] == "0.2.0"
    assert _schema(installed) == SCHEMA_VERSION + 1
    assert _events(installed).items() >= events.items()
    _sound(installed)
    copies = installed.run(f"ls -d {DATA}/before-upgrade-*/benchward.db").split()
    assert _schema(installed, copies[-1]) == SCHEMA_VERSION


def test_uninstall_leaves_nothing_but_the_record(installed, files_before):
    """User, program, settings, units and broker rules are gone; the record is there and root's alone."""
    _up(installed)
    installed.run(f"{PAYLOAD}/later/deploy/uninstall", SLOW_S)
    left = {path for path in _files(installed) - files_before if not path.startswith(f"{DATA}/")}
    assert left == {DATA}
    assert files_before - _files(installed) == set()
    assert installed.ask("getent passwd benchward || getent group benchward").code != 0
    assert installed.run("systemctl list-units --all --no-legend --plain 'benchward*'") == ""
    assert installed.run(f"stat -c '%U %a' {DATA}").split() == ["root", "700"]
    assert _schema(installed) == SCHEMA_VERSION + 1
    assert installed.run(f"find {DATA} ! -user root") == ""
    installed.run("systemctl is-active mosquitto")
    installed.run(f"{PAYLOAD}/later/deploy/uninstall --data --yes", SLOW_S)
    assert _files(installed) - files_before == set()
