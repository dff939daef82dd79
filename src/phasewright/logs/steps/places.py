"""Where a log's clock may belong, said so that a person can choose; and the zone that its stamps are written in."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from phasewright.bench import Campaign
from phasewright.logs.records import Recording

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_CALENDAR_NS = 10**17
"""Nanoseconds since 1970 from which a stamp is a date (March 1973) and not a time that a counter gives."""
MOST_PLACES = 4


def places_text(recording: Recording, campaign: Campaign, log: str) -> str:
    """Return the offsets at which an ambiguous clock fits, the likeliest first, and what each of them says.

    An offset alone tells a person little: where the log has calendar stamps, the time on them at which the reference
    log began stands beside it. '' when no place is known.
    """
    clock = max((c for c in recording.clocks if c.log == log), key=lambda c: len(c.candidates), default=None)
    if clock is None or not clock.candidates:
        return ""
    zone = stamp_zone(recording, campaign, log)
    words = []
    for offset, _ in clock.candidates[:MOST_PLACES]:
        text = f"{offset:+.2f} s"
        if clock.zero_ns > _CALENDAR_NS:
            began = _EPOCH + timedelta(seconds=round(clock.zero_ns * 1e-9 - offset))
            text += f" ({recording.reference} began at {began.astimezone(zone):%H:%M:%S} on it)"
        words.append(text)
    more = len(clock.candidates) - MOST_PLACES
    return ", ".join(words) + (f" and {more} more" if more > 0 else "")


def stamp_zone(recording: Recording, campaign: Campaign, log: str) -> tzinfo:
    """Return the zone that the stamps of a log are written in: as stated, as they name it themselves, else UTC.

    Raises ValueError for a stated zone that is not known.
    """
    entry = next((entry for entry in campaign.logs if entry.name == log), None)
    if entry is not None and entry.zone:
        return zone_of(entry.zone)
    files = {*(entry.files if entry is not None else ()), *(step.files.get(log) for step in campaign.steps)}
    return next((zone_of(r.zone) for r in recording.reports if r.zone and r.fingerprint.file in files), UTC)


def zone_of(text: str) -> tzinfo:
    """Return the zone that a text names: UTC, an offset such as +02:00, or a name. Raises ValueError."""
    if text in ("", "Z", "UTC", "GMT"):
        return UTC
    offset = re.fullmatch(r"(?:UTC|GMT)?([+-])(\d{1,2}):?(\d{2})?", text)
    if offset is not None:
        away = timedelta(hours=int(offset[2]), minutes=int(offset[3] or 0))
        return timezone(-away if offset[1] == "-" else away)
    try:
        return ZoneInfo(text)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError(f"zone {text!r} is not known") from None
