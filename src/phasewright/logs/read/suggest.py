"""Which channels a log seems to hold, from the plain words and units of its header."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace

from phasewright.bench import CHANNELS, ChannelSource, ColumnTerm, LogFault
from phasewright.quantity import base_unit

from .._names import split_unit, split_words
from ..records import Suggestion, Table
from ..trace import channel_values

# Plain words by what they name, English, German, French, Spanish. A star stands for the rest of a compound.
_WORDS: dict[str, tuple[str, ...]] = {
    "input": ("input", "in", "supply", "eps", "atx", "12v", "eingang*", "versorgung*", "entrée", "entree", "entrada",
              "alimentation", "alimentación", "connector", "stecker*", "pin", "vin", "iin", "uin", "meter", "wall"),
    "package": ("package", "pkg", "socket", "paket*", "gehäuse*", "boîtier", "encapsulado"),
    "processor": ("cpu", "processor", "prozessor*", "processeur", "procesador", "gpu", "die", "chip"),
    "rail": ("rail", "output", "out", "vcore", "core", "vout", "iout", "pout", "uout", "vdd", "ausgang*", "sortie",
             "salida", "schiene*"),
    "regulator": ("regulator", "vrm", "vr", "mos", "mosfet", "mosfets", "stage", "stages", "regler*", "*regler",
                  "régulateur", "regulador", "phase", "phases", "converter", "wandler*", "powerstage", "fet"),
    "inductor": ("inductor", "inductors", "choke", "chokes", "coil", "drossel*", "spule*", "bobine", "self", "bobina"),
    "board": ("board", "pcb", "platine*", "leiterplatte*", "carte", "placa", "motherboard"),
    "connector": ("connector", "plug", "stecker*", "connecteur", "conector", "terminal", "cable"),
    "coolant": ("coolant", "water", "liquid", "fluid", "loop", "wasser*", "kühlmittel*", "kuehlmittel*", "kühlwasser*",
                "eau", "liquide", "refrigerante", "agua", "líquido", "reservoir", "ausgleichsbehälter*"),
    "ambient": ("ambient", "room", "air", "umgebung*", "raum*", "ambiante", "ambiant", "ambiente", "luft*", "aire"),
    "fan": ("fan", "fans", "lüfter*", "luefter*", "ventilateur", "ventilador", "blower"),
    "pump": ("pump", "pumpe*", "pompe", "bomba"),
    "duty": ("duty", "pwm", "tastgrad*", "percent", "pct", "drive"),
    "flow": ("flow", "durchfluss*", "volumenstrom*", "débit", "debit", "caudal"),
    "switching": ("switching", "fsw", "schaltfrequenz*", "découpage", "conmutación"),
    "clock": ("clock", "takt*", "*takt", "frequency", "freq", "frequenz*", "fréquence", "frecuencia", "horloge",
              "reloj"),
    "count": ("count", "number", "anzahl", "zahl*", "nombre", "número", "active", "aktiv*"),
    "phases": ("phases", "phasen", "phasenzahl", "fases"),
    "protection": ("protection", "throttle", "throttling", "ocp", "otp", "limit", "schutz*", "clamp", "alarm"),
    "error": ("error", "errors", "fehler*", "erreur", "erreurs"),
}  # fmt: skip

# channel -> (what its header says, what it must not say). All groups of the first must be named.
_RULES: dict[str, tuple[tuple[tuple[str, ...], ...], tuple[str, ...]]] = {
    "input_power": ((("input",),), ("package", "fan", "pump")),
    "input_voltage": ((("input",),), ("package", "rail")),
    "input_current": ((("input",),), ("package", "rail")),
    "input_energy": ((("input",),), ("package",)),
    "package_power": ((("package", "processor"),), ("input", "rail", "fan")),
    "package_energy": ((("package", "processor"),), ("input",)),
    "rail_current": ((("rail", "regulator"),), ("input",)),
    "rail_voltage": ((("rail",),), ("input",)),
    "rail_power": ((("rail",),), ("input", "package")),
    "regulator_temperature": ((("regulator",),), ("inductor", "board", "ambient")),
    "inductor_temperature": ((("inductor",),), ()),
    "board_temperature": ((("board",),), ("regulator", "inductor")),
    "connector_temperature": ((("connector",),), ()),
    "coolant_temperature": ((("coolant",),), ()),
    "processor_temperature": ((("processor", "package"),), ("regulator", "board")),
    "ambient_temperature": ((("ambient",),), ()),
    "phase_count": ((("regulator", "phases"), ("count", "phases")), ("switching", "clock", "error", "protection")),
    "fan_duty": ((("fan",),), ("pump",)),
    "fan_speed": ((("fan",),), ("pump",)),
    "pump_duty": ((("pump",),), ()),
    "coolant_flow": ((("flow", "coolant", "pump"),), ()),
    "processor_clock": ((("processor",), ("clock",)), ("switching", "fan")),
    "switching_frequency": ((("switching",),), ()),
    "protection_active": ((("protection",),), ()),
    "error_count": ((("error",),), ()),
}
_QUANTITY = {
    "W": ("power", "leistung", "puissance", "potencia", "p", "watt", "watts"),
    "V": ("voltage", "spannung", "tension", "voltaje", "tensión", "u", "v", "volt", "volts"),
    "A": ("current", "strom", "courant", "corriente", "i", "a", "amp", "amps", "intensité", "intensidad"),
}


def suggest_channels(table: Table) -> tuple[Suggestion, ...]:
    """Return the channels that a table seems to hold, the surest first; every column serves one suggestion at most.

    Words and units of the header decide, never the order of columns. Two or more pairs of voltage and current with
    the same mark (U1, I1, U2, I2) are suggested as one input power, their sum of products.
    """
    found: list[tuple[float, str, str, tuple[str, ...]]] = []
    for position, name in enumerate(table.names):
        if name in table.columns:
            found.extend(_claims(table, position, name))
    found.sort(key=lambda item: -item[0])
    taken: set[str] = set()
    suggestions: list[Suggestion] = []
    by_channel: dict[str, list[tuple[float, str, tuple[str, ...]]]] = {}
    for score, channel, name, why in found:
        if name in taken:
            continue
        taken.add(name)
        by_channel.setdefault(channel, []).append((score, name, why))
    power = _pairs(table, by_channel)
    if power is not None:
        suggestions.append(power)
        total = _total_current(table, power, by_channel)
        if total is not None:
            suggestions.append(total)
    for channel, claims in by_channel.items():
        labels = _labels([name for _, name, _ in claims], channel)
        for (score, name, why), label in zip(claims, labels, strict=True):
            full = f"{channel}.{label}" if label else channel
            suggestions.append(_suggestion(table, full, (ColumnTerm((_reference(table, name),)),), score, why))
    order = list(CHANNELS)
    suggestions.sort(key=lambda s: (-s.score, order.index(s.channel.partition(".")[0]), s.channel))
    return tuple(suggestions)


def _total_current(
    table: Table, power: Suggestion, by_channel: dict[str, list[tuple[float, str, tuple[str, ...]]]]
) -> Suggestion | None:
    """Return the input current as the sum over several connectors; None for a single one.

    One connector's voltage or current is not the board's: claims that only part of the pairs bear out are dropped.
    """
    pairs = [term.columns for term in power.source.terms]
    if len(pairs) < 2:
        return None
    amps = [pair[1] for pair in pairs]
    for channel, part in (("input_voltage", 0), ("input_current", 1)):
        own = {pair[part] for pair in pairs}
        claims = by_channel.get(channel, [])
        if claims and {_reference(table, name) for _, name, _ in claims} <= own:
            del by_channel[channel]
    if "input_current" in by_channel:
        return None
    terms = tuple(ColumnTerm((name,)) for name in amps)
    return _suggestion(table, "input_current", terms, power.score, (f"the sum of {len(amps)} connectors",))


def _suggestion(
    table: Table, channel: str, terms: tuple[ColumnTerm, ...], score: float, why: tuple[str, ...]
) -> Suggestion:
    source = ChannelSource(channel, terms)
    return Suggestion(channel, source, round(score, 2), why, first_values(table, source))


def first_values(table: Table, source: ChannelSource) -> tuple[float, ...]:
    """Return the first five values of a channel [its unit], NaN = missing; none where it cannot be made."""
    try:
        return tuple(float(v) for v in channel_values(_start_of(table), source)[0][:5])
    except LogFault:
        return ()


def _start_of(table: Table) -> Table:
    """Return the first rows of a table, enough for a scale and the first values."""
    return replace(table, columns={name: column[:1000] for name, column in table.columns.items()})


def _reference(table: Table, name: str) -> str:
    """Return how a map names a column: its name, or its position when the name stands for none alone."""
    return name if table.names.count(name) == 1 and not name.startswith("#") else f"#{table.names.index(name) + 1}"


def _named(words: list[str], groups: tuple[str, ...]) -> str:
    """Return the first word of a header that is on the lists of `groups`, '' if none."""
    for group in groups:
        for pattern in _WORDS[group]:
            for word in words:
                hit = (
                    word.startswith(pattern[:-1])
                    if pattern.endswith("*")
                    else word.endswith(pattern[1:])
                    if pattern.startswith("*")
                    else word == pattern or (word.rstrip("0123456789") == pattern and len(pattern) > 2)
                )
                if hit:
                    return word
    return ""


def _claims(table: Table, position: int, name: str) -> list[tuple[float, str, str, tuple[str, ...]]]:
    """Return (score, channel, column, why) for the channels that a column could be."""
    unit = table.units[position]
    base = base_unit(unit) if unit else ""
    words = split_words(split_unit(name)[0])
    claims = []
    for channel, (needed, refused) in _RULES.items():
        wanted = CHANNELS[channel].unit
        fits = base == wanted or (wanted == "1" and base in ("", "1"))
        if not fits and not (not base and _word_unit(words) == wanted):
            continue
        if channel == "phase_count" and _word_unit(words):
            continue  # the temperature, current or power of phases, not their number
        said = [_named(words, groups) for groups in needed]
        if not all(said) or any(_named(words, (group,)) and group not in needed[0] for group in refused):
            continue
        score, why = 0.4 + 0.15 * len(said), [f"header says {', '.join(repr(word) for word in said)}"]
        if base == wanted and unit:
            score += 0.3
            why.append(f"unit {unit}")
        elif not base and wanted != "1":
            why.append("no unit stated")
            score -= 0.1
        if channel in ("fan_duty", "pump_duty") and (unit == "%" or _named(words, ("duty",))):
            score += 0.1
        elif channel in ("fan_duty", "pump_duty") and not unit:
            score -= 0.3
        score += 0.05 * sum(
            bool(_named([word], (channel.split("_")[0],))) for word in words if channel.split("_")[0] in _WORDS
        )
        claims.append((min(score, 0.95), channel, name, tuple(why)))
    if not claims and base == "W":
        alone = sum(bool(u) and base_unit(u) == "W" for u in table.units) == 1
        why = ("the only power in this log",) if alone else ("a power without further words",)
        claims.append((0.45 if alone else 0.3, "input_power", name, (*why, f"unit {unit}")))
    return claims


def _word_unit(words: list[str]) -> str:
    for unit, names in _QUANTITY.items():
        if any(word in names and len(word) > 1 for word in words):
            return unit
    if any(word.startswith(("temp", "tmp")) for word in words):
        return "degC"
    return ""


def _labels(names: list[str], channel: str) -> list[str]:
    """Return a label for every column of one channel: '' for a single one, else the words that tell them apart."""
    if len(names) == 1 and not (channel == "rail_current" and re.search(r"phase\W?\d", names[0], re.I)):
        return [""]
    bare = [split_words(split_unit(name)[0]) for name in names]
    common = set(bare[0]).intersection(*map(set, bare[1:])) if len(bare) > 1 else set()
    if channel == "rail_current" and all(any(w.startswith("phase") for w in words) for words in bare):
        common.discard("phase")
        common -= {word for word in common if word.startswith("phase")}
    labels, seen = [], set()
    for index, words in enumerate(bare):
        label = "_".join(word for word in words if word not in common)
        label = re.sub(r"[^a-z0-9_]+", "", label.casefold()) or ("" if index == 0 else f"{index + 1}")
        while label in seen:
            label = f"{label}_{index + 1}".strip("_")
        seen.add(label)
        labels.append(label)
    return labels


def _pairs(table: Table, by_channel: Mapping[str, list]) -> Suggestion | None:
    """Return the input power as a sum of voltage x current pairs where the log holds such pairs and no input power."""
    if any(score >= 0.5 for score, _, _ in by_channel.get("input_power", ())):
        return None
    volts, amps = {}, {}
    for name, unit in zip(table.names, table.units, strict=True):
        if name not in table.columns or not unit:
            continue
        base = base_unit(unit)
        words = split_words(split_unit(name)[0])
        if base not in ("V", "A") or (_named(words, ("rail",)) and not _named(words, ("input",))):
            continue
        rest = []
        for word in words:
            stem = word.rstrip("0123456789")
            if stem in _QUANTITY[base] or word in _QUANTITY[base]:
                rest.append(word[len(stem) :])
            elif len(word) == 2 and word[0] in ("uv" if base == "V" else "i"):
                rest.append(word[1:])  # Ua, Ia: the trade's symbol with a mark
            else:
                rest.append(re.sub(r"^[uvi](?=in$|out$)", "", word))
        key = " ".join(part for part in rest if part)
        (volts if base == "V" else amps).setdefault(key, []).append(name)
    keys = [key for key in volts if key in amps and len(volts[key]) == len(amps[key]) == 1]
    if not keys:
        return None
    terms = tuple(ColumnTerm((_reference(table, volts[key][0]), _reference(table, amps[key][0]))) for key in keys)
    named = all(_named(split_words(volts[key][0]), ("input",)) for key in keys)
    why = (
        f"{len(keys)} pairs of voltage and current" if len(keys) > 1 else "a voltage and a current with the same mark",
        "header says input" if named else "no other power in this log",
    )
    return _suggestion(table, "input_power", terms, 0.8 if named else 0.6 if len(keys) > 1 else 0.5, why)
