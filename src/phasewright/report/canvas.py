"""Matplotlib figures in our look, written as themed SVG with real text, and as pixels.

Figure objects only, never the global plotting state. One lock guards matplotlib's settings, which are global.
"""

from __future__ import annotations

import io
import re
import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from html import escape as escape_xml
from xml.etree import ElementTree

import matplotlib
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure as Sheet
from matplotlib.image import imsave

from phasewright.report.document import Figure, Layout
from phasewright.report.escaping import clean
from phasewright.report.palette import INKS, light, theme_css
from phasewright.report.sketch import FONT, Sketch, Words, paint, svg_items, wrap

LABEL = 11.0
"""Size of axis text [px]."""
SMALL = 10.0
SCALE = 2
"""Pixels of a PNG for each pixel of the drawing."""

_LOCK = threading.RLock()
_LOOK = {
    "figure.dpi": 72.0,
    "savefig.dpi": 72.0,
    "figure.facecolor": "none",
    "axes.facecolor": "none",
    "savefig.facecolor": "none",
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": LABEL,
    "axes.titlesize": LABEL + 1,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.titley": 1.0,  # fixed: finding a free place for each title took a tenth of the time of a guide
    "axes.titlecolor": INKS["ink"].light,
    "axes.labelsize": LABEL,
    "axes.labelcolor": INKS["soft"].light,
    "axes.edgecolor": INKS["line"].light,
    "axes.linewidth": 0.9,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    "axes.unicode_minus": True,
    "axes.grid": False,
    "grid.color": INKS["hair"].light,
    "grid.linewidth": 0.9,
    "xtick.labelsize": LABEL,
    "ytick.labelsize": LABEL,
    "xtick.color": INKS["line"].light,
    "ytick.color": INKS["line"].light,
    "xtick.labelcolor": INKS["soft"].light,
    "ytick.labelcolor": INKS["soft"].light,
    "xtick.major.width": 0.9,
    "ytick.major.size": 0.0,
    "ytick.major.pad": 5.0,
    "xtick.major.size": 4.0,
    "text.color": INKS["ink"].light,
    "text.parse_math": False,
    "path.simplify": False,
    "svg.fonttype": "none",
    "svg.hashsalt": "phasewright",
    "lines.solid_capstyle": "butt",
}
_BY_COLOUR = {ink.light: ink.name for ink in INKS.values()}
_SVG = "{http://www.w3.org/2000/svg}"
_LINK = "{http://www.w3.org/1999/xlink}href"


@contextmanager
def drawing() -> Iterator[None]:
    """Hold matplotlib's settings at ours while a figure is made or written; foreign settings files have no say."""
    with _LOCK, matplotlib.rc_context(), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        matplotlib.rcParams.update({k: v for k, v in matplotlib.rcParamsDefault.items() if not k.startswith("backend")})
        matplotlib.rcParams.update(_LOOK)
        yield


def sheet(width: float, height: float) -> Sheet:
    """Return an empty matplotlib Figure of `width` x `height` [px]; one unit of its SVG is one pixel."""
    return Sheet(figsize=(width / 72.0, height / 72.0), dpi=72.0)


def place(page: Sheet, x: float, y: float, w: float, h: float, **options):
    """Return new Axes on `page` at pixels from the upper left corner."""
    width, height = page.get_size_inches() * 72.0
    return page.add_axes((x / width, 1.0 - (y + h) / height, w / width, h / height), **options)


def _attributes(element: ElementTree.Element) -> None:
    """Turn an element's style into attributes, and our colours into classes that a theme can change."""
    for entry in element.attrib.pop("style", "").split(";"):
        name, _, value = (part.strip() for part in entry.partition(":"))
        if not name:
            continue
        if name == "font":
            found = re.search(r"([\d.]+)px", value)
            if found:
                element.set("font-size", found[1])
            if re.search(r"\bbold\b|\b[6-9]00\b", value):
                element.set("font-weight", "600")
        elif name == "font-size":
            element.set("font-size", value.removesuffix("px"))
        elif name == "font-weight":
            element.set("font-weight", "600" if value in ("bold", "600", "700") else value)
        elif name not in ("font-family", "font-stretch", "font-style", "font-variant"):
            element.set(name, value)
    classes = [
        f"{key[0]}-{_BY_COLOUR[element.get(key, '')]}"
        for key in ("fill", "stroke")
        if element.get(key, "") in _BY_COLOUR
    ]
    if classes:
        element.set("class", " ".join(classes))


