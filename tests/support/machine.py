"""Whole Debian machines for tests: made by debootstrap, booted by QEMU in software, asked through a port.

A base is one file system with kernel, service manager, Python and broker, made once per release and recipe
and kept in ``CACHE``. A `Machine` writes to an overlay of its own on it. Beside the base it sees what the
test brings along, read-only below ``PAYLOAD``. It has no network.
"""

import hashlib
import json
import os
import shutil
import socket
import subprocess
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any, NamedTuple, Self

PROJECT = Path(__file__).parents[2]
CACHE = Path(os.environ.get("BENCHWARD_MACHINES", "/var/cache/benchward-machines"))
PAYLOAD = "/mnt"
MIRROR = "http://deb.debian.org/debian"
DISK_SIZE = "3G"
MEMORY_MB = 1024
BOOT_S = SLOW_S = 900.0  # on a busy host; a quiet one takes a twentieth

PACKAGES = (
    "dbus", "kmod", "mosquitto", "mosquitto-clients", "openssl", "procps", "python3", "python3-venv",
    "systemd-sysv", "udev",
)  # fmt: skip
KERNEL = "linux-image-amd64"
# The kernel finds its disk with these alone; a start from the whole collection takes several times as long.
MODULES = ("virtio_pci", "virtio_blk", "ext4")

PORT = "benchward.test"
AGENT = '''\
"""The test's hand in the machine: a line of JSON is a command, a line of JSON its answer."""
import json, subprocess, time
PORT = "/dev/virtio-ports/benchward.test"
with open(PORT, "r+b", buffering=0) as port:
    def tell(**what):
        data = json.dumps(what).encode() + b"\\n"
        while data:
            data = data[port.write(data):]
    boot = open("/proc/sys/kernel/random/boot_id").read().strip()
    tell(boot=boot)
    waiting = b""
    while True:
        some = port.read(65536)
        if not some:  # nobody is at the other end
            time.sleep(0.05)
            continue
        waiting += some
        *lines, waiting = waiting.split(b"\\n")
        for line in lines:
            asked = json.loads(line)
            try:
                done = subprocess.run(
                    ["/bin/bash", "-c", asked["command"]], stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
                    stderr=subprocess.STDOUT, timeout=asked["timeout_s"],
                )
                tell(n=asked["n"], code=done.returncode, out=done.stdout.decode(errors="replace"))
            except subprocess.TimeoutExpired as late:
                tell(n=asked["n"], code=None, out=(late.stdout or b"").decode(errors="replace"))
'''
AGENT_UNIT = """\
[Unit]
Description=The test's hand in the machine
[Service]
ExecStart=/usr/bin/python3 /usr/local/sbin/test-agent
Environment=LC_ALL=C.UTF-8 PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin
Restart=always
OOMScoreAdjust=-900
[Install]
WantedBy=multi-user.target
"""
FSTAB = """\
LABEL=root / ext4 defaults 0 1
LABEL=payload /mnt ext4 ro,nofail 0 0
"""


class UnavailableError(Exception):
    """No machine can be made here; the message says what is missing."""


class Answer(NamedTuple):
    """What a command in the machine gave: its exit code, and all that it wrote."""

    code: int
    out: str


class Base(NamedTuple):
    """A machine as it is before anybody touched it: a disk, and what QEMU starts it with."""

    folder: Path

    @property
    def disk(self) -> Path:
        """The file system, an ext4 image."""
        return self.folder / "disk.img"

    @property
    def root(self) -> Path:
        """The same as a folder, to run its programs in (chroot)."""
        return self.folder / "root"


def why_not() -> str | None:
    """Why no machine can be made here; None where one can."""
    if os.geteuid() != 0:
        return "debootstrap and chroot want root"
    for program, package in (
        ("qemu-system-x86_64", "qemu-system-x86"),
        ("qemu-img", "qemu-utils"),
        ("debootstrap", "debootstrap"),
        ("mke2fs", "e2fsprogs"),
    ):
        if shutil.which(program, path=os.environ["PATH"] + ":/usr/sbin:/sbin") is None:
            return f"{program} is missing: apt-get install {package}"
    return None


