"""Writes a batch whatever is in it: a row the database refuses is set aside, and the others are written."""

import logging
from collections.abc import Sequence

from dashboard.collector.rows import Row, SetAside, set_aside
from dashboard.collector.store import RefusedError, Store

_log = logging.getLogger(__name__)


def write_all(store: Store, rows: Sequence[Row | SetAside]) -> None:
    """Write the rows; halve a batch that is refused until the bad row stands alone.

    Raises:
        AwayError: some rows may be written and others not; writing all again is harmless.
    """
    if not rows:
        return
    try:
        store.write(rows)
    except RefusedError as error:
        if len(rows) > 1:
            middle = len(rows) // 2
            write_all(store, rows[:middle])
            write_all(store, rows[middle:])
        else:
            _alone(store, rows[0], str(error))


def _alone(store: Store, row: Row | SetAside, why: str) -> None:
    if isinstance(row, Row):
        _log.warning("A message on %s is set aside, the database refuses it: %s", row.told.topic, why)
        write_all(store, [set_aside(row.told, f"the database refuses it: {why}")])
    else:
        # Nothing is left to try, and waiting would hold up every other station.
        _log.error("A message on %s is lost, it cannot even be set aside: %s", row.topic, why)
