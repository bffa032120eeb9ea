"""From state to lamps, sound and levels: one function for each.

Red: a critical alarm. Amber: any other alarm, or nobody may solder now: the iron is locked, or the solvent is
not in its cradle. Green: the iron may be used and nothing stands. Blue: the technician must do something
(acknowledge, reset, resume). Flashing has not been acknowledged yet: fast for critical and high, slow for the
rest. At least one lamp is always lit or flashing, so that no light at all can only mean that the station is
not to be trusted. Never by colour alone: each lamp has its own place, and its flash and the sound say the
same.
"""

from collections.abc import Mapping

from shared.indication import Indication, Lamp, Levels, Sound
from station.rules.alarms import ACTIVE, ASIDE, LATCHED, SOUNDING, WAITING
from station.rules.causes import BY_ALARM, PRIORITIES
from station.rules.state import AlarmLife

SLOW_PERIOD_MS = 1667  # 0.6 Hz
FAST_PERIOD_MS = 500  # 2 Hz
REFUSED_MS = 600
LAMP_TEST_MS = 3000

# Sound as (period, moments of the period at which it is on); all on the 100 ms grid of the tick.
_PATTERNS: dict[Sound, tuple[int, tuple[tuple[int, int], ...]]] = {
    Sound.CRITICAL: (400, ((0, 200),)),
    Sound.HIGH: (1500, ((0, 200), (400, 600))),
    Sound.MEDIUM: (3000, ((0, 300),)),
    Sound.LOW: (20_000, ((0, 200),)),
    Sound.TEST: (1000, ((0, 500),)),
    Sound.REFUSED: (REFUSED_MS, ((0, 100), (200, 300), (400, 500))),
}


# What `silence` stops beside the alarms: the warning of an open time or a longest time.
HURRY = "hurry"

ALL_LIT = Indication(
    red=Lamp.STEADY, amber=Lamp.STEADY, green=Lamp.STEADY, blue=Lamp.STEADY, sound=Sound.TEST
)


def indicate(
    alarms: Mapping[str, AlarmLife],
    *,
    permit: bool,
    bottle_away: bool,
    held: bool,
    resumable: bool,
    hurry: bool,
    silenced: frozenset[str],
    refused: bool,
    lamp_test: bool = False,
) -> Indication:
    """What the light and the buzzer say.

    Args:
        alarms: those that are not normal.
        permit: the iron has power.
        bottle_away: the solvent is known to be in its cradle; nobody may solder otherwise.
        held: the step in hand is held.
        resumable: nothing stands any more of what holds it.
        hurry: most of an adhesive's open time, or all of a step's longest time, has passed.
        silenced: alarms whose sound somebody stopped, and `HURRY`.
        refused: a request was refused a moment ago.
        lamp_test: every lamp and the buzzer are being tried; an alarm that nobody has acknowledged ends it.
    """
    shown = {name: life for name, life in alarms.items() if life.state not in ASIDE}
    red = _lamp(shown, {"critical"})
    amber = _lamp(shown, {"low", "medium", "high"})
    if amber is Lamp.OFF and hurry:
        amber = Lamp.SLOW
    free = permit and bottle_away
    if amber is Lamp.OFF and red is Lamp.OFF and (held or not free):
        amber = Lamp.STEADY
    waiting = any(life.state in WAITING for life in shown.values())
    if lamp_test and not waiting:
        return ALL_LIT
    to_do = resumable or any(life.state in LATCHED for life in shown.values())
    return Indication(
        red=red,
        amber=amber,
        green=Lamp.STEADY if free and not shown and not held else Lamp.OFF,
        blue=Lamp.SLOW if waiting else (Lamp.STEADY if to_do else Lamp.OFF),
        sound=_sound(shown, silenced, hurry, refused),
    )


def _lamp(alarms: Mapping[str, AlarmLife], priorities: set[str]) -> Lamp:
    lamp = Lamp.OFF
    for name, life in alarms.items():
        priority = BY_ALARM[name].priority
        if priority not in priorities:
            continue
        if life.state in SOUNDING:
            if priority in ("critical", "high"):
                return Lamp.FAST
            lamp = Lamp.SLOW
        elif lamp is Lamp.OFF:
            lamp = Lamp.STEADY if life.state in ACTIVE else Lamp.SLOW
    return lamp


def _sound(alarms: Mapping[str, AlarmLife], silenced: frozenset[str], hurry: bool, refused: bool) -> Sound:
    ranks = [
        PRIORITIES.index(BY_ALARM[name].priority)
        for name, life in alarms.items()
        if life.state in SOUNDING and name not in silenced
    ]
    if refused and not ranks:
        return Sound.REFUSED
    if hurry and HURRY not in silenced:
        ranks.append(PRIORITIES.index("medium"))
    return Sound(PRIORITIES[max(ranks)]) if ranks else Sound.NONE


def _lit(lamp: Lamp, now_ms: int) -> bool:
    if lamp is Lamp.SLOW:
        return now_ms % SLOW_PERIOD_MS < SLOW_PERIOD_MS // 2
    if lamp is Lamp.FAST:
        return now_ms % FAST_PERIOD_MS < FAST_PERIOD_MS // 2
    return lamp is Lamp.STEADY


def levels(indication: Indication, now_ms: int, *, permit: bool, heartbeat: bool) -> Levels:
    """The levels of the output pins at this moment, computed anew each tick: a missed write heals itself."""
    buzzer = False
    if indication.sound is not Sound.NONE:
        period_ms, moments = _PATTERNS[indication.sound]
        at_ms = now_ms % period_ms
        buzzer = any(start <= at_ms < end for start, end in moments)
    return Levels(
        red=_lit(indication.red, now_ms),
        amber=_lit(indication.amber, now_ms),
        green=_lit(indication.green, now_ms),
        blue=_lit(indication.blue, now_ms),
        buzzer=buzzer,
        permit=permit,
        heartbeat=heartbeat,
    )
