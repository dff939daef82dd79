"""The chapter *What would be enough?*: the design to build, what more money buys, why its neighbours fail."""

from __future__ import annotations

import math
from collections.abc import Sequence

from phasewright.design import Design, Member, difference_of
from phasewright.limits import relative
from phasewright.quantity import Value
from phasewright.report.canvas import LABEL, place, sheet
from phasewright.report.document import (
    Block,
    Bullets,
    Column,
    Figure,
    Formula,
    Heading,
    Layout,
    Method,
    Paragraph,
    Section,
    Table,
)
from phasewright.report.escaping import clean
from phasewright.report.front import front_figure
from phasewright.report.palette import light
from phasewright.report.parts import sentence
from phasewright.report.wording import THIN, plain, quantity_title

DESIGN_QUESTION = "What would be enough?"
INVENTED = "Invented parts and prices: this catalogue is an example, nothing in it can be bought."
MOST_LIMITS = 8
_BOUGHT = {"temperature": ("K cooler", 1.0), "loss": ("W less lost", 1.0), "chance": ("% surer", 100.0)}


def design_title(design: Design) -> str:
    """Return what would be enough, in a few words."""
    chosen, front = design.verdict.chosen, design.front
    if chosen is None:
        return "No design of this catalogue is sure enough"
    own = chosen.choice
    return (f"{own.phase_count} phases of {clean(own.stage)} on {clean(own.cooler)} would be enough, for {_money(chosen.cost)}"
            f"{THIN}{clean(front.currency)} of parts")  # fmt: skip


def design_blocks(design: Design) -> tuple[Block, ...]:
    """Return everything behind the question what would be enough, without a section around it."""
    verdict, front = design.verdict, design.front
    blocks: list[Block] = [Paragraph(sentence(clean(verdict.sentence, 1200)), "answer long")]
    if design.catalogue.simulated:
        blocks.append(Paragraph(INVENTED, "small"))
    if front.members:
        blocks.append(front_figure(design))
    if verdict.chosen is not None:
        blocks += [_parts(design, verdict.chosen), _limits(verdict.chosen)]
    blocks += _purchases(design)
    trades = _trades_figure(design)
    blocks += [Heading("Cooling against phases", 3), trades] if trades is not None else []
    blocks += _neighbours(design)
    blocks += _sensitivities(design)
    rests = tuple(sentence(clean(text, 600)) for text in (*front.carried, *front.notes))
    blocks += [Heading("What it rests on", 3), Bullets(tuple(text[:1].upper() + text[1:] for text in rests))] if rests else []
    blocks.append(_method(design))
    return tuple(blocks)


def design_section(design: Design) -> Section:
    """Return the chapter of a design."""
    return Section("enough", DESIGN_QUESTION, design_blocks(design))


def _money(amount: float) -> str:
    return f"{amount:.2f}"


def _chance(member: Member) -> str:
    """Return the chance of meeting every limit [%]."""
    return f"{100.0 * (member.chances.chance if member.chances is not None else member.chance):.1f}"


def _said(number: float) -> str:
    return plain(number, 0) if abs(number) >= 100.0 else f"{number:.3g}"


def _parts(design: Design, chosen: Member) -> Table:
    own, price = chosen.choice, {}
    for kind in ("stage", "inductor", "capacitor", "controller", "cooler", "connector"):
        price |= {(kind, part.name): part.price for part in getattr(design.catalogue, kind)}
    rows = [
        ("Power stage", own.stage, own.phase_count, price.get(("stage", own.stage))),
        ("Inductor", own.inductor, own.phase_count, price.get(("inductor", own.inductor))),
        ("Output capacitor", own.output_capacitor, own.output_count, price.get(("capacitor", own.output_capacitor))),
        ("Input capacitor", own.input_capacitor, own.input_count, price.get(("capacitor", own.input_capacitor))),
        ("Controller", own.controller, 1, price.get(("controller", own.controller))),
        ("Cooling", own.cooler, 1, price.get(("cooler", own.cooler))),
        ("Connector", own.connector, own.connector_count, price.get(("connector", own.connector))),
    ]
    money = clean(design.front.currency)
    return Table(
        "design-parts", "What to build",
        (Column("part", "Part"), Column("name", "Take"), Column("count", "Pieces", "", "number"),
         Column("each", f"Each / {money}", "", "number"), Column("cost", f"Together / {money}", "", "number")),
        (*((kind, clean(name), count, None if each is None else _money(each), None if each is None else _money(each * count))
           for kind, name, count, each in rows), ("All parts", "", None, None, _money(chosen.cost))),
        f"Switching at {plain(own.switching_frequency / 1e3, 0)} kHz with {own.phase_count} phases.",
    )  # fmt: skip


