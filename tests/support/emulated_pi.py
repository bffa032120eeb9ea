"""A Raspberry Pi 3B in software: Debian's kernel on QEMU's board, with the locked packages as a Pi gets them.

Nothing of it needs root. Debian's packages are fetched with apt-get into folders of their own and unpacked,
since programs of another processor cannot be run while it is made; QEMU comes from Debian 13 in the same
way, because the SPI of Debian 12's board answers with an error where a real bus without a chip answers with
zeros. What takes long is kept in ``CACHE``; the project itself is added to it at each start.
"""

import hashlib
import inspect
import json
import lzma
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

PROJECT = Path(__file__).parents[2]
BOARD = PROJECT / "tests/machine/board"
CACHE = Path(os.environ.get("BENCHWARD_MACHINES", "/var/cache/benchward-machines"))
KEYRING = Path("/usr/share/keyrings/debian-archive-keyring.gpg")
MIRROR = "http://deb.debian.org/debian"

HOST_SUITE, HOST_PACKAGES = "trixie", ("qemu-system-arm", "device-tree-compiler", "cpio")
KERNEL_SUITE, KERNEL_PACKAGES = "trixie", ("linux-image-arm64",)
# Its Python is the one the byte code below is for.
BOARD_SUITE, BOARD_PACKAGES, BOARD_PYTHON = "bookworm", ("python3", "busybox-static", "mosquitto"), "3.11"
# Raspberry Pi OS has it as python3-lgpio, Debian has not; the same release from the package index.
LGPIO = "lgpio==0.2.2.0"
# Not needed to run, and every megabyte is unpacked at each start.
LEFT_OUT = ("usr/lib/aarch64-linux-gnu/gconv", "usr/share/doc", "usr/share/man", "opt/packages/setuptools")

# What the boot loader adds to the kernel's description of the board: which board it is (a 3B, 1 GB,
# revision 1.2). Source: Raspberry Pi documentation, "Raspberry Pi revision codes".
REVISION = "a02082"
SPI_NODE = "/soc/spi@7e204000"
# What `dtparam=spi=on` adds: user space's device on both chip selects. The kernel refuses the bare name
# "spidev" and wants that of a part; this is the first in its driver's table (drivers/spi/spidev.c).
SPI_PART = "rohm,dh2228fv"
SPI_HZ = 7_735_940

START_S = 300.0
KEPT_S = 14 * 86_400.0


class UnavailableError(Exception):
    """No board can be made here; the message says what is missing."""


class Walk(NamedTuple):
    """What was seen on the board. ``facts``: by name; ``console``: all it wrote; ``took_s``: in all, s."""

    facts: dict[str, object]
    console: str
    took_s: float


class Base(NamedTuple):
    """All that stays the same from one start to the next."""

    folder: Path
    made_s: float

    def host(self, program: str, *words: str) -> list[str]:
        """The command line of one of the fetched programs, run with the libraries fetched with it."""
        root = self.folder / "host"
        (loader,) = [*root.glob("usr/lib64/ld-linux-*.so.*"), *root.glob("usr/lib/ld-linux-*.so.*")][:1]
        (libraries,) = [path.parent for path in root.glob("usr/lib/*-linux-gnu/libc.so.6")]
        return [str(loader), "--library-path", str(libraries), str(root / "usr/bin" / program), *words]


def why_not() -> str | None:
    """Why no board can be made here; None where one can."""
    for program, package in (("apt-get", "apt"), ("dpkg-deb", "dpkg")):
        if shutil.which(program) is None:
            return f"{program} is missing: the board is made of Debian's packages ({package})."
    if not KEYRING.exists():
        return f"{KEYRING} is missing: apt-get install debian-archive-keyring"
    try:
        CACHE.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=CACHE):
            pass
    except OSError as error:
        return f"{CACHE} cannot be written ({error}); BENCHWARD_MACHINES names another folder."
    return None