def _short(found: re.Match[str]) -> str:
    return f"{float(found[0]):.2f}".rstrip("0").rstrip(".")


def _themed(text: str, prefix: str) -> str:
    """Return the inside of matplotlib's SVG, names of the format's own dropped, ids made unique by `prefix`."""
    root = ElementTree.fromstring(text)  # our own output, nothing foreign is parsed as markup
    parents = {child: parent for parent in root.iter() for child in parent}
    for element in list(root.iter()):
        tag = element.tag.removeprefix(_SVG)
        if tag in ("metadata", "style"):
            parents[element].remove(element)
            continue
        element.tag = tag
        _attributes(element)
        if _LINK in element.attrib:
            element.set("href", "#" + prefix + element.attrib.pop(_LINK)[1:])
        if "clip-path" in element.attrib:
            element.set("clip-path", element.attrib["clip-path"].replace("url(#", f"url(#{prefix}"))
        if "id" in element.attrib:
            if tag in ("clipPath", "path") and not element.attrib["id"].startswith("patch"):
                element.set("id", prefix + element.attrib["id"])
            else:
                del element.attrib["id"]
        for key in ("d", "x", "y", "transform", "width", "height", "x1", "x2", "y1", "y2", "stroke-width"):
            if key in element.attrib:
                element.set(key, re.sub(r"-?\d+\.\d+(?:e-?\d+)?", _short, " ".join(element.attrib[key].split())))
    inside = "".join(ElementTree.tostring(child, encoding="unicode") for child in root)
    return re.sub(r">\s+<", "><", inside)