def _limits(chosen: Member) -> Table:
    near = sorted(chosen.margins, key=relative)[:MOST_LIMITS]
    return Table(
        "design-limits", "Nearest limits of this design",
        (Column("limit", "Limit"), Column("applies_to", "Bounds"), Column("limit_value", "At", "", "value"),
         Column("margin", "Margin left", "", "value"), Column("share", "Share of the limit left / %", "", "number"),
         Column("source", "Source")),
        tuple((m.limit.name, quantity_title(m.limit.applies_to),
               Value(m.limit.value, m.limit.unit, 0.0, m.limit.value, m.limit.value, "set"), m.margin,
               plain(100.0 * relative(m), 0) if math.isfinite(relative(m)) else None, m.limit.source) for m in near),
        "Predicted, settled, at the load that is required.",
    )  # fmt: skip


def _purchases(design: Design) -> list[Block]:
    money = clean(design.front.currency)
    rows = []
    for item in design.verdict.purchases:
        unit, scale = _BOUGHT.get(item.kind, (item.kind, 1.0))
        rows.append((f"{plain(item.bought * scale, 1)}{THIN}{unit}", _money(item.after.cost - item.before.cost),
                     _money(item.each), _money(item.after.cost),
                     difference_of(item.before.choice, item.after.choice)))  # fmt: skip
    if not rows:
        return []
    return [Table(
        "design-purchases", "What each next unit of money buys",
        (Column("bought", "Buys"), Column("more", f"For / {money} more", "", "number"),
         Column("each", f"{money} a unit", "", "number"), Column("cost", f"Parts then / {money}", "", "number"),
         Column("by", "By taking")),
        tuple(rows), "Each step is the one that gives most for its money; steps of one kind follow one another.",
    )]  # fmt: skip


def _neighbours(design: Design) -> list[Block]:
    chosen = design.verdict.chosen
    if chosen is None or not design.verdict.neighbours:
        return []
    rows = tuple(
        (difference_of(chosen.choice, item.choice), _money(item.cost), _money(item.total_cost), _chance(item),
         "; ".join(item.fails) or "nothing speaks against it")
        for item in design.verdict.neighbours
    )  # fmt: skip
    money = clean(design.front.currency)
    return [Table(
        "design-neighbours", "Why not its neighbours",
        (Column("change", "With"), Column("cost", f"Parts / {money}", "", "number"),
         Column("total_cost", f"Over life / {money}", "", "number"),
         Column("chance", "Meets every limit / %", "", "number"), Column("why", "Why it was not chosen")),
        rows, f"{100.0 * design.requirement.confidence:g} % are asked for.",
    )]  # fmt: skip


def _sensitivities(design: Design) -> list[Block]:
    items = design.verdict.sensitivities
    if not items:
        return []
    changing = sum(item.changes for item in items)
    rows = []
    for item in items:
        told = item.sentence.rpartition(": ")[2] if item.changes else "the choice stays"
        rows.append((item.name, item.unit, _said(item.value), f"{_said(item.low)} to {_said(item.high)}",
                     "–" if item.changes_at is None else _said(item.changes_at), told))  # fmt: skip
    return [Table(
        "design-sensitivities",
        f"What would change the choice: {changing} of {len(items)} assumptions" if changing
        else "What would change the choice: none of the assumptions tried",
        (Column("assumption", "Assumption"), Column("unit", "Unit"), Column("value", "As assumed"),
         Column("interval", "Tried"), Column("changes_at", "Changes at about"), Column("then", "Then")),
        tuple(rows), "One assumption is moved at a time, all else as assumed.",
    )]  # fmt: skip


# ---- cooling against phases ------------------------------------------------------------------------------------------


