"""What a row of the table of faults is made of."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import NamedTuple

NO_PAGE = "no page"


class Seen(NamedTuple):
    """What must be seen, and where. Empty: nothing is asked of that place.

    Attributes:
        light: every lamp that is lit, at the pins: `red fast, blue slow`.
        sound: of the buzzer's pin: `critical`, `high`, `medium`, `low` or `refused`.
        permit: the level of the iron's relay.
        heartbeat: `beats`, or `still`.
        events: in the journal, `kind key=value …`; a number first: exactly so many. Where the broker can be
            reached they must come on the broker too.
        never: what must not be in the journal.
        broker: of the newest state, `path=value` or `alarm NAME`; of other topics, `status key=value`.
        page: words on the bench's page; `NO_PAGE`: none is served.
        log: words in the station's log.
        exits: the station ends by itself with this code.
        within_s: how long all that may take, machine seconds.
        no_later_s: how soon the permit must fall, station seconds; 0: not asked.
    """

    light: str = ""
    sound: str = ""
    permit: bool | None = None
    heartbeat: str = "beats"
    events: tuple[str, ...] = ()
    never: tuple[str, ...] = ()
    broker: tuple[str, ...] = ()
    page: tuple[str, ...] = ()
    log: tuple[str, ...] = ()
    exits: int | None = None
    within_s: float = 12.0
    no_later_s: float = 0.0


NOTHING = Seen(heartbeat="")


class Fault(NamedTuple):
    """One fault: how it is brought about, and what must be seen of it.

    Attributes:
        name: of the fault; the bench is called so.
        kind: wire, hands, cause, process, disk, clock, network, request or settings.
        source: why that is what must be seen: a rule, a standard, a decision.
        ready: said to the bench before, in the words of `scene.Scene`.
        inject: brings the fault about.
        seen: what must be seen of it.
        then: said afterwards, to mend it.
        back: what must be seen after that.
        settings: by dotted key.
        speed: of simulated time.
        broker: what stands at the broker's address: see `scene.World`.
        short: belongs to the short form.
        untidy: words of the log that are right in this row though they stand for an error.
        end: exit code at the end; None: the station has ended already.
    """

    name: str
    kind: str
    source: str
    inject: tuple[str, ...]
    seen: Seen
    ready: tuple[str, ...] = ()
    then: tuple[str, ...] = ()
    back: Seen = NOTHING
    settings: Mapping[str, object] = MappingProxyType({})
    speed: float = 1.0
    broker: str = ""
    short: bool = False
    untidy: bool = False
    end: int | None = 0
