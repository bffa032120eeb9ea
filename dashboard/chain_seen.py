"""The chain of a record as these pages have walked it: all of it once, then what is new and what is shown.

A year of events takes seconds to walk, on a small board half a minute. The hashes that stood at some of its
places are kept from that walk. As long as what is shown leads from one of them to the next, it is part of the
chain that was walked whole. An older event that was changed since, and is not shown, is found by the next
walk of all: when a review is signed, by `benchward verify`, and in each copy.
"""

import threading
import time
from collections.abc import Callable, Iterable, Iterator
from itertools import islice
from typing import Any, NamedTuple

from shared import chain
from shared.chain import Verdict
from shared.history import History

APART = 500


class Walked(NamedTuple):
    """What a look at the chain found, and when all of it was walked last (Unix s); now or earlier."""

    verdict: Verdict
    whole_s: float
    just_now: bool


class SeenChain:
    """What is known of one record's chain in this process."""

    def __init__(self, clock: Callable[[], float] = time.time) -> None:
        self._clock = clock
        self._known = chain.NOTHING
        self._marks: dict[
            int, str
        ] = {}  # the hash at every so many-th event, from a walk that found it whole
        self._whole_s: float | None = None
        # Whoever comes while all of it is walked waits for that walk and has its result.
        self._walking = threading.Lock()

    def look(self, history: History, first: int | None = None, last: int = 0) -> Walked:
        """Walk what is new and what is shown; all of it where the record is not the one that is known.

        Args:
            history: the record.
            first: the seq of the oldest event that is shown; None where none is.
            last: that of the newest.
        """
        with self._walking:
            if self._whole_s is not None and self._goes_on(history, first, last):
                return Walked(self._known, self._whole_s, False)
            self._marks = {}
            self._known, began_s = chain.NOTHING, self._clock()
            verdict = self._walk(history)
            self._whole_s = began_s if verdict.problem is None else None
            return Walked(verdict, began_s, True)

    def _walk(self, history: History) -> Verdict:
        """Walk from what is known to the end, which is known then."""
        verdict = chain.verify(self._marked(history.printed(self._known.count)), self._known)
        self._known = verdict
        return verdict

    def _marked(self, events: Iterable[dict[str, Any]]) -> Iterator[dict[str, Any]]:
        for event in events:
            if event["seq"] % APART == 0:
                self._marks[event["seq"]] = event["hash"]
            yield event

    def _goes_on(self, history: History, first: int | None, last: int) -> bool:
        """Whether the record still holds what is known, what is shown leads to it, what is new follows."""
        if history.hash_of(self._known.count) != self._known.head:
            return False
        if self._walk(history).problem is not None:
            return False
        return first is None or self._is_known(history, first, last)

    def _is_known(self, history: History, first: int, last: int) -> bool:
        """Whether these events lead from a hash that is known to the next."""
        marks = {0: chain.ZERO, **self._marks, self._known.count: self._known.head}
        begin = max(seq for seq in marks if seq < first)
        end = min((seq for seq in marks if seq >= last), default=self._known.count)
        shown = islice(history.printed(begin), end - begin)
        return chain.verify(shown, Verdict(begin, marks[begin])) == Verdict(end, marks[end])
