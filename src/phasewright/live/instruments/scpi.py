"""SCPI instruments over sockets, serial lines or VISA. Only questions on an allow-list are ever sent."""

from __future__ import annotations

import re

from phasewright.bench import Instrument, ReadingSource, escape
from phasewright.live.encoding.answers import number_answer, queue_entry
from phasewright.live.instruments.driver import DriverFault, Polled, Reading, Surroundings, missing, to_channel
from phasewright.live.transport.link import Link, LinkLost
from phasewright.live.transport.serial_line import SerialLink
from phasewright.live.transport.tcp import TcpLink
from phasewright.live.transport.visa import VisaLink

NODES = (
    "READ", "FETCh", "MEASure", "DATA", "VOLTage", "CURRent", "POWer", "ENERgy", "TEMPerature", "RESistance",
    "FREQuency", "NUMeric",
)  # fmt: skip
"""First word that a question may have; short and long form in the way of SCPI. Not every question is harmless: self-test
and calibration questions act, event questions clear what they read, so the list says what is allowed, not what is not."""
ACTING = re.compile(r"(^|:)(CAL|TEST|DIAG|EVEN|INIT|TRIG|ABOR|RST|CLE|STAT|OUTP|SYST|MEM|MMEM|SAV|RCL)", re.IGNORECASE)
SETTING_NODES = ("SENSe", "CONFigure", "FUNCtion", "AVERage", "RANGe")
"""First words that a question about a setting may have besides."""
STATUS = re.compile(r"^:?STAT", re.IGNORECASE)
"""The subsystem whose event questions clear; `:STATe?` further on tells whether something is on."""
SETTINGS_S, CHANGED_S = 10.0, 1.0
"""[s] An instrument is asked so often whether it is set as it was, and so often once it is not."""
QUESTION = re.compile(r":?[A-Za-z]{2,12}[0-9]*(?::[A-Za-z]{2,12}[0-9]*)*\?(?: [A-Za-z0-9 ,.@()+:-]{1,80})?")
REFUSAL = re.compile(r"\s*[-+]?[0-9]{1,5}\s*,\s*\".*\"\s*", re.DOTALL)
"""What the error queue says, where a number was asked for."""
IDENTITY, QUEUE = "*IDN?", "SYST:ERR?"
LONGEST_IDENTITY, MOST_ENTRIES = 1000, 100
TIMEOUT = 1.0
RETRY_S = 1.0


def is_allowed(question: str) -> bool:
    """Return whether a question may be sent: one question, nothing that sets, and a first word of the list."""
    if question in (IDENTITY, QUEUE):
        return True
    return bool(QUESTION.fullmatch(question)) and not ACTING.search(question.partition("?")[0]) and _begins(question, NODES)


def is_setting(question: str) -> bool:
    """Return whether a question may be sent that asks how the instrument is set; it only reads, like all others."""
    if not QUESTION.fullmatch(question) or STATUS.match(question):
        return False
    path = re.sub(r":STAT(E)?(?=[:?])", "", question.upper()).partition("?")[0]
    return not ACTING.search(path) and _begins(question, NODES + SETTING_NODES)


def _begins(question: str, nodes: tuple[str, ...]) -> bool:
    first = re.match(r":?([A-Za-z]+)", question)
    word = first[1].upper() if first else ""
    return any(word in (node.upper(), "".join(c for c in node if c.isupper())) for node in nodes)


def open_link(instrument: Instrument, surroundings: Surroundings) -> Link:
    """Return the link that an instrument's address names; DriverFault when it names none."""
    connection = instrument.connection
    kind, _, rest = (connection.address if connection else "").partition(":")
    timeout = (connection.timeout if connection else None) or TIMEOUT
    if kind == "tcp" and rest:
        return TcpLink(rest, surroundings.clock, timeout)
    if kind == "serial" and rest:
        return SerialLink(rest, surroundings.clock, timeout, connection.baud if connection else None)
    if kind == "visa" and rest:
        return VisaLink(rest, surroundings.clock, timeout)
    raise DriverFault(f"{instrument.name}: address = {escape(connection.address if connection else '')!r} names no link - "
                      "write tcp:HOST:PORT, serial:PORT or visa:RESOURCE")


