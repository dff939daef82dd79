"""Two clocks: the monotonic one orders, the wall clock informs. A clock that is moved by hand stands in for both."""

from __future__ import annotations

import time
from typing import Protocol


class Clock(Protocol):
    """What tells time in the live room."""

    def monotonic_ns(self) -> int:
        """Return nanoseconds that never go back and count on through sleep of the machine where the system tells."""
        ...

    def wall_ns(self) -> int:
        """Return nanoseconds since the Unix epoch; may be set by anybody at any time."""
        ...

    def sleep(self, seconds: float) -> None:
        """Wait."""
        ...


class MachineClock:
    """The machine's own clocks."""

    _through_sleep = getattr(time, "CLOCK_BOOTTIME", None)

    def monotonic_ns(self) -> int:
        """Return nanoseconds since the machine was started, its sleep included where the system tells it."""
        if self._through_sleep is not None:
            return time.clock_gettime_ns(self._through_sleep)
        return time.monotonic_ns()

    def wall_ns(self) -> int:
        """Return nanoseconds since the Unix epoch."""
        return time.time_ns()

    def sleep(self, seconds: float) -> None:
        """Wait."""
        if seconds > 0:
            time.sleep(seconds)


class MovedClock:
    """A clock that moves only when somebody waits: hours pass in seconds, and every run is the same."""

    def __init__(self, wall_zero_ns: int = 0, start_ns: int = 0):
        self._now, self._wall = start_ns, wall_zero_ns - start_ns

    def monotonic_ns(self) -> int:
        """Return nanoseconds waited so far."""
        return self._now

    def wall_ns(self) -> int:
        """Return nanoseconds since the Unix epoch."""
        return self._now + self._wall

    def sleep(self, seconds: float) -> None:
        """Move on."""
        self._now += max(round(seconds * 1e9), 0)

    def set_wall(self, wall_ns: int) -> None:
        """Set the wall clock, as a person or a time service would."""
        self._wall = wall_ns - self._now


class ClockWatch:
    """Finds steps of the wall clock and pauses of the whole machine from both clocks."""

    STEP_S, PAUSE_S = 0.5, 5.0
    """[s] A time service slews by less than 0.5 ms a second; common practice, no source."""

    def __init__(self, clock: Clock):
        self._clock = clock
        self._apart = clock.wall_ns() - clock.monotonic_ns()
        self._last = clock.monotonic_ns()

    def look(self) -> tuple[str, ...]:
        """Return what has happened to the clocks since the last look, in words."""
        now, wall = self._clock.monotonic_ns(), self._clock.wall_ns()
        found = []
        moved = (wall - now - self._apart) * 1e-9
        if abs(moved) > self.STEP_S:
            found.append(f"clock_step: the wall clock was set by {moved:+.3f} s; elapsed time is not affected")
        self._apart = wall - now
        waited = (now - self._last) * 1e-9
        if waited > self.PAUSE_S:
            found.append(f"pause: nothing ran for {waited:.3f} s (machine asleep, or the recorder was held)")
        self._last = now
        return tuple(found)