def _trades_figure(design: Design) -> Figure | None:
    counted = [(item, int(item.held.split()[0])) for item in design.verdict.trades if item.held.endswith(" phases")]
    enough = [(count, item.member) for item, count in counted if item.member is not None]
    if len(enough) < 2:
        return None
    money, alive = clean(design.front.currency), any(member.energy_cost is not None for _, member in enough)
    best_count, best = min(enough, key=lambda pair: pair[1].total_cost)
    fewest = min(enough)
    over = " over its life" if alive else ""
    title = f"{best_count} phases cost least{over}, {_money(best.total_cost)}{THIN}{money}"
    if fewest[0] < best_count:
        title += f"; {fewest[0]} would do for {_money(fewest[1].total_cost - best.total_cost)}{THIN}{money} more"
    rows = tuple(
        (item.held, *_trade_row(item.member)) for item in design.verdict.trades
    )  # fmt: skip
    table = Table(
        "design-trades", "The cheapest design that is enough with one thing held",
        (Column("held", "Held"), Column("phases", "Phases", "", "number"), Column("cooling", "Cooling"),
         Column("cost", f"Parts / {money}", "", "number"), Column("total_cost", f"Over life / {money}", "", "number"),
         Column("temperature", "Settles at / °C", "", "number"), Column("loss", "Loss / W", "", "number")),
        rows, "By the assured chance of meeting every limit. A dash: nothing in the catalogue is enough with it.",
    )  # fmt: skip
    said = "; ".join(f"{count} phases: {_money(member.total_cost)}, {clean(member.choice.cooler)}" for count, member in enough)
    return Figure(
        "design-trades", title, f"Cheapest design that is enough at each phase count, {money}", f"{said}.",
        lambda layout: _draw_trades(enough, money, alive, layout), table,
        "Dots: parts alone. Squares: parts and the energy of the loss over the life. The axis does not start at zero."
        if alive else "The axis does not start at zero.",
    )  # fmt: skip


def _trade_row(member: Member | None) -> tuple:
    if member is None:
        return (None, None, None, None, None, None)
    own = member.choice
    return (own.phase_count, clean(own.cooler), _money(member.cost),
            _money(member.total_cost) if member.energy_cost is not None else None,
            plain(member.regulator_temperature, 0), plain(member.conversion_loss, 1))  # fmt: skip


def _draw_trades(enough: Sequence[tuple[int, Member]], money: str, alive: bool, layout: Layout):
    kinds = [("parts", "Parts", lambda m: m.cost, "blue", "o")]
    if alive:
        kinds.append(("life", "Parts and energy over the life", lambda m: m.total_cost, "ochre", "s"))
    across = 1 if layout.narrow else len(kinds)
    tall, left, gap = 190.0, 46.0, 70.0
    rows = -(-len(kinds) // across)
    page = sheet(layout.width, rows * (tall + 78.0))
    cell = (layout.width - left - 14.0 - (across - 1) * gap) / across
    counts = [count for count, _ in enough]
    for index, (_, title, of, ink, mark) in enumerate(kinds):
        x, y = left + (index % across) * (cell + gap), (index // across) * (tall + 78.0) + 30.0
        axes = place(page, x, y, cell, tall)
        values = [of(member) for _, member in enough]
        axes.plot(counts, values, color=light(ink), linewidth=1.4, marker=mark, markersize=6.0,
                  markerfacecolor=light(ink), markeredgecolor=light(ink))  # fmt: skip
        least = min(range(len(values)), key=values.__getitem__)
        axes.plot([counts[least]], [values[least]], marker="o", markersize=14.0, markerfacecolor="none",
                  markeredgecolor=light("ink"), markeredgewidth=1.6, linestyle="none", zorder=6)  # fmt: skip
        axes.annotate(_money(values[least]), (counts[least], values[least]), xytext=(0, -22), ha="center",
                      textcoords="offset points", fontsize=LABEL, color=light("ink"))  # fmt: skip
        reach = (max(values) - min(values)) or 1.0
        axes.set_ylim(min(values) - 0.28 * reach, max(values) + 0.12 * reach)
        axes.set_xlim(min(counts) - 1.2, max(counts) + 0.8)
        axes.set_xticks(counts if len(counts) <= 14 else counts[::2])
        axes.yaxis.set_major_formatter(lambda value, _, places=0 if reach > 6 else 1: plain(value, places))
        axes.grid(axis="y")
        axes.set_title(f"{title} / {money}")
        axes.set_xlabel("Phase count", loc="left", fontsize=LABEL)
    return page


# ---- how it was found ------------------------------------------------------------------------------------------------


def _method(design: Design) -> Method:
    need, method = design.requirement, design.front.method
    return Method(
        "How it was found",
        (
            Paragraph(sentence(clean(method.sentence, 800))),
            Formula("front = designs that no other equals or betters in cost, settled temperature, loss and chance",
                    f"temperatures within {need.temperature_step:g} K, losses within {need.loss_step:g} W and chances within "
                    f"{100.0 * need.chance_step:g} % count as alike", "definition (Pareto)"),  # fmt: skip
            Formula("assured chance = 1 \u2212 sum of the chances of failing, over all limits",
                    "holds whatever the dependence of the limits", "Boole's inequality"),  # fmt: skip
            Paragraph("The chance of the designs that are told is the share of draws of all tolerances together in which every "
                      "limit holds; its interval is Clopper and Pearson's. Chosen is the cheapest over its life of those whose "
                      f"chance is {100.0 * need.confidence:g} % or more."),  # fmt: skip
        ),
    )