class ScpiDriver:
    """Asks each different question once a look, and picks its channels from the answers."""

    def __init__(self, instrument: Instrument, surroundings: Surroundings, link: Link | None = None):
        refused = [source.ask for source in instrument.reading.values() if not is_allowed(source.ask)]
        if refused:
            raise DriverFault(f"{instrument.name}: ask = {escape(refused[0])!r} is not a question that only reads - "
                              f"begin it with one of {', '.join(NODES)} and end it with ?")
        self._settings = instrument.connection.settings if instrument.connection else ()
        refused = [question for question in self._settings if not is_setting(question)]
        if refused:
            raise DriverFault(f"{instrument.name}: settings = {escape(refused[0])!r} is not a question that only reads - "
                              f"begin it with one of {', '.join(NODES + SETTING_NODES)} and end it with ?")
        self.instrument, self.identity = instrument, ""
        self._clock = surroundings.clock
        self._link = link or open_link(instrument, surroundings)
        self._lost_at: int | None = None
        self._questions: dict[str, list[ReadingSource]] = {}
        for source in instrument.reading.values():
            self._questions.setdefault(source.ask, []).append(source)
        self._parts: dict[str, int] = {}
        """How many numbers each question is answered with: a decimal comma, or a refusal, makes another number of them."""
        self._set: dict[str, str] = {}
        """As it was set when it was first asked."""
        self._changed = ""
        self._check_at = 0
        """[ns]"""
        self._opened: list[tuple[str, str]] = []
        """What happened while it was opened; told with the first look."""

    def open(self) -> None:
        """See `Driver`."""
        first = Polled()
        self.read_identity(first)
        self._opened = first.events

    def close(self) -> None:
        """See `Driver`."""
        self._link.close()

    def read_identity(self, polled: Polled) -> str:
        """Connect, ask who answers, drain the error queue; return why not, '' = connected to the same as before."""
        try:
            self._link.open()
            said = escape(self._link.ask(IDENTITY).data[:LONGEST_IDENTITY].decode("ascii", "replace"), 200)
            if self.identity and said != self.identity:
                self._link.close()
                return f"another instrument answers: {said}"
            self.identity = said
            self._drain(polled)
            self._check_settings(polled)
        except LinkLost as error:
            self._lost_at = self._clock.monotonic_ns()
            return str(error)
        self._lost_at = None
        return ""

    def check_settings(self) -> None:
        """See `Driver`."""
        self._check_at = 0

    def _check_settings(self, polled: Polled) -> None:
        """Ask how the instrument is set: after a restart its name is the same, and its range and averaging are not."""
        changed = []
        for question in self._settings:
            text = escape(self._link.ask(question).data[:LONGEST_IDENTITY].decode("ascii", "replace").strip(), 100)
            if question not in self._set:
                self._set[question] = text
                polled.events.append(("instrument_setting", f"{self.instrument.name}: {question} is {text}"))
            elif self._set[question] != text:
                changed.append(f"{question} was {self._set[question]}, is {text}")
        before, self._changed = self._changed, "; ".join(changed)
        if self._changed != before:
            what = f"is set otherwise: {self._changed}" if changed else "is set as it was again"
            polled.events.append(("settings_changed" if changed else "settings_back", f"{self.instrument.name}: {what}"))
        self._check_at = self._clock.monotonic_ns() + round((CHANGED_S if changed else SETTINGS_S) * 1e9)

    def _drain(self, polled: Polled) -> None:
        for _ in range(MOST_ENTRIES):
            answer = self._link.ask(QUEUE).data.decode("ascii", "replace")
            try:
                code, text = queue_entry(answer)
            except ValueError as error:
                self._link.close()
                raise LinkLost(str(error)) from None
            if code == 0:
                return
            polled.events.append(("instrument_error", f"{self.instrument.name}: {code} {escape(text)}"))

    def read(self) -> Polled:
        """See `Driver`."""
        polled, now = Polled(events=self._opened), self._clock.monotonic_ns()
        self._opened = []
        if not self._link.is_open:
            if self._lost_at is not None and (now - self._lost_at) * 1e-9 < RETRY_S:
                polled.readings = missing(self.instrument, now, "not connected")
                return polled
            why = self.read_identity(polled)
            if why:
                polled.readings = missing(self.instrument, now, why)
                return polled
            polled.events.append(("connected", f"{self.instrument.name}: {self.identity}"))
        lost, doubtful = "", False
        if self._settings and self._clock.monotonic_ns() >= self._check_at:
            try:
                self._check_settings(polled)
            except LinkLost as error:
                lost, self._lost_at = str(error), None
                polled.events.append(("disconnected", f"{self.instrument.name}: {lost}"))
        if self._changed and not lost:
            polled.readings = missing(self.instrument, now, f"the instrument is set otherwise: {self._changed}")
            return polled
        for question, sources in self._questions.items():
            if lost:
                polled.readings += [Reading(source.channel, None, now, "", lost) for source in sources]
                continue
            try:
                answer = self._link.ask(question)
            except LinkLost as error:
                lost = str(error)
                self._lost_at = None  # the next look may connect at once: the instrument may be there, only the answer late
                polled.events.append(("disconnected", f"{self.instrument.name}: {lost}"))
                polled.readings += [Reading(source.channel, None, now, "", lost) for source in sources]
                continue
            text = answer.data.decode("ascii", "replace")
            stamp = (answer.sent_ns + answer.first_ns) // 2
            half = max((answer.first_ns - answer.sent_ns) // 2, 0)
            for source in sources:
                reading = self._picked(source, text, stamp, half)
                doubtful |= reading.flag.startswith("no number")
                polled.readings.append(reading)
        if doubtful and not lost:
            # Rubbish may be half of another answer, or a refused question: ask the queue, then begin anew.
            try:
                self._drain(polled)
            except LinkLost:
                self._lost_at = None
            self._link.close()
        return polled

    def _picked(self, source: ReadingSource, text: str, stamp: int, half: int) -> Reading:
        parts = text.split(",")
        if REFUSAL.fullmatch(text):
            return Reading(source.channel, None, stamp, text[:200], "no number: an entry of the error queue came")
        if not any(number_answer(part).missing.startswith("no number") for part in parts):
            before = self._parts.setdefault(source.ask, len(parts))
            if before != len(parts):
                return Reading(source.channel, None, stamp, text[:200],
                               f"no number: the answer has {len(parts)} parts, and had {before} before")
        if source.item > len(parts):
            return Reading(source.channel, None, stamp, text[:200], f"no number {source.item}: the answer has {len(parts)}")
        found = number_answer(parts[source.item - 1])
        if found.value is not None:
            found = to_channel(source, found.value)
        return Reading(source.channel, found.value, stamp, text[:200], found.missing, half)
