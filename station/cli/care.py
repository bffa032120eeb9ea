"""Care of the database: `backup`, `restore`, `migrate`, `prune`."""

from datetime import UTC, datetime
from pathlib import Path

import click

from shared.records import SCHEMA_VERSION
from station.cli.record import db_option
from station.cli.watching import watching
from station.clock import SYNCHRONISED, WallClock
from station.journal.backup import Copied, back_up, older_copies
from station.journal.backup import restore as put_back
from station.journal.claim import Claim
from station.journal.migrating import bring_up_to_date, version_of
from station.journal.pruning import believed_now_ms
from station.journal.pruning import prune as thin
from station.journal.rolling import forget_state, keep_heat_anew, roll_up_anew
from station.settings import Settings


def _file(settings: Settings, db: Path | None) -> Path:
    return db or Path(settings.journal.path)


def machine_clock(settings: Settings) -> WallClock:
    """The machine's wall clock, trusted as the station of these settings trusts it."""
    named = settings.station.sync_file
    sync_file = SYNCHRONISED if named is None else Path(named)
    return WallClock(trusted=settings.station.clock == "trusted", sync_file=sync_file)


def _told(copied: Copied) -> str:
    size_mb = copied.size / 1e6
    told = f"{copied.path}: {size_mb:.1f} MB, {copied.events} events, read back whole; head {copied.head}"
    if copied.schema < SCHEMA_VERSION:
        told += (
            f"\nIts schema is {copied.schema}; a station that starts on it brings it to {SCHEMA_VERSION}, "
            "and so does benchward migrate."
        )
    return told


@click.command()
@click.argument("dest", type=click.Path(path_type=Path))
@db_option
@click.option(
    "--keep",
    type=click.IntRange(min=1),
    metavar="N",
    help="Of the copies in the folder DEST keep the newest N; older ones go once the new one is good.",
)
@click.pass_obj
def backup(settings: Settings, dest: Path, db: Path | None, keep: int | None) -> None:
    """Copy the database to DEST (a new file, or a folder) and verify the copy; the station may run."""
    if keep is not None and not dest.is_dir():
        raise click.UsageError(f"--keep goes with a folder, and {dest} is none.")
    with watching("checking the copy") as progress:
        copied = back_up(_file(settings, db), dest, progress)
    click.echo(_told(copied))
    for old in [] if keep is None else older_copies(copied.path, keep):
        old.unlink()
        click.echo(f"{old}: deleted, one of more than {keep}")
    click.echo("Keep the head somewhere else: it shows later whether the record was cut off or rewritten.")


@click.command()
@click.argument("src", type=click.Path(path_type=Path))
@db_option
@click.pass_obj
def restore(settings: Settings, src: Path, db: Path | None) -> None:
    """Put the backup SRC in the database's place; the station must be stopped, the old file is kept."""
    with watching("checking the copy") as progress:
        copied, aside = put_back(src, _file(settings, db), progress)
    click.echo(_told(copied))
    if aside is not None:
        click.echo(f"What was there before is kept as {aside}")


@click.command()
@db_option
@click.option("--dry-run", is_flag=True, help="Only say what would be done.")
@click.option(
    "--roll-up",
    is_flag=True,
    help="Make anew what is taken together: minutes, hours, closed units' heat, the state.",
)
@click.pass_obj
def migrate(settings: Settings, db: Path | None, dry_run: bool, roll_up: bool) -> None:
    """Bring the database to this program's schema: backed up before, checked after, all of it or nothing."""
    path = _file(settings, db)
    version = version_of(path)
    if dry_run:
        need = (
            "nothing to do" if version == SCHEMA_VERSION else f"would be brought to schema {SCHEMA_VERSION}"
        )
        click.echo(f"{path}: schema {version}; {need}")
        return
    claim = Claim(path)
    try:
        done = bring_up_to_date(path)
        with watching("rolling up") as progress:
            anew = roll_up_anew(path, progress) if roll_up else 0
        with watching("adding up heat") as progress:
            units = keep_heat_anew(path, progress) if roll_up else 0
        if roll_up:
            forget_state(path)
    finally:
        claim.release()
    if done.kept is None:
        click.echo(f"{path}: has schema {done.after} already")
    else:
        click.echo(f"{path}: brought from schema {done.before} to {done.after}; as it was: {done.kept}")
    if roll_up:
        click.echo(f"minutes and hours of {anew} boots made anew, and the heat of {units} closed units")
        click.echo("the next start folds the station's state from all events")


@click.command()
@db_option
@click.option("--older-than", type=click.IntRange(min=1), metavar="DAYS", required=True, help="Age in days.")
@click.option(
    "--as-of",
    type=click.DateTime(["%Y-%m-%d"]),
    metavar="YYYY-MM-DD",
    help="Count ages back from the beginning of this day (UTC) instead of from the machine's clock.",
)
@click.option("--dry-run", is_flag=True, help="Only say what would go.")
@click.option(
    "--unsent-too", is_flag=True, help="Also seconds that the broker has not had: it never gets them."
)
@click.pass_obj
def prune(
    settings: Settings, db: Path | None, older_than: int, as_of: datetime | None, dry_run: bool,
    unsent_too: bool,
) -> None:  # fmt: skip
    """Delete old seconds of record in which no unit lay on the plate; a station may be running.

    Events, the seconds of units, minutes and hours stay, and so do seconds that are still to be sent to the
    broker. The extractor's hours are then told by the minute. Refused while the machine's clock is not known
    to be set, or lies more than a day from the newest record.
    """
    path = _file(settings, db)
    if as_of is not None:
        now_ms = round(as_of.replace(tzinfo=UTC).timestamp() * 1000)
    else:
        now_ms = believed_now_ms(path, machine_clock(settings).ms())
    with watching("thinning") as progress:
        done = thin(path, now_ms, older_than, dry_run=dry_run, unsent_too=unsent_too, progress=progress)
    verb = "would go" if dry_run else "deleted"
    click.echo(
        f"{done.gone} seconds from before {done.before} {verb}; {done.kept} of units on the plate stay."
    )
    if done.undated:
        click.echo(f"{done.undated} seconds stay because their date is not known.")
    if done.unsent:
        click.echo(
            f"{done.unsent} seconds stay because the broker has not had them yet; with --unsent-too it never "
            "gets them."
        )
    if done.gone and not dry_run:
        click.echo("The file keeps its size: the room is used again for what comes.")
