"""The command line: `benchward`.

Exit codes: 0 done; 1 the operation failed or found a fault; 2 wrong use or invalid input, with a message that
names file, line or key, the offending value and what would be right.
"""

import logging
import sys
from importlib.metadata import entry_points
from pathlib import Path

import click

from shared import VERSION
from shared.log_lines import priority, read_by_journald
from shared.problems import BenchwardError, InputError
from station.cli.alarms import alarms
from station.cli.calibrate import calibrate
from station.cli.care import backup, migrate, prune, restore
from station.cli.check import check
from station.cli.checks import settings_group, sheet_group
from station.cli.contract import contract
from station.cli.demo import demo
from station.cli.ending import outputs_safe
from station.cli.extraction import extraction
from station.cli.record import heat, log, units, verify
from station.cli.replay import replay
from station.cli.rules import rules
from station.cli.run import run
from station.cli.status import status
from station.cli.wiring import wiring
from station.settings import load_settings

OTHER_COMMANDS = "benchward.commands"


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
        return sorted({*super().list_commands(ctx), *others})

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Our own command of this name, or else another program's, loaded only when it is asked for."""
        own = super().get_command(ctx, cmd_name)
        if own is not None:
            return own
        for entry in entry_points(group=OTHER_COMMANDS, name=cmd_name):
            command: click.Command = entry.load()
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


for _command in (
    alarms,
    backup,
    contract,
    calibrate,
    check,
    demo,
    extraction,
    heat,
    log,
    migrate,
    outputs_safe,
    prune,
    replay,
    restore,
    rules,
    run,
    settings_group,
    sheet_group,
    status,
    units,
    verify,
    wiring,
):
    main.add_command(_command)