def base_of(suite: str) -> Base:
    """The base of a Debian release, from the cache or made anew (minutes).

    Raises:
        UnavailableError: it cannot be made here.
    """
    reason = why_not()
    if reason:
        raise UnavailableError(reason)
    recipe = repr((PACKAGES, KERNEL, MODULES, AGENT, AGENT_UNIT, FSTAB, DISK_SIZE))
    folder = CACHE / f"{suite}-{hashlib.sha256(recipe.encode()).hexdigest()[:10]}"
    if not (folder / "complete").exists():
        _make_base(suite, folder)
    return Base(folder)


def _make_base(suite: str, folder: Path) -> None:
    shutil.rmtree(folder, ignore_errors=True)
    root = folder / "root"
    root.mkdir(parents=True)
    log = folder / "making.log"
    try:
        _do(
            ["debootstrap", "--variant=minbase", f"--include={','.join(PACKAGES)}", suite, str(root), MIRROR],
            log,
        )
        _write(root / "etc/hostname", "bench\n")
        _write(root / "etc/hosts", "127.0.0.1 localhost bench\n::1 localhost\n")
        _write(root / "etc/fstab", FSTAB)
        _write(root / "etc/initramfs-tools/conf.d/machine", "MODULES=list\nCOMPRESS=gzip\n")
        _write(root / "etc/initramfs-tools/modules", "".join(f"{name}\n" for name in MODULES))
        _write(root / "usr/sbin/policy-rc.d", "#!/bin/sh\nexit 101\n", mode=0o755)
        _in_root(root, f"apt-get install -y -q --no-install-recommends {KERNEL}", log)
        (root / "usr/sbin/policy-rc.d").unlink()
        _write(root / "usr/local/sbin/test-agent", AGENT)
        _write(root / "etc/systemd/system/test-agent.service", AGENT_UNIT)
        # Nightly work of the system's own would come in between.
        timers = "apt-daily.timer apt-daily-upgrade.timer dpkg-db-backup.timer e2scrub_all.timer fstrim.timer"
        _in_root(
            root,
            f"systemctl enable test-agent.service && systemctl mask {timers} && apt-get clean "
            "&& rm -rf /var/lib/apt/lists/*",
            log,
        )
        (kernel,) = (root / "boot").glob("vmlinuz-*")
        (initrd,) = (root / "boot").glob("initrd.img-*")
        shutil.copy(kernel, folder / "vmlinuz")
        shutil.copy(initrd, folder / "initrd")
        image = [str(root), str(folder / "disk.img"), DISK_SIZE]
        _do(["mke2fs", "-q", "-t", "ext4", "-L", "root", "-d", *image], log)
    except subprocess.CalledProcessError as error:
        told = log.read_text("utf-8", errors="replace")[-600:]
        raise UnavailableError(f"the base of {suite} cannot be made: {error}\n{told}") from error
    (folder / "complete").touch()


def _do(command: list[str], log: Path) -> None:
    with log.open("ab") as out:
        path = os.environ["PATH"] + ":/usr/sbin:/sbin"
        subprocess.run(command, stdout=out, stderr=out, check=True, env={**os.environ, "PATH": path})


