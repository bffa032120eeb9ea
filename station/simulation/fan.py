"""The fume extractor's motor, and its current as the converter's codes.

The motor draws a surge at start that dies away, then a steady current that wavers a little; with a clogged
filter it moves less air and draws less (a centrifugal blower). Nothing random is drawn per sample: sine and
noise come from tables, the amplitude is worked out every 20 ms of simulated time.
"""

from math import exp, pi, sin, sqrt
from random import Random

from station.measurement.rms import CODES, HIGHEST_CODE
from station.settings import ExtractionWire

RUNNING_A, CLOGGED_A = 0.42, 0.33
START_A, START_S = 2.2, 0.3
"""RMS amperes at the moment of starting, and the time constant in seconds with which they die away."""

WAVER = 0.015
"""Standard deviation of the running current, of itself."""

REFRESH_S = 0.02
BIAS_CODE = 512.3

_SINE_STEPS = 4096
_SINE = tuple(sin(2 * pi * n / _SINE_STEPS) for n in range(_SINE_STEPS))
_NOISE_STEPS = 8192


class Fan:
    """The motor. ``running`` and ``clogged`` may be read; :meth:`start` and :meth:`stop` switch."""

    def __init__(self, random: Random) -> None:
        """A motor at rest; ``random`` makes it waver."""
        self.running = False
        self.clogged = False
        self._random = random
        # None until the first look after a start: the start counts from the time of that look.
        self._started_s: float | None = None

    def start(self) -> None:
        """Switch on; harmless when it runs."""
        if not self.running:
            self._started_s = None
        self.running = True

    def stop(self) -> None:
        """Switch off, or die: the current is gone at once."""
        self.running = False

    def current_a(self, time_s: float) -> float:
        """RMS amperes at ``time_s`` seconds."""
        if not self.running:
            return 0.0
        if self._started_s is None:
            self._started_s = time_s
        steady_a = (CLOGGED_A if self.clogged else RUNNING_A) * (1.0 + WAVER * self._random.gauss())
        surge_a = (START_A - RUNNING_A) * exp(-max(0.0, time_s - self._started_s) / START_S)
        return steady_a + surge_a


class CurrentCodes:
    """The transformer's voltage on its bias, as codes of the converter with half a step of noise."""

    def __init__(self, fan: Fan, wire: ExtractionWire, random: Random) -> None:
        """Follow ``fan`` through the transformer of ``wire``."""
        self.unplugged = False
        self._fan = fan
        self._noise = tuple(random.uniform(-0.5, 0.5) for _ in range(_NOISE_STEPS))
        self._next = 0
        self._peak_codes_per_a = sqrt(2) * wire.volts_per_ampere * CODES / wire.supply_v
        self._sine_steps_per_s = float(wire.mains_hz * _SINE_STEPS)
        self._peak_codes = 0.0
        self._from_s = self._to_s = 0.0
        self._seen = (False, False, False)

    def code(self, time_s: float) -> int:
        """The code at ``time_s`` seconds, 0 to 1023; microseconds of work, it is asked very often."""
        swing = self._swing(time_s) * _SINE[int(time_s * self._sine_steps_per_s) % _SINE_STEPS]
        code = int(BIAS_CODE + swing + self._noise[self._next])
        return min(max(code, 0), HIGHEST_CODE)

    def _swing(self, time_s: float) -> float:
        """The peak of the current now, in codes; moves on to the next noise."""
        if not self._from_s <= time_s < self._to_s or self._seen != self._state():
            self._refresh(time_s)
        self._next = (self._next + 1) % _NOISE_STEPS
        return self._peak_codes

    def _state(self) -> tuple[bool, bool, bool]:
        return self._fan.running, self._fan.clogged, self.unplugged

    def _refresh(self, time_s: float) -> None:
        self._seen = self._state()
        self._from_s, self._to_s = time_s, time_s + REFRESH_S
        current_a = 0.0 if self.unplugged else self._fan.current_a(time_s)
        self._peak_codes = current_a * self._peak_codes_per_a


class LevelCodes(CurrentCodes):
    """A rectifying transducer: a direct voltage that follows the RMS current, with some ripple left."""

    RIPPLE = 0.05

    def __init__(self, fan: Fan, wire: ExtractionWire, random: Random) -> None:
        """Follow ``fan`` through the transducer of ``wire``."""
        super().__init__(fan, wire, random)
        self._zero_codes = wire.zero_v * CODES / wire.supply_v

    def code(self, time_s: float) -> int:
        """The code at ``time_s`` seconds; a broken wire gives none of the voltage, not even the zero's."""
        ripple = self.RIPPLE * _SINE[int(2 * time_s * self._sine_steps_per_s) % _SINE_STEPS]
        swing = self._swing(time_s) / sqrt(2) * (1 + ripple)
        zero = 0.0 if self.unplugged else self._zero_codes
        return min(max(int(zero + swing + 0.5 + self._noise[self._next]), 0), HIGHEST_CODE)
