"""`benchward check`: the walk through the wiring, signed and recorded; `--shift`: the technician's minute."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

import click

from shared.events import Commissioned, Values
from shared.problems import FailureError, InputError
from shared.requests import is_identifier
from station.cli.at_the_bench import AnsweringByHand, AtTheBench
from station.cli.shift import check_shift
from station.cli.verdict_line import verdict_line
from station.clock import RealClock
from station.commissioning.holder import ProcessHolder
from station.commissioning.parties import Holder, Person, Wires
from station.commissioning.real import BenchWires
from station.commissioning.verdicts import Verdict, all_well
from station.commissioning.walk import energised, killed, walk
from station.drivers.bench import real_bench
from station.journal.boot_name import boot_name
from station.journal.recording import record_now
from station.settings import Settings
from station.simulation.bench import SimulatedBench
from station.simulation.helper import FLAWS, SimulatedHelper, SimulatedRoom
from station.simulation.wires import Fault

DEAD_S = 2.0

CAUTIONS = (
    "The walk switches the iron's socket on for moments. Mains wiring is work for a competent person; local "
    "codes and licensed practice come first. Nothing here makes the station a safety-rated device."
)


@click.command()
@click.option("--shift", is_flag=True, help="The minute before a shift, with the station running.")
@click.option("--simulate", is_flag=True, help="On the simulated bench, where everything asked for is done.")
@click.option("--yes", is_flag=True, help="With --simulate: answer by what the simulation shows, ask nobody.")
@click.option(
    "--fault",
    "faults",
    multiple=True,
    type=click.Choice([*(str(fault) for fault in Fault), *FLAWS]),
    help="With --simulate: what is wrong with the bench.",
)
@click.option("--by", metavar="NAME", help="Who walks and signs; needed to store.")
@click.option("--db", type=click.Path(path_type=Path), help="The station's database.")
@click.option("--dry-run", is_flag=True, help="Store nothing.")
@click.option("--format", "form", type=click.Choice(["text", "jsonl"]), default="text", show_default=True)
@click.pass_obj
def check(
    settings: Settings, shift: bool, simulate: bool, yes: bool, faults: tuple[str, ...], by: str | None,
    db: Path | None, dry_run: bool, form: str,
) -> None:  # fmt: skip
    """Walk through the wiring: every sensor asked, every light and sound shown, one verdict a line.

    The station must be stopped: it holds the wires and the journal. Exit code 1 when something failed. What
    was found is recorded under your name; until all of it has passed the station says that it is not
    commissioned, and so does its page. It locks nothing.
    """
    _check_use(simulate=simulate, yes=yes, faults=faults, by=by, db=db, dry_run=dry_run, shift=shift)
    if shift:
        check_shift(settings, by or "", simulate=simulate, yes=yes, faults=faults, form=form)
        return
    click.echo(CAUTIONS, err=True)
    verdicts = []
    for found in _walked(settings, simulate, yes, frozenset(faults)):
        verdicts.append(found)
        click.echo(verdict_line(found, form))
    if not dry_run:
        _store(settings, db or Path(settings.journal.path), by or "", verdicts, simulate, yes)
    failed = [each.name for each in verdicts if each.outcome == "failed"]
    if failed:
        raise FailureError(f"Not commissioned: {', '.join(failed)} failed.")
    click.echo(f"All {len(verdicts)} passed.", err=True)


def _check_use(
    *, simulate: bool, yes: bool, faults: tuple[str, ...], by: str | None, db: Path | None, dry_run: bool,
    shift: bool,
) -> None:  # fmt: skip
    if yes and not simulate:
        raise InputError("--yes goes with --simulate: on real wires somebody must look at each light.")
    if faults and not simulate:
        raise InputError(f"--fault is {faults[0]!r}; it goes with --simulate.")
    if by is not None and not is_identifier(by):
        raise InputError(f"--by is {by!r}, not 1 to 40 of letters, digits, '-', '_' and '.'.")
    if by is None and not dry_run:
        raise InputError("--by is missing: a check is stored with who made it (or use --dry-run).")
    if shift and (db is not None or dry_run):
        raise InputError("--shift is recorded by the running station itself; leave out --db and --dry-run.")
    if simulate and db is None and not dry_run and not shift:
        raise InputError(
            "--simulate: a simulated walk does not go into the station's own journal; "
            "name another with --db, or use --dry-run."
        )


class _Scene(NamedTuple):
    """Who takes part, what to do with the wires before the last check, and who dies in it."""

    wires: Wires
    person: Person
    let_go: Callable[[], None]
    holder: Holder


def _walked(settings: Settings, simulate: bool, yes: bool, faults: frozenset[str]) -> Iterator[Verdict]:
    scene = _simulated(settings, yes, faults) if simulate else _real(settings)
    with scene as (wires, person, let_go, holder):
        yield from walk(wires, person, settings.limits.extraction, settings.wires.extraction.kind)
        let_go()
        yield killed(holder, person)


@contextmanager
def _real(settings: Settings) -> Iterator[_Scene]:
    bench = real_bench(settings.wires, settings.limits.plate)
    try:
        bench.start()
        yield _Scene(
            BenchWires(bench), AtTheBench(), bench.close, ProcessHolder(settings.wires, simulated=False)
        )
    finally:
        bench.close()
        with real_bench(settings.wires, settings.limits.plate):
            pass  # whatever the killed program left driven is driven safe again


@contextmanager
def _simulated(settings: Settings, yes: bool, faults: frozenset[str]) -> Iterator[_Scene]:
    plant = SimulatedBench(settings.wires, seed=3, limits=settings.limits.plate)
    room = SimulatedRoom(plant, faults & set(FLAWS))
    for fault in faults - set(FLAWS):
        plant.fault(fault)
    person = SimulatedHelper(room) if yes else AnsweringByHand(room)
    with plant.bench:
        yield _Scene(room, person, plant.bench.close, _SimulatedHolder(settings, room))


class _SimulatedHolder:
    """A real process is killed; what its pins do to the relay is told to the simulated room."""

    def __init__(self, settings: Settings, room: SimulatedRoom) -> None:
        self._room = room
        self._process = ProcessHolder(settings.wires, simulated=True, after=self._died)

    def killed(self, while_alive: Callable[[], bool]) -> bool:
        """As the process is killed."""

        def alive() -> bool:
            self._room.live_again(energised)
            return while_alive()

        return self._process.killed(alive)

    def _died(self) -> None:
        self._room.left(energised(1), DEAD_S)


def _store(
    settings: Settings, path: Path, by: str, verdicts: list[Verdict], simulate: bool, yes: bool
) -> None:
    if not yes and not click.confirm(
        f"Sign as {by}: I stood at {settings.station.id} and saw each of these myself?",
        default=None,
        err=True,
    ):
        raise FailureError("Not signed, so nothing was stored.")
    values: Values = {}
    for each in verdicts:
        values |= each.values
    body = Commissioned(
        station=settings.station.id,
        by=by,
        passed=all_well(verdicts),
        verdicts={each.name: each.outcome for each in verdicts},
        wires=settings.wires.digest(simulated=simulate),
        values=values,
    )
    clock = RealClock(boot_name(path), trusted=settings.station.clock == "trusted")
    record = record_now(path, clock, body)
    click.echo(f"Stored as event {record.seq} in {path}.", err=True)