def base() -> Base:
    """The board's base, from the cache or made anew.

    Raises:
        UnavailableError: it cannot be made here.
    """
    reason = why_not()
    if reason:
        raise UnavailableError(reason)
    folder = CACHE / f"board-{_recipe()}"
    if folder.exists():
        folder.touch()
        return Base(folder, 0.0)
    for other in CACHE.glob("board-*"):  # of recipes and locks that nobody has used lately
        if time.time() - other.stat().st_mtime > KEPT_S:
            shutil.rmtree(other)
    began_s = time.monotonic()
    with tempfile.TemporaryDirectory(dir=CACHE, prefix="making-") as making:
        work = Path(making)
        log = work / "making.log"
        try:
            _make(work / "base", work, log)
        except (subprocess.CalledProcessError, subprocess.TimeoutExpired) as error:
            told = log.read_text("utf-8", errors="replace")[-800:]
            raise UnavailableError(f"The board's base cannot be made: {error}\n{told}") from error
        (work / "base").rename(folder)
    return Base(folder, time.monotonic() - began_s)


def _recipe() -> str:
    """Another one for whatever would make another base."""
    steps = (_make, _describe, _packages, _fetch, _unpack, archive)
    parts = [
        HOST_SUITE,
        HOST_PACKAGES,
        KERNEL_SUITE,
        KERNEL_PACKAGES,
        BOARD_SUITE,
        BOARD_PACKAGES,
        BOARD_PYTHON,
    ]
    parts += [LGPIO, LEFT_OUT, REVISION, SPI_NODE, SPI_PART, SPI_HZ, MIRROR, sys.version_info[:2]]
    parts += [inspect.getsource(step) for step in steps]
    lock = (PROJECT / "deploy/lock.txt").read_bytes()
    return hashlib.sha256(repr(parts).encode() + lock).hexdigest()[:10]


def _make(folder: Path, work: Path, log: Path) -> None:
    folder.mkdir()
    made = Base(folder, 0.0)
    here = subprocess.run(
        ["dpkg", "--print-architecture"], capture_output=True, text=True, check=True
    ).stdout.strip()
    _fetch(work / "for-host", HOST_SUITE, here, HOST_PACKAGES, log)
    _unpack(work / "for-host", folder / "host", log)
    _fetch(work / "for-kernel", KERNEL_SUITE, "arm64", KERNEL_PACKAGES, log)
    _unpack(work / "for-kernel", work / "kernel", log)
    _fetch(work / "for-board", BOARD_SUITE, "arm64", BOARD_PACKAGES, log)
    root = work / "root"
    _unpack(work / "for-board", root, log)
    _packages(root / "opt/packages", log)
    (module,) = (work / "kernel").glob("usr/lib/modules/*/kernel/drivers/spi/spi-bcm2835.ko.xz")
    (root / "lib/modules").mkdir(parents=True, exist_ok=True)
    (root / "lib/modules/spi-bcm2835.ko").write_bytes(lzma.decompress(module.read_bytes()))
    for name in LEFT_OUT:
        shutil.rmtree(root / name, ignore_errors=True)
    if sys.version.startswith(BOARD_PYTHON + "."):
        folders = [str(root / "usr/lib/python3.11"), str(root / "opt/packages")]
        compiled = [sys.executable, "-m", "compileall", "-q", "-s", str(root), "-p", "/"]
        # Some of the standard library's tests are not meant to compile.
        _do([*compiled, "--invalidation-mode", "unchecked-hash", *folders], log, check=False)
    archive(made, root, folder / "base.cpio")
    board = folder / "host/board"
    board.mkdir()
    (kernel,) = (work / "kernel").glob("boot/vmlinuz-*")
    shutil.copy(kernel, board / "vmlinuz")
    (described,) = (work / "kernel").glob("usr/lib/linux-image-*/broadcom/bcm2837-rpi-3-b.dtb")
    shutil.copy(described, board / "board.dtb")
    _describe(made, log)


