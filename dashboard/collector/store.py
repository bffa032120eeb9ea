"""The collected database, PostgreSQL or SQLite. The same row written twice is kept once."""

import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Protocol

import sqlalchemy as sa
import sqlalchemy.exc

from dashboard.collector import tables
from dashboard.collector.boots import DAY_S, Boots, month_after, month_of, month_of_day
from dashboard.collector.rows import Row, SetAside
from dashboard.collector.sqlite import Sqlite
from shared.problems import FailureError, InputError


class RefusedError(Exception):
    """The database answers, and does not take a value among the rows. Nothing was written."""


class AwayError(Exception):
    """The database does not answer, or cannot write now. Nothing was written."""


class Dialect(Protocol):
    """What PostgreSQL and SQLite do each in their own way."""

    errors: tuple[type[Exception], ...]

    def insert(self, table: sa.Table) -> Any:
        """An INSERT that can pass over what is there."""

    def engine(self, url: sa.URL) -> sa.Engine:
        """An engine for the URL."""

    def lay_out(self, connection: sa.Connection) -> None:
        """Make the tables and views that are missing."""

    def make_months(self, connection: sa.Connection, months: Iterable[str]) -> None:
        """Make room for rows of these months."""

    def write(self, connection: sa.Connection, table: sa.Table, rows: list[tuple[Any, ...]]) -> None:
        """Insert the rows that are not there yet; the same key may stand among them twice."""

    def refuses(self, error: BaseException) -> bool:
        """Whether the error is about a value, rather than about the database."""


def dialect_of(url: str) -> tuple[Dialect, sa.URL]:
    """How to speak to the database of the URL, and its URL for the library.

    Raises:
        InputError: the URL is of neither kind.
        FailureError: the driver for PostgreSQL is not installed.
    """
    try:
        made = sa.make_url(url)
    except sqlalchemy.exc.ArgumentError as error:
        raise InputError(f"{url!r} is no database; write postgresql://USER@HOST/NAME.") from error
    if made.drivername == "sqlite" and made.database:
        return Sqlite(), made
    if made.drivername != "postgresql":
        shown = made.render_as_string(hide_password=True)
        raise InputError(f"{shown!r} is neither postgresql://USER@HOST/NAME nor sqlite:///FILE.")
    try:
        # The driver has no wheel for every board, and a small shop does without it.
        from dashboard.collector.postgres import Postgres
    except ImportError as error:
        raise FailureError(
            "The driver for PostgreSQL is missing: pip install 'benchward[collect]'."
        ) from error
    return Postgres(), made.set(drivername="postgresql+psycopg")


def reading_engine(url: str) -> sa.Engine:
    """An engine for who only reads.

    Raises:
        InputError: the URL is of neither kind, or there is no such file.
        FailureError: the driver for PostgreSQL is not installed.
    """
    dialect, made = dialect_of(url)
    if made.drivername == "sqlite" and not Path(str(made.database)).is_file():
        raise InputError(f"{url!r}: there is no such file; `benchward collect --to` makes it.")
    return dialect.engine(made)


class Store:
    """Writes rows; ``write`` returns only after its transaction is committed.

    ``clock``: Unix time in seconds, for the month of boots that do not know the time.
    """

    def __init__(self, url: str, clock: Callable[[], float] = time.time) -> None:
        self._dialect, made = dialect_of(url)
        self.engine = self._dialect.engine(made)
        self._clock = clock
        self._boots = Boots()
        self._laid_out = False
        self._months: set[str] = set()

    def write(self, rows: Sequence[Row | SetAside]) -> None:
        """Write all rows in one transaction, those that are there already excepted.

        Raises:
            RefusedError: a value is refused; nothing was written, and it may be tried in parts.
            AwayError: try again later; nothing was written.
        """
        kept = [row for row in rows if isinstance(row, Row)]
        aside = [tuple(row) for row in rows if isinstance(row, SetAside)]
        with self._told_apart():
            self._prepare()
            self._know(kept)
            batches, months = self._batches(kept)
            self._have_months(months)
            news = self._boots.news(kept)
            with self.engine.begin() as connection:
                for table in tables.PARTITIONED:
                    if batches[table.name]:
                        self._dialect.write(connection, table, batches[table.name])
                if aside:
                    self._dialect.write(connection, tables.set_aside, aside)
                self._boots.date(connection, news)
            self._boots.dated(news)

    def close(self) -> None:
        """Give the connections back."""
        self.engine.dispose()

    @contextmanager
    def _told_apart(self) -> Iterator[None]:
        """Errors told apart by what helps: leaving a row out, or waiting."""
        ours = (sqlalchemy.exc.SQLAlchemyError, OSError, ValueError, OverflowError)
        caught: tuple[type[Exception], ...] = ours + self._dialect.errors
        try:
            yield
        except caught as error:
            cause = getattr(error, "orig", None) or error
            told = (str(cause).splitlines() or [type(cause).__name__])[0]
            if self._dialect.refuses(cause):
                raise RefusedError(told) from error
            # What comes back may be another database, or the same as it was yesterday.
            self._boots.forget()
            self._months.clear()
            self._laid_out = False
            raise AwayError(told) from error

    def _prepare(self) -> None:
        if not self._laid_out:
            with self.engine.begin() as connection:
                self._dialect.lay_out(connection)
            self._laid_out = True

    def _know(self, rows: list[Row]) -> None:
        strangers = self._boots.strangers(rows)
        if strangers:
            with self.engine.begin() as connection:
                self._boots.learn(connection, self._dialect.insert, strangers, self._clock())

    def _batches(self, rows: list[Row]) -> tuple[dict[str, list[tuple[Any, ...]]], set[str]]:
        """The rows as the tables' columns, and the months they fall into."""
        batches: dict[str, list[tuple[Any, ...]]] = {table.name: [] for table in tables.PARTITIONED}
        months: set[str] = set()
        # The busiest loop of the collector: names are looked up once, outside.
        known = self._boots.known
        for _, table, station, name, mono_s, key, values, _ in rows:
            boot, zero_s, _ = known[station, name]
            month = month_of_day(int(zero_s + mono_s) // DAY_S)
            months.add(month)
            batches[table].append((boot, key, month, *values))
        return batches, months

    def _have_months(self, months: set[str]) -> None:
        """Also this month and the next are made, so that the turn of the month finds its place ready."""
        now = month_of(self._clock())
        missing = (months | {now, month_after(now)}) - self._months
        if missing:
            with self.engine.begin() as connection:
                self._dialect.make_months(connection, sorted(missing))
            self._months |= missing
