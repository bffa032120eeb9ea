"""Requests that come twice: answered again, never acted on again.

QoS 1 may deliver a request twice, and a sender without an answer asks again. A request is the same when its
response topic, its correlation data, its payload and the topic it came on are; one without correlation data
is always new.
"""

import hashlib
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

from shared.messages import Answer
from station.link.client import Incoming

REMEMBERED = 1000
REMEMBERED_S = 600.0

Deliver = Callable[[Answer], None]


@dataclass
class _Asked:
    at_s: float
    answer: Answer | None = None


class Repeats:
    """What was asked lately and how it was answered; answers may come from another thread."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        """Begin empty; ``clock`` in seconds, never falling."""
        self._clock = clock
        self._asked: OrderedDict[bytes, _Asked] = OrderedDict()
        self._lock = threading.Lock()

    def remember(self, incoming: Incoming, deliver: Deliver) -> Deliver | None:
        """How to answer a new request; None for a repeat, which is answered from memory.

        A repeat of a request that is still under way is dropped: its answer comes anyway.
        """
        if not incoming.correlation:
            return deliver
        key = _same(incoming)
        now_s = self._clock()
        with self._lock:
            self._forget(now_s)
            known = self._asked.get(key)
            if known is None:
                asked = self._asked[key] = _Asked(now_s)
        if known is not None:
            if known.answer is not None:
                deliver(known.answer)
            return None

        def answered(answer: Answer) -> None:
            with self._lock:
                if "station-busy" in answer.reasons:
                    self._asked.pop(key, None)  # nothing was done: asking again is a new request
                asked.answer = answer
            deliver(answer)

        return answered

    def _forget(self, now_s: float) -> None:
        while self._asked:
            oldest = next(iter(self._asked.values()))
            if len(self._asked) < REMEMBERED and now_s - oldest.at_s < REMEMBERED_S:
                return
            self._asked.popitem(last=False)


def _same(incoming: Incoming) -> bytes:
    """Equal for equal requests, and short: a thousand are remembered, and strangers say how long they are."""
    digest = hashlib.sha256()
    where = (incoming.response_topic or "").encode()
    for part in (where, incoming.correlation or b"", incoming.payload, b"office" if incoming.office else b""):
        digest.update(len(part).to_bytes(4, "big") + part)
    return digest.digest()
