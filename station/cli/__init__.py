"""The command line: `benchward`.

Exit codes: 0 done; 1 the operation failed or found a fault; 2 wrong use or invalid input, with a message that
names file, line or key, the offending value and what would be right.

A command's module is imported only when the command is asked for: the pages, the collector and the nightly
copy start without the drivers of wires they never touch (and would not be let near by their services), and
all start sooner.
"""

import logging
import sys
from importlib import import_module
from importlib.metadata import entry_points
from pathlib import Path

import click

from shared import VERSION
from shared.log_lines import priority, read_by_journald
from shared.problems import BenchwardError, InputError
from station.settings import load_settings

OTHER_COMMANDS = "benchward.commands"
# Each command's name, its module below station.cli, and what it is called there.
OWN_COMMANDS = {
    "alarms": ("alarms", "alarms"),
    "backup": ("care", "backup"),
    "calibrate": ("calibrate", "calibrate"),
    "check": ("check", "check"),
    "contract": ("contract", "contract"),
    "demo": ("demo", "demo"),
    "extraction": ("extraction", "extraction"),
    "heat": ("record", "heat"),
    "log": ("record", "log"),
    "migrate": ("care", "migrate"),
    "outputs-safe": ("ending", "outputs_safe"),
    "prune": ("care", "prune"),
    "replay": ("replay", "replay"),
    "restore": ("care", "restore"),
    "rules": ("rules", "rules"),
    "run": ("run", "run"),
    "settings": ("checks", "settings_group"),
    "sheet": ("checks", "sheet_group"),
    "status": ("status", "status"),
    "units": ("record", "units"),
    "verify": ("record", "verify"),
    "wiring": ("wiring", "wiring"),
}


class BenchwardGroup(click.Group):
    """The top command: takes ``--settings`` anywhere, finds other programs' commands, maps our errors."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Bring ``--settings FILE`` to the front, wherever it stands."""
        front: list[str] = []
        rest = list(args)
        for index, word in enumerate(args):
            if word == "--":
                break
            if word == "--settings" and index + 1 < len(args):
                front = [word, args[index + 1]]
                rest = args[:index] + args[index + 2 :]
                break
            if word.startswith("--settings="):
                front, rest = [word], args[:index] + args[index + 1 :]
                break
        return super().parse_args(ctx, front + rest)

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Our own commands and those that the dashboard brings."""
        others = [entry.name for entry in entry_points(group=OTHER_COMMANDS)]
        return sorted({*OWN_COMMANDS, *others})

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Our own command of this name, or else another program's, loaded only when it is asked for."""
        command: click.Command
        if cmd_name in OWN_COMMANDS:
            module, name = OWN_COMMANDS[cmd_name]
            command = getattr(import_module(f"station.cli.{module}"), name)
            return command
        for entry in entry_points(group=OTHER_COMMANDS, name=cmd_name):
            command = entry.load()
            return command
        return None

    def invoke(self, ctx: click.Context) -> object:
        """Run the command; our own errors become one line on stderr and an exit code."""
        try:
            return super().invoke(ctx)
        except BenchwardError as error:
            _complain(error)
            ctx.exit(2 if isinstance(error, InputError) else 1)
        except BrokenPipeError:
            raise  # whoever read our output has had enough; click ends quietly
        except OSError as error:
            _complain(error)
            ctx.exit(1)


def _complain(error: Exception) -> None:
    """One line on stderr, as an error's line in the service manager's journal where that reads it."""
    mark = f"<{priority(logging.ERROR)}>" if read_by_journald(sys.stderr) else ""
    click.echo(f"{mark}benchward: {error}", err=True)


@click.group(cls=BenchwardGroup)
@click.version_option(VERSION, prog_name="benchward")
@click.option("--settings", type=click.Path(path_type=Path), help="Settings file (TOML); may stand anywhere.")
@click.pass_context
def main(ctx: click.Context, settings: Path | None) -> None:
    """Watch over one repair bench: plate, extraction, interlocks, heat history.

    Not a safety-rated device. It does not replace an independent over-temperature cut-out, a gas detector, an
    extraction test or fire precautions. Local codes and licensed practice come first.
    """
    ctx.obj = load_settings(settings)
