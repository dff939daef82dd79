"""Drawings of our own: a few plain shapes in pixels, written as SVG or painted as pixels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape as escape_xml

from phasewright.report.escaping import clean
from phasewright.report.palette import light
from phasewright.report.wording import typeset

Point = tuple[float, float]
Command = tuple[str, tuple[Point, ...]]
"""('M', (p,)) | ('L', (p,)) | ('C', (p1, p2, p)) | ('Z', ())"""

FONT = "ui-sans-serif, 'Segoe UI', 'Helvetica Neue', 'Liberation Sans', Arial, sans-serif"


@dataclass(frozen=True, slots=True)
class Shape:
    commands: tuple[Command, ...]
    fill: str = ""
    stroke: str = ""
    width: float = 1.0
    dash: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Words:
    x: float
    y: float
    text: str
    size: float = 12.0
    ink: str = "ink"
    anchor: str = "start"
    """start | middle | end"""
    bold: bool = False


@dataclass(slots=True)
class Sketch:
    """Shapes and words on a sheet of `width` x `height` pixels, y downward."""

    width: float
    height: float
    items: list[Shape | Words] = field(default_factory=list)

    def shape(self, commands: Sequence[Command], **look) -> None:
        """Add a free shape."""
        self.items.append(Shape(tuple(commands), **look))

    def line(self, *points: Point, **look) -> None:
        """Add a line through `points`."""
        self.shape([("M" if i == 0 else "L", (p,)) for i, p in enumerate(points)], **look)

    def box(self, x: float, y: float, w: float, h: float, r: float = 0.0, **look) -> None:
        """Add a rectangle with corners of radius `r`."""
        r = min(r, 0.5 * w, 0.5 * h)
        k = r * 0.4477
        if r <= 0.0:
            self.line((x, y), (x + w, y), (x + w, y + h), (x, y + h), (x, y), **look)
            return
        right, low = x + w, y + h
        self.shape(
            [
                ("M", ((x + r, y),)),
                ("L", ((right - r, y),)),
                ("C", ((right - k, y), (right, y + k), (right, y + r))),
                ("L", ((right, low - r),)),
                ("C", ((right, low - k), (right - k, low), (right - r, low))),
                ("L", ((x + r, low),)),
                ("C", ((x + k, low), (x, low - k), (x, low - r))),
                ("L", ((x, y + r),)),
                ("C", ((x, y + k), (x + k, y), (x + r, y))),
                ("Z", ()),
            ],
            **look,
        )

    def disc(self, x: float, y: float, r: float, **look) -> None:
        """Add a circle of radius `r`."""
        self.box(x - r, y - r, 2 * r, 2 * r, r, **look)

    def words(self, x: float, y: float, text: str, **look) -> None:
        """Add a line of text with its baseline at `y`."""
        self.items.append(Words(x, y, clean(text), **look))


def text_width(text: str, size: float) -> float:
    """Return about how wide `text` is when set in a sans serif of `size` pixels [px]; errs to the wide side."""
    wide = sum(
        0.36 if ch in "iljtfrI.,:;'|!()[] \u00a0\u202f/-" else 0.9 if ch in "mwMWÅ@%" else 0.68 if ch.isupper() else 0.6
        for ch in text
    )
    return wide * size


def wrap(text: str, size: float, room: float) -> list[str]:
    """Return `text` broken into lines that fit into `room` [px]; a word longer than a line is cut."""
    lines: list[str] = []
    current = ""
    for word in typeset(text).split(" "):
        while text_width(word, size) > room and len(word) > 4:
            keep = max(3, int(len(word) * room / text_width(word, size)) - 1)
            if current:
                lines.append(current)
                current = ""
            lines.append(word[:keep])
            word = word[keep:]
        trial = f"{current} {word}" if current else word
        if current and text_width(trial, size) > room:
            lines.append(current)
            current = word
        else:
            current = trial
    return [*lines, current] if current else lines or [""]


def fit(text: str, size: float, room: float) -> str:
    """Return `text` shortened with an ellipsis until it fits into `room` [px]."""
    if text_width(text, size) <= room:
        return text
    while text and text_width(text + "…", size) > room:
        text = text[:-1]
    return text.rstrip() + "…"


def _number(x: float) -> str:
    text = f"{x:.2f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def svg_items(items: Sequence[Shape | Words]) -> str:
    """Return the shapes as SVG elements: light colours as attributes, ink names as classes."""
    out = []
    for item in items:
        if isinstance(item, Words):
            weight = ' font-weight="600"' if item.bold else ""
            anchor = "" if item.anchor == "start" else f' text-anchor="{item.anchor}"'
            out.append(
                f'<text x="{_number(item.x)}" y="{_number(item.y)}" font-size="{_number(item.size)}"{weight}{anchor} '
                f'class="f-{item.ink}" fill="{light(item.ink)}">{escape_xml(item.text)}</text>'
            )
            continue
        path = "".join(c + " ".join(f"{_number(x)},{_number(y)}" for x, y in points) for c, points in item.commands)
        classes = " ".join(([f"f-{item.fill}"] if item.fill else []) + ([f"s-{item.stroke}"] if item.stroke else []))
        look = f' class="{classes}" fill="{light(item.fill) if item.fill else "none"}"'
        if item.stroke:
            look += f' stroke="{light(item.stroke)}" stroke-width="{_number(item.width)}"'
            if item.dash:
                look += f' stroke-dasharray="{" ".join(_number(d) for d in item.dash)}"'
        out.append(f'<path d="{path}"{look}/>')
    return "\n".join(out)


def paint(sketch: Sketch, axes) -> None:
    """Paint the sketch on a matplotlib Axes whose data are pixels, y downward."""
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    codes = {"M": [Path.MOVETO], "L": [Path.LINETO], "C": [Path.CURVE4] * 3, "Z": [Path.CLOSEPOLY]}
    for order, item in enumerate(sketch.items):
        if isinstance(item, Words):
            place = {"start": "left", "middle": "center", "end": "right"}[item.anchor]
            axes.text(
                item.x,
                item.y,
                item.text,
                fontsize=item.size,
                color=light(item.ink),
                ha=place,
                va="baseline",
                fontweight="bold" if item.bold else "normal",
                zorder=order,
                parse_math=False,
            )
            continue
        points = [p for c, ps in item.commands for p in (ps or ((0.0, 0.0),))]
        path = Path(points, [code for c, _ in item.commands for code in codes[c]])
        style = (0, tuple(d / item.width for d in item.dash)) if item.dash else "solid"
        axes.add_artist(
            PathPatch(
                path,
                facecolor=light(item.fill) if item.fill else "none",
                edgecolor=light(item.stroke) if item.stroke else "none",
                linewidth=item.width if item.stroke else 0.0,
                linestyle=style,
                zorder=order,
                capstyle="butt",
                joinstyle="round",
            )
        )
