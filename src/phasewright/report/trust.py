"""Can it be trusted? Notes, checks, raw traces, clocks, repairs and fingerprints."""

from __future__ import annotations

from phasewright.findings import Analysis
from phasewright.quantity import Value
from phasewright.report import headlines as say
from phasewright.report import methods
from phasewright.report.clocks import draw_clocks
from phasewright.report.document import Block, Column, Figure, Fold, Heading, Paragraph, Section, Table
from phasewright.report.escaping import clean
from phasewright.report.parts import answer_blocks
from phasewright.report.tables import STEP
from phasewright.report.traces import channels_drawn, draw_traces
from phasewright.report.wording import in_words, quantity_title


def trust_section(analysis: Analysis) -> Section:
    blocks = answer_blocks(analysis, "trust", say.clocks_title(analysis))
    if analysis.notes:
        blocks.append(notes_table(analysis))
    blocks += checks_blocks(analysis)
    windows = window_table(analysis)
    if channels_drawn(analysis, 1):
        blocks += [
            Heading("The raw traces", 3),
            Figure(
                "traces",
                say.traces_title(analysis),
                "Every channel on the reference clock; grey: raw readings, dark: mean over the window, band: window; "
                "of readings no interval is drawn",
                "Raw records of "
                + ", ".join(quantity_title(n) for n in channels_drawn(analysis, 6))
                + " with each step, its window and the parts left out; times stand in the table.",
                lambda layout: draw_traces(analysis, layout),
                windows,
                "On top: thick bar, window taken; dotted line, part left out. Down-sampled for drawing "
                "with every extreme kept; gaps are not bridged.",
            ),
        ]
    discarded = discarded_table(analysis)
    blocks += [
        Fold(f"Parts left out, and why ({len(discarded.rows)})", (discarded,)),
        methods.window_method(analysis),
        Heading("The clocks", 3),
    ]
    clocks = clock_table(analysis)
    if say.has_clock_pairs(analysis):
        blocks.append(
            Figure(
                "clocks",
                say.clocks_title(analysis),
                "Both records around sharp edges early, midway and late, after alignment; each reading is drawn as the "
                "interval it averages",
                "; ".join(f"{clean(c.log)}: {c.status}" for c in analysis.recording.clocks) + ".",
                lambda layout: draw_clocks(analysis, layout),
                clocks,
                "Solid: reference log. Dashed: the log that was aligned.",
            )
        )
    else:
        blocks.append(clocks)
    blocks += [
        methods.clock_method(),
        Heading("Reading the files", 3),
        *file_blocks(analysis),
    ]
    return Section("trust", "Can it be trusted?", tuple(blocks))


def notes_table(analysis: Analysis) -> Table:
    """Return every note of the analysis, doubts first."""
    parted = [
        note.partition(": ") if note.partition(": ")[0] in ("doubt", "caution", "repair") else ("note", "", note)
        for note in analysis.notes
    ]
    order = ("doubt", "caution", "note", "repair")
    rows = tuple(sorted(((kind, in_words(text)) for kind, _, text in parted), key=lambda row: order.index(row[0])))
    return Table(
        "notes", "Doubts, cautions and repairs", (Column("kind", "Kind"), Column("note", "What to know")), rows
    )


def checks_blocks(analysis: Analysis) -> list[Block]:
    """Return what the readings say about each other, and what each figure was made from."""
    blocks: list[Block] = []
    if analysis.checks:
        rows = tuple((c.name, c.outcome, c.sentence) for c in analysis.checks)
        blocks.append(
            Table(
                "checks",
                "The readings held against each other and against physics",
                (Column("check", "Check"), Column("outcome", "Outcome"), Column("sentence", "What was found")),
                rows,
                "A gain error of a sensor and a loss in proportion to load look alike in powers alone.",
            )
        )
    made: dict[str, dict[str, None]] = {}
    for finding in analysis.steps:
        for name, text in finding.basis.items():
            made.setdefault(name, {})[text] = None
    if made:
        rows = tuple(
            (quantity_title(name), "; or ".join(list(texts)[:3]) + ("; and others" if len(texts) > 3 else ""))
            for name, texts in sorted(made.items())
        )
        blocks.append(
            Fold(
                "What each figure was made from",
                (
                    Table(
                        "basis",
                        "What each figure was made from",
                        (Column("figure", "Figure"), Column("basis", "Made from")),
                        rows,
                    ),
                ),
            )
        )
    return blocks


def window_table(analysis: Analysis) -> Table:
    """Return the steps and windows on the reference clock."""
    columns = (
        STEP,
        Column("start", "Step from", "s", "number"),
        Column("end", "to", "s", "number"),
        Column("window_start", "Window from", "s", "number"),
        Column("window_end", "to", "s", "number"),
        Column("settled", "Settled"),
        Column("found_from", "Found from"),
        Column("reasons", "Why this window"),
    )
    rows = tuple(
        (
            f.step.name,
            f.span.start_s,
            f.span.end_s,
            f.window.start_s if f.window.found else None,
            f.window.end_s if f.window.found else None,
            ("yes" if f.window.settled else "no") if f.window.found else "no window",
            f.span.found_from,
            in_words("; ".join((*f.window.reasons, *f.window.remarks, *((f.span.note,) if f.span.note else ())))),
        )
        for f in analysis.steps
    )
    return Table("windows", "Steps and windows on the reference clock", columns, rows)