def _in_root(root: Path, script: str, log: Path) -> None:
    """Run a script with ``root`` as its whole world, but with this machine's way to the network."""
    for name in ("etc/resolv.conf", "etc/pip.conf", "etc/ssl/certs/ca-certificates.crt"):
        if Path("/", name).exists():
            (root / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(Path("/", name), root / name)
    script = f"export DEBIAN_FRONTEND=noninteractive LC_ALL=C.UTF-8; {script}"
    _do(["chroot", str(root), "/bin/bash", "-ec", script], log)


def _write(file: Path, text: str, mode: int = 0o644) -> None:
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(text, "utf-8")
    file.chmod(mode)


def wheels_for(base: Base) -> Path:
    """The locked Python packages for this base's Python, by ``deploy/wheels`` run in it; kept.

    They are gathered anew when the lock or the script changes.

    Raises:
        UnavailableError: they cannot be had.
    """
    lock = (PROJECT / "deploy/lock.txt").read_bytes()
    scripts = {name: (PROJECT / "deploy" / name).read_bytes() for name in ("wheels", "chart-library")}
    recipe = hashlib.sha256(b"".join((lock, *scripts.values()))).hexdigest()[:10]
    folder = base.folder / f"wheels-{recipe}"
    if folder.exists():
        return folder
    inside = base.root / "gather"
    shutil.rmtree(inside, ignore_errors=True)
    (inside / "deploy").mkdir(parents=True)
    (inside / "deploy/lock.txt").write_bytes(lock)
    for name, script in scripts.items():
        (inside / "deploy" / name).write_bytes(script)
        (inside / "deploy" / name).chmod(0o755)
    log = base.folder / "wheels.log"
    try:
        _in_root(
            base.root,
            "cd /gather; python3 -m venv python; PYTHON=/gather/python/bin/python bash deploy/wheels wheels",
            log,
        )
    except subprocess.CalledProcessError as error:
        raise UnavailableError(
            f"the wheels cannot be had: {error}\n{log.read_text('utf-8')[-600:]}"
        ) from error
    shutil.move(inside / "wheels", folder)
    shutil.rmtree(inside)
    return folder


class Machine:
    """One machine: an overlay on a base, what it brings along, and the QEMU that runs it.

    A power cut ends QEMU at once: what the machine held in its memory is gone. What it had handed to its disk
    is kept, flushed or not: a disk that loses its own cache as well is not played here.
    """

    def __init__(self, base: Base, folder: Path, payload: Path) -> None:
        """Give it a disk of its own in ``folder``, and the contents of ``payload`` below /mnt."""
        self.console = folder / "console.log"
        self.boots: list[str] = []
        self._base, self._folder = base, folder
        self._asked = 0
        self._waiting = b""
        self._process: subprocess.Popen[bytes] | None = None
        self._port: socket.socket | None = None
        self._disk = folder / "disk.qcow2"
        self._payload = folder / "payload.img"
        log = folder / "making.log"
        _do(
            ["qemu-img", "create", "-q", "-f", "qcow2", "-F", "raw", "-b", str(base.disk), str(self._disk)],
            log,
        )
        size = sum(path.lstat().st_size for path in payload.rglob("*")) // 1_000_000
        image = [str(payload), str(self._payload), f"{size * 2 + 32}M"]
        _do(["mke2fs", "-q", "-t", "ext4", "-L", "payload", "-d", *image], log)

    def __enter__(self) -> Self:
        """Power on."""
        self.power_on()
        return self

    def __exit__(self, *_: object) -> None:
        """Cut the power."""
        self.cut_power()

    def power_on(self) -> None:
        """Start it and wait until it takes commands."""
        port = self._folder / "port"
        with suppress(FileNotFoundError):
            port.unlink()
        with (self._folder / "qemu.log").open("ab") as log:
            self._process = subprocess.Popen(
                [
                    "setpriv", "--pdeathsig", "KILL",  # it never outlives the tests
                    "qemu-system-x86_64", "-machine", "q35,accel=tcg", "-smp", "2", "-m", str(MEMORY_MB),
                    "-display", "none", "-nodefaults", "-no-user-config",
                    "-kernel", str(self._base.folder / "vmlinuz"),
                    "-initrd", str(self._base.folder / "initrd"),
                    "-append", "console=ttyS0 root=LABEL=root rw panic=-1",
                    "-drive", f"file={self._disk},format=qcow2,if=virtio",
                    "-drive", f"file={self._payload},format=raw,if=virtio,readonly=on",
                    "-chardev", f"file,id=console,path={self.console},append=on",
                    "-serial", "chardev:console",
                    "-device", "virtio-serial-pci",
                    "-chardev", f"socket,id=port,path={port},server=on,wait=off",
                    "-device", f"virtserialport,chardev=port,name={PORT}",
                    "-device", "virtio-rng-pci",
                ],
                stdout=log, stderr=log, stdin=subprocess.DEVNULL,
            )  # fmt: skip
        end_s = time.monotonic() + 10
        while self._port is None:
            speaking = socket.socket(socket.AF_UNIX)
            try:
                speaking.connect(str(port))
                self._port = speaking
            except OSError:
                speaking.close()
                qemu = (self._folder / "qemu.log").read_text("utf-8")
                if self._process.poll() is not None or time.monotonic() > end_s:
                    raise AssertionError(f"QEMU opens no port: {qemu}") from None
                time.sleep(0.05)
        self._waiting = b""
        self._booted()

    def _booted(self) -> None:
        said = self._line(BOOT_S, lambda said: "boot" in said)
        self.boots.append(said["boot"])
        # A busy machine may have given up waiting for this disk.
        self.run(f"mountpoint -q {PAYLOAD} || mount -o ro /dev/vdb {PAYLOAD}")

    def _line(self, timeout_s: float, wanted: Callable[[dict[str, Any]], bool]) -> dict[str, Any]:
        """The next answer that is wanted."""
        assert self._port is not None, "the machine is off"
        end_s = time.monotonic() + timeout_s
        while True:
            while b"\n" in self._waiting:
                line, self._waiting = self._waiting.split(b"\n", 1)
                said = json.loads(line)
                if wanted(said):
                    return said
            left_s = end_s - time.monotonic()
            assert left_s > 0, f"no answer within {timeout_s:g} s; the console:\n{self.last_words()}"
            self._port.settimeout(min(left_s, 5.0))
            try:
                some = self._port.recv(65536)
            except TimeoutError:
                continue
            assert some, f"the machine went off; the console:\n{self.last_words()}"
            self._waiting += some

    def last_words(self) -> str:
        """The end of what came on its console."""
        return self.console.read_text("utf-8", errors="replace")[-3000:] if self.console.exists() else ""

    def ask(self, command: str, timeout_s: float = SLOW_S) -> Answer:
        """Run a command in it, as root, whatever it ends with."""
        self._asked += 1
        n = self._asked
        assert self._port is not None, "the machine is off"
        line = json.dumps({"n": n, "command": command, "timeout_s": timeout_s}).encode() + b"\n"
        self._port.settimeout(30.0)
        self._port.sendall(line)
        said = self._line(timeout_s + 30.0, lambda said: said.get("n") == n)
        assert said["code"] is not None, f"not done within {timeout_s:g} s: {command}\n{said['out']}"
        return Answer(said["code"], said["out"])

    def run(self, command: str, timeout_s: float = SLOW_S) -> str:
        """Run a command that must succeed; what it wrote."""
        answer = self.ask(command, timeout_s)
        assert answer.code == 0, f"{command}\nended with {answer.code}:\n{answer.out}"
        return answer.out

    def until(self, command: str, timeout_s: float = 60.0) -> str:
        """Run a command again and again until it succeeds; what it wrote."""
        end_s = time.monotonic() + timeout_s
        while True:
            answer = self.ask(command)
            if answer.code == 0:
                return answer.out
            late = f"not within {timeout_s:g} s: {command}\n{answer.code}: {answer.out}"
            assert time.monotonic() < end_s, late
            time.sleep(0.5)

    def reboot(self) -> None:
        """Shut it down in an orderly way and start it again."""
        self.run("systemctl --no-block reboot")
        self._booted()

    def cut_power(self) -> None:
        """As if the plug were pulled: what the machine had not written to its disk is gone."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None
        if self._port is not None:
            self._port.close()
            self._port = None
