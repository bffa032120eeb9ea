"""The installer's change to a Pi's boot configuration: told, asked, kept as it was, and made once.

What a line counts for: Raspberry Pi documentation, "config.txt", conditional filters: a section holds until
the next; `[all]` is for every board.
"""

import os
import pty
import subprocess
from pathlib import Path

import pytest

DEPLOY = Path(__file__).parents[2] / "deploy"
AS_IT_WAS = "dtparam=audio=on\n[cm4]\notg_mode=1\n"
ADDED = "\n# For Benchward\n[all]\ndtparam=spi=on\ndtparam=strict_gpiod\n"


@pytest.fixture
def config(tmp_path) -> Path:
    """A boot configuration of a board that nobody has prepared."""
    path = tmp_path / "config.txt"
    path.write_text(AS_IT_WAS)
    path.chmod(0o640)
    return path


def installer(words: str, file: Path, *, answer: str | None = None) -> tuple[int, str]:
    """Call functions of the installer on a file, at a terminal if somebody answers; exit code and output."""
    script = f'set -euo pipefail; . "{DEPLOY}/installing.sh"; {words.format(file=file)}'
    keyboard, terminal = pty.openpty()
    try:
        if answer is not None:
            os.write(keyboard, answer.encode())
        done = subprocess.run(
            ["bash", "-c", script],
            stdin=subprocess.DEVNULL if answer is None else terminal,
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, timeout=30, check=False,
        )  # fmt: skip
    finally:
        os.close(keyboard)
        os.close(terminal)
    return done.returncode, done.stdout


@pytest.mark.parametrize(
    ("text", "lacks"),
    [
        ("", ["dtparam=spi=on", "dtparam=strict_gpiod"]),
        ("dtparam=spi=on\n", ["dtparam=strict_gpiod"]),
        ("dtparam=spi=on\r\ndtparam=strict_gpiod  \n", []),
        ("#dtparam=spi=on\ndtparam=strict_gpiod\n", ["dtparam=spi=on"]),
        ("[pi4]\ndtparam=spi=on\n[all]\ndtparam=strict_gpiod", ["dtparam=spi=on"]),
        ("[pi4]\nx=1\n[all]\ndtparam=spi=on\ndtparam=strict_gpiod\n[cm4]\ny=1\n", []),
    ],
)
def test_only_what_counts_for_every_board_counts(config, text, lacks):
    """Comments do not, nor what stands under another board's filter; ends of lines do not matter."""
    config.write_text(text)
    assert installer("boot_lacks {file}", config) == (0, "".join(f"{line}\n" for line in lacks))


def test_it_is_told_asked_and_kept_as_it_was(config):
    """Agreed at a terminal: lines added for every board, the old file stands beside, rights as before."""
    code, told = installer("ready_boot {file}", config, answer="y\n")
    assert code == 0
    assert "lacks: dtparam=spi=on dtparam=strict_gpiod" in told
    assert config.read_text() == AS_IT_WAS + ADDED
    assert config.with_name("config.txt.before-benchward").read_text() == AS_IT_WAS
    assert config.stat().st_mode & 0o777 == 0o640
    assert installer("boot_is_ready {file}", config) == (0, "")


def test_the_first_file_is_the_one_that_is_kept(config):
    """Somebody took a line out again: it is added, and the copy is still of the file that was there first."""
    installer("yes=1; ready_boot {file}", config)
    config.write_text(config.read_text().replace("dtparam=spi=on\n", ""))
    assert installer("yes=1; ready_boot {file}", config)[0] == 0
    assert config.read_text().endswith("[all]\ndtparam=spi=on\n")
    assert config.with_name("config.txt.before-benchward").read_text() == AS_IT_WAS


@pytest.mark.parametrize("answer", ["n\n", "\n", "maybe\n", None])
def test_it_stays_as_it_is_unless_somebody_agrees(config, answer):
    """No, nothing, something else, and nobody at a terminal."""
    code, told = installer("ready_boot {file}", config, answer=answer)
    assert code == 1
    assert "cannot be relied on" in told
    assert [path.name for path in config.parent.iterdir()] == ["config.txt"]
    assert config.read_text() == AS_IT_WAS


def test_a_dry_run_tells_and_writes_nothing(config):
    """Every line that would be written is told."""
    code, told = installer("dry=1; ready_boot {file}", config)
    assert code == 0
    assert "| dtparam=strict_gpiod" in told
    assert [path.name for path in config.parent.iterdir()] == ["config.txt"]
    assert config.read_text() == AS_IT_WAS