def _body_svg(body: Sheet | Sketch, prefix: str) -> tuple[str, float, float]:
    if isinstance(body, Sketch):
        return svg_items(body.items), body.width, body.height
    stream = io.StringIO()
    body.savefig(stream, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    width, height = body.get_size_inches() * 72.0
    return _themed(stream.getvalue(), prefix), float(width), float(height)


def _frame(figure: Figure, width: float, banner: str) -> tuple[list[Words], list[Words], float, float]:
    """Return the words above (y up from 0, negative) and below a drawing that stands alone, and their heights."""
    head: list[tuple[str, float, str, bool]] = []
    if banner:
        head += [(line, 11.0, "red", True) for line in wrap(banner, 11.0, width)]
    head += [(line, 17.0, "ink", True) for line in wrap(figure.title, 20.0, width)]
    head += [(line, 12.0, "soft", False) for line in wrap(f"{figure.subtitle}.", 12.2, width)]
    above, y = [], 4.0
    for text, size, ink, bold in head:
        y += size * 1.42
        above.append(Words(0.0, y - size * 0.3, text, size, ink, "start", bold))
    foot = wrap(figure.note, 11.2, width) if figure.note else []
    below = [Words(0.0, 14.0 + 15.5 * i, line, 11.0, "soft") for i, line in enumerate(foot)]
    return above, below, y + 10.0, 8.0 + 15.5 * len(foot) if foot else 0.0


@dataclass(slots=True)
class Plate:
    """A figure drawn once in one layout, to be written as SVG within a page, as an SVG file, or as a PNG."""

    figure: Figure
    prefix: str
    body: Sheet | Sketch
    inside: str
    """The drawing as SVG elements, without the root."""
    width: float
    height: float

    def inline(self) -> str:
        """Return an SVG element for an HTML page that brings theme and fonts; title and note stay outside."""
        return (
            f'<svg viewBox="0 0 {self.width:g} {self.height:g}" width="{self.width:g}" height="{self.height:g}" '
            f'role="img" aria-labelledby="{self.prefix}t {self.prefix}d">'
            f'<title id="{self.prefix}t">{_xml(self.figure.title)}</title>'
            f'<desc id="{self.prefix}d">{_xml(self.figure.description)}</desc>{self.inside}</svg>'
        )

    def standalone(self, banner: str) -> str:
        """Return a whole SVG file, title and reading note in it, legible on light and dark."""
        above, below, head, foot = _frame(self.figure, self.width, banner)
        edge = 18.0
        wide, tall = self.width + 2 * edge, head + self.height + foot + 2 * edge
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide:g} {tall:g}" width="{wide:g}" '
            f'height="{tall:g}" role="img" aria-labelledby="t d" font-family="{FONT}">\n'
            f'<title id="t">{_xml(self.figure.title)}</title>\n<desc id="d">{_xml(self.figure.description)}</desc>\n'
            f"<style>{theme_css()}</style>\n"
            f'<path class="f-paper" fill="{light("paper")}" d="M0,0H{wide:g}V{tall:g}H0Z"/>\n'
            f'<g transform="translate({edge:g},{edge:g})">{svg_items(above)}</g>\n'
            f'<g transform="translate({edge:g},{edge + head:g})">{self.inside}</g>\n'
            f'<g transform="translate({edge:g},{edge + head + self.height:g})">{svg_items(below)}</g>\n</svg>\n'
        )

    def printed(self) -> str:
        """Return an SVG file for paper: white, light inks, set in the font that was drawn with; title and note outside."""
        inside = self.inside.replace(light("paper"), "#ffffff")
        if isinstance(self.body, Sketch):  # its room was shared out for narrower letters than these
            inside = re.sub(
                r'font-size="([\d.]+)" font-weight="600"',
                lambda found: f'font-size="{0.88 * float(found[1]):.4g}" font-weight="600"',
                inside,
            )
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {self.width:g} {self.height:g}" '
            f'width="{self.width:g}" height="{self.height:g}" font-family="DejaVu Sans">{inside}</svg>'
        )

    def png(self, banner: str) -> bytes:
        """Return a PNG on light paper, title and reading note in it; the same bytes every time."""
        with drawing():
            above, below, head, foot = _frame(self.figure, self.width, banner)
            parts = [_pixels(Sketch(self.width, head, list(above)))] if above else []
            parts.append(_pixels(self.body))
            parts += [_pixels(Sketch(self.width, foot, list(below)))] if below else []
            columns = min(part.shape[1] for part in parts)
            stacked = np.concatenate([part[:, :columns] for part in parts])
            edge = 18 * SCALE
            whole = np.empty((stacked.shape[0] + 2 * edge, stacked.shape[1] + 2 * edge, 4), dtype=np.uint8)
            whole[:] = [int(light("paper")[i : i + 2], 16) for i in (1, 3, 5)] + [255]
            whole[edge:-edge, edge:-edge] = stacked
            stream = io.BytesIO()
            imsave(stream, whole, format="png", metadata={"Software": None}, pil_kwargs={"compress_level": 4})
        return stream.getvalue()


def _xml(text: str) -> str:
    return escape_xml(clean(text, 4000))


def draw_plate(figure: Figure, layout: Layout, prefix: str) -> Plate:
    """Return the figure drawn in one layout; `prefix` keeps its names apart from those of other figures on a page."""
    with drawing():
        body = figure.draw(layout)
        inside, width, height = _body_svg(body, prefix)
    return Plate(figure, prefix, body, inside, width, height)


def _pixels(body: Sheet | Sketch) -> np.ndarray:
    """Return the drawing on light paper as pixels, (rows, columns, 4) uint8."""
    if isinstance(body, Sketch):
        page = sheet(body.width, body.height)
        axes = place(page, 0.0, 0.0, body.width, body.height)
        axes.set(xlim=(0.0, body.width), ylim=(body.height, 0.0))
        axes.set_axis_off()
        paint(body, axes)
        body = page
    body.set_facecolor(light("paper"))
    body.set_dpi(72.0 * SCALE)
    canvas = FigureCanvasAgg(body)
    canvas.draw()
    return np.asarray(canvas.buffer_rgba()).copy()
