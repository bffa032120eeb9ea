"""From ticks to one row a second: means, extremes and quality, without ever filling a gap.

A reading stands until the next tick, if that comes without a gap: so much of the second is known.
"""

from shared.messages import Second
from shared.readings import PlateQuality
from shared.timeline import Moment
from station.rules.state import Watch


class SecondMaker:
    """Gathers the ticks of one second; hands the row out when a tick of another second comes."""

    def __init__(self, gap_ms: int) -> None:
        """Take ticks further apart than ``gap_ms`` for a gap."""
        self._gap_ms = gap_ms
        self._key: tuple[str, int] | None = None
        self._last: tuple[Moment, bool] | None = None
        self._clear()

    def _clear(self) -> None:
        self._plates: list[float] = []
        self._junctions: list[float] = []
        self._currents: list[float] = []
        self._faults: list[str] = []
        self._solvent: bool | None = None
        self._valid_ms = 0
        self._ticks = 0

    def add(self, now: Moment, watch: Watch, extraction_a: float | None) -> Second | None:
        """Take one tick; returns the finished row of the second before, if this tick begins a new one.

        Args:
            now: the tick's moment.
            watch: the rules' view of the wires: the filtered plate and its quality.
            extraction_a: the extraction current, None when it could not be read.
        """
        key = (now.boot, now.mono_ms // 1000)
        from_ms, to_ms = self._known(now)
        begin_ms = key[1] * 1000
        self._valid_ms += max(0, min(to_ms, begin_ms) - from_ms) if self._key != key else to_ms - from_ms
        done = self._finish() if self._key not in (None, key) else None
        if done is not None:
            self._valid_ms = max(0, to_ms - max(from_ms, begin_ms))
        self._key = key
        self._last = (now, watch.plate.plate_c is not None)
        self._gather(watch, extraction_a)
        return done

    def _known(self, now: Moment) -> tuple[int, int]:
        """From when to when the last reading stands for the plate; nothing after a gap or a fault."""
        if self._last is None:
            return now.mono_ms, now.mono_ms
        last, valid = self._last
        close = last.boot == now.boot and now.mono_ms - last.mono_ms <= self._gap_ms
        return (last.mono_ms if valid and close else now.mono_ms), now.mono_ms

    def _gather(self, watch: Watch, extraction_a: float | None) -> None:
        self._ticks += 1
        plate = watch.plate
        if plate.plate_c is not None:
            self._plates.append(plate.plate_c)
        else:
            self._faults.append(str(plate.quality))
        if plate.cold_junction_c is not None:
            self._junctions.append(plate.cold_junction_c)
        if extraction_a is not None:
            self._currents.append(extraction_a)
        if watch.solvent_out is not None:
            self._solvent = bool(self._solvent) or watch.solvent_out

    def finish(self, now: Moment | None = None) -> Second | None:
        """The row of the second under way, as far as it got; None with no tick in it.

        Args:
            now: the end of the record, where the last reading still stands for the plate.
        """
        if now is not None and self._key is not None:
            from_ms, to_ms = self._known(now)
            self._valid_ms += max(0, min(to_ms, (self._key[1] + 1) * 1000) - from_ms)
        return self._finish()

    def _finish(self) -> Second | None:
        if self._key is None or self._ticks == 0:
            return None
        boot, second = self._key
        row = Second(
            boot=boot,
            second=second,
            plate_mean_c=_mean(self._plates),
            plate_min_c=min(self._plates, default=None),
            plate_max_c=max(self._plates, default=None),
            cold_junction_c=_mean(self._junctions),
            extraction_a=_mean(self._currents),
            solvent_out=self._solvent,
            quality=max(self._faults, key=self._faults.count) if self._faults else PlateQuality.GOOD,
            valid_ms=self._valid_ms if self._plates else 0,
        )
        self._clear()
        return row


def _mean(values: list[float]) -> float | None:
    return sum(values) / len(values) if values else None