def _describe(made: Base, log: Path) -> None:
    """Add to the board's description what a Pi's boot loader and settings add."""
    tree = str(made.folder / "host/board/board.dtb")

    def put(node: str, name: str, kind: str, value: str) -> None:
        _do(made.host("fdtput", "-t", kind, tree, node, name, value), log)

    _do(made.host("fdtput", "-c", tree, "/system"), log)
    put("/system", "linux,revision", "x", REVISION)
    put(SPI_NODE, "status", "s", "okay")
    for select in (0, 1):
        node = f"{SPI_NODE}/spidev@{select}"
        _do(made.host("fdtput", "-c", tree, node), log)
        put(node, "compatible", "s", SPI_PART)
        put(node, "reg", "i", str(select))
        put(node, "spi-max-frequency", "i", str(SPI_HZ))


def _packages(target: Path, log: Path) -> None:
    """The locked Python packages as pip gives them to a 64-bit Pi, and the library of its pins."""
    libc = [f"manylinux_2_{minor}_aarch64" for minor in range(17, 37)]
    platforms = [word for tag in (*libc, "manylinux2014_aarch64") for word in ("--platform", tag)]
    pip = [
        sys.executable, "-m", "pip", "install", "-q", "--disable-pip-version-check", "--no-deps",
        "--no-compile", "--only-binary", ":all:", "--implementation", "cp",
        "--python-version", BOARD_PYTHON, *platforms, "--target", str(target),
    ]  # fmt: skip
    _do([*pip, "--require-hashes", "-r", str(PROJECT / "deploy/lock.txt")], log)
    _do([*pip, "--upgrade", LGPIO], log)


def _fetch(folder: Path, suite: str, architecture: str, packages: tuple[str, ...], log: Path) -> None:
    """Debian packages with all they depend on, for any processor, without touching this machine's own."""
    for name in ("state/lists/partial", "cache/archives/partial"):
        (folder / name).mkdir(parents=True)
    (folder / "status").touch()
    (folder / "sources.list").write_text(f"deb [signed-by={KEYRING}] {MIRROR} {suite} main\n", "utf-8")
    settings = {
        "APT::Architecture": architecture, "APT::Architectures::": architecture,
        "APT::Install-Recommends": "false", "APT::Sandbox::User": "root", "Debug::NoLocking": "1",
        "Acquire::Languages": "none", "Acquire::Retries": "2",
        "Dir::Etc::sourcelist": folder / "sources.list", "Dir::Etc::sourceparts": "/nonexistent",
        "Dir::Etc::parts": "/nonexistent", "Dir::State": folder / "state",
        "Dir::State::status": folder / "status", "Dir::Cache": folder / "cache",
    }  # fmt: skip
    words = [word for name, value in settings.items() for word in ("-o", f"{name}={value}")]
    _do(["apt-get", "-qq", *words, "update"], log)
    _do(["apt-get", "-qq", "-y", *words, "--download-only", "install", *packages], log)


def _unpack(fetched: Path, root: Path, log: Path) -> None:
    # Debian 13's packages know only these places; those of Debian 12 go through the links as well.
    for name in ("bin", "sbin", "lib", "lib64"):
        (root / "usr" / name).mkdir(parents=True, exist_ok=True)
        (root / name).symlink_to(f"usr/{name}")
    for package in sorted((fetched / "cache/archives").glob("*.deb")):
        # tar keeps a link to a folder where a package brings that folder.
        with subprocess.Popen(["dpkg-deb", "--fsys-tarfile", str(package)], stdout=subprocess.PIPE) as stream:
            unpacking = [
                "tar",
                "-x",
                "--keep-directory-symlink",
                "--no-same-owner",
                "-C",
                str(root),
                "-f",
                "-",
            ]
            with log.open("ab") as out:
                subprocess.run(unpacking, stdin=stream.stdout, stdout=out, stderr=out, check=True)
    shutil.rmtree(fetched)


def archive(made: Base, root: Path, target: Path) -> None:
    """A folder as the kernel takes its first file system: the files as they are, owned by root."""
    names = "\0".join(sorted(str(path.relative_to(root)) for path in root.rglob("*")))
    with target.open("wb") as out:
        subprocess.run(
            made.host("cpio", "--quiet", "--null", "-o", "-H", "newc", "-R", "0:0"),
            input=names.encode(), stdout=out, cwd=root, check=True,
        )  # fmt: skip


