"""What a run has shown so far: latest values with their intervals, and the record that windows are judged on."""

from __future__ import annotations

import math
from array import array
from dataclasses import dataclass

import numpy as np

from phasewright.bench import Accuracy, Bench, base_channel
from phasewright.live.instruments.driver import Reading
from phasewright.logs import AlignedTrace, ClockMap, Recording
from phasewright.quantity import Part, Value, value_from_parts

RECENT, LEAST = 10.0, 5
"""[s] Values on show are means over so long, of at least so many readings."""
SHAPES = {"limit": ("rectangular", 1.0 / math.sqrt(3.0)), "standard": ("normal", 1.0), "expanded": ("normal", 0.5)}
POWER = ("input_power", "package_power", "rail_power", "rail_current")


@dataclass(slots=True)
class _Track:
    instrument: str
    time: array
    """[s] since the run's start."""
    value: array


class SoFar:
    """Takes readings as they come. Seconds count from `zero_ns` on the monotonic clock."""

    def __init__(self, bench: Bench, zero_ns: int):
        self.bench, self.zero_ns = bench, zero_ns
        self._tracks: dict[str, _Track] = {}
        self._flags: dict[str, str] = {}
        self._instruments = {item.name: item for item in bench.instruments}

    def take(self, instrument: str, reading: Reading) -> None:
        """Take one reading."""
        self._flags[reading.channel] = reading.flag
        if reading.value is None:
            return
        track = self._tracks.get(reading.channel)
        if track is None:
            track = self._tracks[reading.channel] = _Track(instrument, array("d"), array("d"))
        track.time.append((reading.stamp_ns - self.zero_ns) * 1e-9)
        track.value.append(reading.value)

    def channels(self) -> tuple[str, ...]:
        """Return the channels seen so far; connectors' voltages and currents stand as their power."""
        plain = [name for name in self._tracks if name.partition(".")[0] not in ("input_voltage", "input_current")]
        return (("input_power", *plain) if "input_power" not in plain and self._pairs() else tuple(plain))

    def _pairs(self) -> list[tuple[str, str]]:
        return [(name, other) for name in self._tracks if name.partition(".")[0] == "input_voltage"
                and (other := "input_current" + name.removeprefix("input_voltage")) in self._tracks]

    def series(self, channel: str) -> tuple[np.ndarray, np.ndarray, str]:
        """Return (time [s], value, instrument) of a channel so far; KeyError when it was never seen."""
        if channel == "input_power" and channel not in self._tracks:
            return self._power()
        track = self._tracks[channel]
        return np.array(track.time), np.array(track.value), track.instrument

    def _power(self) -> tuple[np.ndarray, np.ndarray, str]:
        pairs = self._pairs()
        if not pairs:
            raise KeyError("input_power")
        count = min(len(self._tracks[name].time) for pair in pairs for name in pair)
        total = np.zeros(count)
        for volts, amperes in pairs:
            total += np.array(self._tracks[volts].value[:count]) * np.array(self._tracks[amperes].value[:count])
        first = self._tracks[pairs[0][0]]
        return np.array(first.time[:count]), total, first.instrument

    def seen(self, channel: str) -> bool:
        """Return whether a channel was ever read."""
        return channel in self._tracks

    def flag(self, channel: str) -> str:
        """Return why the last reading of a channel was missing, '' = it was there."""
        return self._flags.get(channel, "")

    def latest(self, channel: str, now: float, since: float = -math.inf) -> tuple[Value | None, float]:
        """Return (mean of the last readings with its uncertainty, age of the last one [s]).

        Readings before `since` [s] count only where there is none after it: a mean over an edge is the value of nothing.
        """
        if channel == "input_power" and channel not in self._tracks and (pairs := self._pairs()):
            count = min(len(self._tracks[name].time) for pair in pairs for name in pair)
            take = slice(max(count - 200, 0), count)
            time = np.array(self._tracks[pairs[0][0]].time[take])
            value = np.zeros(len(time))
            for volts, amperes in pairs:
                value += np.array(self._tracks[volts].value[take]) * np.array(self._tracks[amperes].value[take])
            instrument = self._tracks[pairs[0][0]].instrument
        else:
            track = self._tracks[channel]
            time, value, instrument = np.array(track.time[-200:]), np.array(track.value[-200:]), track.instrument
        if not len(time):
            return None, math.inf
        age = now - float(time[-1])
        recent = value[time > time[-1] - RECENT] if len(time) > LEAST else value
        if time[-1] > since:
            recent = value[time > max(float(time[-1]) - RECENT, since)]
            # The scatter of a few readings on an edge says nothing: the last one alone, as good as its instrument.
            recent = recent if len(recent) >= LEAST else value[-1:]
        mean = float(recent.mean())
        scatter = float(recent.std(ddof=1)) / math.sqrt(len(recent)) if len(recent) > 1 else 0.0
        stated = self._stated(instrument, channel)
        unit = base_channel(channel).unit
        if stated is None:
            return Value(mean, unit, None, None, None, "measured", (), None, "no accuracy stated"), age
        shape, per = SHAPES[stated.stated_as]
        parts = [Part(f"{instrument}/{channel}/gain", stated.gain * mean * per, shape=shape),
                 Part(f"{instrument}/{channel}/offset", stated.offset * per, shape=shape),
                 Part(f"{instrument}/{channel}/resolution", stated.resolution / math.sqrt(12.0), shape="rectangular"),
                 Part(f"live/{channel}/scatter", scatter, dof=max(len(recent) - 1.0, 1.0))]
        return value_from_parts(mean, unit, [part for part in parts if part.contribution], "measured"), age

    def _stated(self, instrument: str, channel: str) -> Accuracy | None:
        found = self._instruments.get(instrument)
        return found.accuracy.get(channel) if found is not None else None

    def extremes(self, channel: str, since: float, buckets: int) -> list[tuple[float, float, float]]:
        """Return (time since `since` [s], lowest, highest) of a channel in at most `buckets` stretches of time."""
        if channel not in self.channels():
            return []
        time, value, _ = self.series(channel)
        keep = (time >= since) & np.isfinite(value)
        time, value = time[keep] - since, value[keep]
        if not len(time):
            return []
        index = np.minimum((time / max(float(time[-1]), 1e-9) * buckets).astype(int), buckets - 1)
        first = np.flatnonzero(np.diff(index, prepend=-1))
        low, high = np.minimum.reduceat(value, first), np.maximum.reduceat(value, first)
        return [(float(t), float(a), float(b)) for t, a, b in zip(time[first], low, high, strict=True)]

    def recording(self, since: float) -> Recording:
        """Return everything from `since` [s] on as one record on one clock, the recorder's own."""
        traces = {}
        for channel in self.channels():
            time, value, instrument = self.series(channel)
            keep = time >= since
            item = self._instruments.get(instrument)
            averaging = (item.averaging if item is not None else None) or 0.0
            traces[channel] = AlignedTrace(channel, base_channel(channel).unit, instrument, instrument,
                                           time[keep] - averaging, time[keep], value[keep], averaging, 0.01,
                                           segments=((0, int(keep.sum())),))
        reference = next((traces[name].log for name in POWER if name in traces), "")
        clocks = tuple(ClockMap(log, 0, reference, "reference" if log == reference else "aligned", 0, 0.0, 0.01)
                       for log in dict.fromkeys(item.log for item in traces.values()))
        return Recording(reference, "", traces, clocks, ())
