"""From ticks to one row a second: means, extremes and quality, without ever filling a gap."""

from shared.messages import Second
from shared.readings import PlateQuality
from shared.timeline import Moment
from station.rules.state import Watch


class SecondMaker:
    """Gathers the ticks of one second; hands the row out when the next second begins."""

    def __init__(self) -> None:
        self._key: tuple[str, int] | None = None
        self._clear()

    def _clear(self) -> None:
        self._plates: list[float] = []
        self._junctions: list[float] = []
        self._currents: list[float] = []
        self._faults: list[str] = []
        self._solvent: bool | None = None
        self._ticks = 0

    def add(self, now: Moment, watch: Watch, extraction_a: float | None) -> Second | None:
        """Take one tick; returns the finished row of the second before, if this tick begins a new one.

        Args:
            now: the tick's moment.
            watch: the rules' view of the wires: the filtered plate and its quality.
            extraction_a: the extraction current, None when it could not be read.
        """
        key = (now.boot, now.mono_ms // 1000)
        done = self.finish() if self._key not in (None, key) else None
        self._key = key
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
        return done

    def finish(self) -> Second | None:
        """The row of the second under way, as far as it got; None with no tick in it."""
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
            valid=len(self._plates),
            ticks=self._ticks,
        )
        self._clear()
        return row


def _mean(values: list[float]) -> float | None:
    return sum(values) / len(values) if values else None