def discarded_table(analysis: Analysis) -> Table:
    """Return what was left out of each step, and why."""
    columns = (STEP, Column("start", "From", "s", "number"), Column("end", "to", "s", "number"), Column("why", "Why"))
    rows = tuple((f.step.name, start, end, why) for f in analysis.steps for start, end, why in f.window.discarded)
    return Table("discarded", "Parts left out", columns, rows)


def clock_table(analysis: Analysis) -> Table:
    """Return offset, drift and evidence of every clock."""
    columns = (
        Column("log", "Log"),
        Column("status", "Status"),
        Column("offset", "Offset", "s", "value"),
        Column("drift", "Drift", "ppm", "value"),
        Column("averaging", "Averaging", "s", "value"),
        Column("peak_ratio", "Second peak / first", "1", "number"),
        Column("overlap", "Overlap", "s", "number"),
        Column("compared", "Compared"),
        Column("note", "Note"),
    )
    rows = tuple(
        (
            c.log if c.segment == 0 else f"{c.log}, part {c.segment + 1}",
            c.status,
            _known(c.offset, c.offset_u, "s"),
            _known(c.drift, c.drift_u, "ppm"),
            None if c.averaging is None else _known(c.averaging, c.averaging_u, "s"),
            c.peak_ratio,
            c.overlap or None,
            " and ".join(quantity_title(n) for n in c.pair if n),
            "; ".join([c.note] * bool(c.note) + [f"candidate {o:.3f} s, score {s:.2f}" for o, s in c.candidates]),
        )
        for c in analysis.recording.clocks
    )
    return Table(
        "clocks",
        "Offset and drift of every clock",
        columns,
        rows,
        "± is the 95 % half-width. Above a ratio of 0.9 of second to first peak an offset is refused as ambiguous.",
    )


def _known(number: float, u: float | None, unit: str) -> Value:
    if u is None or u == 0.0:
        return Value(number, unit, u, None, None, "derived")
    return Value(number, unit, u, number - 1.96 * u, number + 1.96 * u, "derived")


def file_blocks(analysis: Analysis) -> list[Block]:
    """Return what was read, what was repaired, and the fingerprint of every file."""
    reports = analysis.recording.reports
    columns = (
        Column("file", "File"),
        Column("size", "Size", "byte", "number"),
        Column("rows", "Rows", "1", "number"),
        Column("how", "Read as"),
        Column("from", "First stamp"),
        Column("to", "Last stamp"),
    )
    rows = tuple(
        (
            r.fingerprint.file,
            r.fingerprint.size,
            r.row_count,
            f"{r.encoding}, delimiter {_named(r.delimiter)}, decimal mark {_named(r.decimal)}, time {r.time_format}",
            r.first_time,
            r.last_time,
        )
        for r in reports
    )
    remarks = tuple(
        (r.fingerprint.file, m.kind, m.what + (f" - {m.mend}" if m.mend else ""), m.line, m.column or None, m.count)
        for r in reports
        for m in r.remarks
    )
    whole = tuple(
        ("all logs", m.kind, m.what + (f" - {m.mend}" if m.mend else ""), m.line, m.column or None, m.count)
        for m in analysis.recording.remarks
    )
    found = tuple(
        (f"{t.log}: {quantity_title(t.channel)}", m.kind, m.what, m.line, m.column or None, m.count)
        for t in analysis.recording.traces.values()
        for m in t.remarks
    )
    remark_columns = (
        Column("file", "File"),
        Column("kind", "Kind"),
        Column("what", "What was noticed or repaired"),
        Column("line", "Line", "1", "number"),
        Column("column", "Column"),
        Column("count", "Times", "1", "number"),
    )
    prints = tuple((r.fingerprint.file, r.fingerprint.sha256) for r in reports)
    stated = tuple(
        (name, text)
        for name, text in (
            (analysis.bench.file or "bench.toml", analysis.bench.fingerprint),
            (analysis.campaign.file or "campaign.toml", analysis.campaign.fingerprint),
        )
        if text
    )
    return [
        Table("files", "Files read", columns, rows),
        Table("repairs", "Repairs and remarks while reading", remark_columns, remarks + whole + found)
        if remarks or whole or found
        else Paragraph("Nothing had to be repaired while reading.", "small"),
        Table(
            "fingerprints",
            "Fingerprints",
            (Column("file", "File"), Column("sha256", "SHA-256")),
            prints + stated,
            "Raw files are never changed. Whoever computes the same fingerprints holds the same files.",
        ),
    ]


def _named(mark: str) -> str:
    return {",": "comma", ";": "semicolon", "\t": "tab", ".": "point", " ": "space", "|": "bar"}.get(
        mark, clean(mark) or "none"
    )
