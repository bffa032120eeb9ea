"""The chain of a record as these pages have walked it: all events once, later only those that are new.

What costs time in a walk is each event's canonical form. Events that were walked are therefore known by one
digest over all that is stored of them: read again for every look, so that nothing of them can be changed and
still be shown as unbroken, and walked again whole where the digest is another.
"""

import hashlib
import threading
from collections.abc import Iterable, Iterator
from itertools import islice
from typing import Any

from shared import chain
from shared.chain import Verdict
from shared.history import History
from shared.stored import StoredEvent, printed


class SeenChain:
    """What is known of one record's chain in this process."""

    def __init__(self) -> None:
        self._known, self._digest = chain.NOTHING, _digest()
        # Whoever comes while all of it is walked waits for that walk and has its result.
        self._walking = threading.Lock()

    def look(self, history: History) -> Verdict:
        """What `History.verify` finds of the chain, in a fraction of its time where most of it is known."""
        with self._walking:
            known, self._known = self._known, chain.NOTHING  # nothing, should what follows fail
            events, digest = history.stored(), _digest()
            for event in islice(events, known.count):
                _take(digest, event)
            if digest.digest() != self._digest.digest():
                known, events, digest = chain.NOTHING, history.stored(), _digest()
            verdict = chain.verify(_printed(events, digest), known)
            if verdict.problem is None:
                self._known, self._digest = verdict, digest
            return verdict


def _digest() -> Any:
    return hashlib.blake2b()


def _take(digest: Any, event: StoredEvent) -> None:
    digest.update(repr(tuple(event)).encode())


def _printed(events: Iterable[StoredEvent], digest: Any) -> Iterator[dict[str, Any]]:
    """The events as a walk wants them, each taken into the digest."""
    for event in events:
        _take(digest, event)
        yield printed(event)