def _do(command: list[str], log: Path, *, check: bool = True) -> None:
    with log.open("ab") as out:
        subprocess.run(command, stdout=out, stderr=out, check=check, timeout=900)


def walk(made: Base, name: str, *, keeps_outputs: bool, limit_s: float) -> Walk:
    """Start the board with the project as it stands, and wait for the end of a walk of ``board/walk.py``.

    Args:
        made: the base.
        name: of the walk.
        keeps_outputs: whether the kernel leaves a pin as it was when its holder ends, as Raspberry Pi OS
            has it without `strict_gpiod`.
        limit_s: the longest it may take, seconds.

    Raises:
        AssertionError: it did not come to its end; with the last that was seen.
    """
    with tempfile.TemporaryDirectory(dir=made.folder / "host", prefix="run-") as folder:
        return _walk(made, Path(folder), name, keeps_outputs, limit_s)


def _walk(made: Base, folder: Path, name: str, keeps_outputs: bool, limit_s: float) -> Walk:
    over = folder / "over"
    program = over / "opt/benchward"
    without = shutil.ignore_patterns("__pycache__")
    for part in ("station", "shared"):
        shutil.copytree(PROJECT / part, program / part, ignore=without)
    shutil.copytree(BOARD, over / "opt/board", ignore=without)
    (over / "etc/benchward").mkdir(parents=True)
    (over / "opt/board/station.toml").rename(over / "etc/benchward/station.toml")
    (over / "opt/board/init").rename(over / "init")
    (over / "init").chmod(0o755)
    if sys.version.startswith(BOARD_PYTHON + "."):
        compiled = [sys.executable, "-m", "compileall", "-q", "-s", str(over), "-p", "/"]
        subprocess.run([*compiled, "--invalidation-mode", "unchecked-hash", str(program)], check=True)
    archive(made, over, folder / "over.cpio")
    with (folder / "initrd").open("wb") as out:
        for part in (made.folder / "base.cpio", folder / "over.cpio"):
            out.write(part.read_bytes())
    # QEMU would load modules of this machine's own QEMU, of another release: its world is the fetched one
    # alone.
    root = made.folder / "host"
    seen_as = Path("/", folder.relative_to(root))
    console = folder / "console"
    command = [
        *([] if os.geteuid() == 0 else ["unshare", "--map-root-user"]), "chroot", str(root),
        "/usr/bin/qemu-system-aarch64", "-M", "raspi3b", "-display", "none", "-monitor", "none",
        "-serial", f"file:{seen_as / 'console'}", "-kernel", "/board/vmlinuz", "-dtb", "/board/board.dtb",
        "-initrd", str(seen_as / "initrd"),
        "-append", f"console=ttyAMA0 rdinit=/init benchward.walk={name} "
        f"pinctrl_bcm2835.persist_gpio_outputs={int(keeps_outputs)}",
    ]  # fmt: skip
    began_s = time.monotonic()
    with (folder / "qemu.log").open("wb") as log:
        board = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=log, stderr=log)
    try:
        while True:
            time.sleep(0.2)
            seen = console.read_text("utf-8", errors="replace") if console.exists() else ""
            took_s = time.monotonic() - began_s
            ended = "\nEND-OF-WALK " in seen and seen.rindex("\n") > seen.index("\nEND-OF-WALK ")
            if ended:
                break
            told = f"after {took_s:.0f} s; the board's last words:\n{seen[-3000:]}"
            assert board.poll() is None, f"QEMU ended {told}\n{(folder / 'qemu.log').read_text()[-1000:]}"
            assert took_s < limit_s, f"The walk {name!r} was not at its end {told}"
            assert took_s < START_S or "FACT" in seen, f"The board did not start {told}"
    finally:
        board.kill()
        board.wait()
    facts = {}
    for line in seen.splitlines():
        if line.startswith("FACT "):
            what, _, value = line.removeprefix("FACT ").partition(" = ")
            facts[what] = json.loads(value)
    assert "\nEND-OF-WALK 0" in seen, f"The walk {name!r} failed:\n{seen[-3000:]}"
    return Walk(facts, seen, took_s)
