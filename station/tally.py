"""What is counted of the ticks since the start: lateness, duration, and what could not be read."""

from bisect import bisect_left
from collections import Counter

from shared.readings import ExtractionQuality, PlateQuality, Reading

# Upper bounds, in seconds; the last bucket, beyond them, has none.
BOUNDS_S = (0.0005, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5)
# Every kind there is counts from nought: a count that only appears with its first fault hides that fault
# from whoever watches for a rise.
_GOOD = {PlateQuality.GOOD, ExtractionQuality.GOOD, ExtractionQuality.CONTACT}
KINDS = (
    *(("plate", str(kind)) for kind in PlateQuality if kind not in _GOOD),
    *(("extraction", str(kind)) for kind in ExtractionQuality if kind not in _GOOD),
    ("cradle", "unreadable"),
)


class Tally:
    """Counts of one daemon, written by the tick alone.

    Whoever reads them from another thread may see the middle of a tick: one count ahead of another.
    """

    def __init__(self) -> None:
        self.late = 0
        self.took_s = 0.0
        self.longest_s = 0.0
        self.buckets = [0] * (len(BOUNDS_S) + 1)
        self.faults: Counter[tuple[str, str]] = Counter(dict.fromkeys(KINDS, 0))

    def tick(self, took_s: float, reading: Reading, plate: PlateQuality, *, late: bool) -> None:
        """Count a tick.

        Args:
            took_s: from its beginning to its end, in seconds.
            reading: what it read.
            plate: what the rules make of the plate, which a frozen or a flailing wire does not say itself.
            late: whether it began noticeably later than it was due.
        """
        self.late += late
        self.took_s += took_s
        self.longest_s = max(self.longest_s, took_s)
        self.buckets[bisect_left(BOUNDS_S, took_s)] += 1
        if plate is not PlateQuality.GOOD:
            self.faults["plate", str(plate)] += 1
        if not reading.extraction.readable:
            self.faults["extraction", str(reading.extraction.quality)] += 1
        if reading.solvent_out is None:
            self.faults["cradle", "unreadable"] += 1
