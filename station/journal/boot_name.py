"""The name under which a record tells this boot of the machine.

Events are known by boot and number. Where a database comes into the place of another within one boot (one
that was restored, or a new one in the place of a damaged one), its numbers have been given out before:
whoever collects events would take the new ones for old ones come twice. So the boot gets another name.
"""

import os
from pathlib import Path

BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


def boot_name(database: Path, kernel: Path = BOOT_ID) -> str:
    """The boot's name for this database: the kernel's, with a number where the database was exchanged."""
    boot, number = kernel.read_text("ascii").strip(), _exchanged(database)
    return boot if number is None or number[0] != boot else f"{boot}.{number[1]}"


def rename_boot(database: Path, kernel: Path = BOOT_ID) -> None:
    """From now on, and until the machine boots again, this database has another name for the boot."""
    boot, known = kernel.read_text("ascii").strip(), _exchanged(database)
    number = known[1] + 1 if known is not None and known[0] == boot else 1
    part = _beside(database).with_name(f".{_beside(database).name}.part")
    part.write_text(f"{boot} {number}\n", "ascii")
    os.replace(part, _beside(database))


def _beside(database: Path) -> Path:
    return database.with_name(f"{database.name}.boot")


def _exchanged(database: Path) -> tuple[str, int] | None:
    """In which boot the database was exchanged last, and how often; None where it never was."""
    try:
        boot, number = _beside(database).read_text("ascii").split()
        return boot, int(number)
    except (OSError, ValueError):
        return None
