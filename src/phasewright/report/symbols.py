"""Signs for what stands on a bench, as circuit drawings have them."""

from __future__ import annotations

from phasewright.report.sketch import Sketch


def meter(sketch: Sketch, x: float, y: float, r: float) -> None:
    """Draw a wattmeter: a circle with W."""
    sketch.disc(x, y, r, fill="paper", stroke="ink", width=1.8)
    sketch.words(x, y + 0.33 * r, "W", size=0.92 * r, anchor="middle", bold=True)


def contacts(sketch: Sketch, x: float, y: float, count: int, upright: bool) -> None:
    """Draw a connector: a frame with two rows of contacts, supply filled, return outlined."""
    shown = max(1, min(count, 8))
    length, across = 11.0 * shown + 7.0, 28.0
    w, h = (across, length) if upright else (length, across)
    sketch.box(x - 0.5 * w, y - 0.5 * h, w, h, 3.0, fill="paper", stroke="ink", width=1.8)
    for i in range(shown):
        along = -0.5 * length + 9.0 + 11.0 * i
        for side in (-6.0, 6.0):
            px, py = (x + side, y + along) if upright else (x + along, y + side)
            look = {"fill": "ink"} if side < 0 else {"stroke": "line", "width": 1.0}
            sketch.box(px - 3.0, py - 3.0, 6.0, 6.0, 1.0, **look)


def processor(sketch: Sketch, x: float, y: float, size: float) -> None:
    """Draw a processor: a square with pins, its die inside."""
    half, pin = 0.5 * size, 7.0
    for i in range(6):
        at = -half + size * (i + 1) / 7.0
        for a, b in (
            ((at, -half - pin), (at, -half)),
            ((at, half), (at, half + pin)),
            ((-half - pin, at), (-half, at)),
            ((half, at), (half + pin, at)),
        ):
            sketch.line((x + a[0], y + a[1]), (x + b[0], y + b[1]), stroke="ink", width=1.8)
    sketch.box(x - half, y - half, size, size, 4.0, fill="paper", stroke="ink", width=1.8)
    sketch.box(x - 0.46 * half, y - 0.46 * half, 0.92 * half, 0.92 * half, 2.0, stroke="line", width=1.2)


def _phase(sketch: Sketch, x: float, y: float, size: float, active: bool) -> None:
    """Draw one phase centred on x, y: a power stage and its inductor; an idle one in outline."""
    ink, width = ("blue", 2.0) if active else ("line", 1.1)
    side = 13.0 * size
    left, top = x - 15.5 * size, y - 0.5 * side
    if active:
        sketch.box(left, top, side, side, 2.0, fill=ink)
    else:
        sketch.box(left + 0.6, top + 0.6, side - 1.2, side - 1.2, 2.0, stroke=ink, width=width)
    base, turn = y + 2.6 * size, 4.8 * size
    start = left + side + 2.2 * size
    coil = [("M", ((left + side, base),)), ("L", ((start, base),))]
    for i in range(3):
        at = start + turn * i
        coil.append(("C", ((at, base - 1.5 * turn), (at + turn, base - 1.5 * turn), (at + turn, base))))
    coil.append(("L", ((start + 3 * turn + 1.6 * size, base),)))
    sketch.shape(coil, stroke=ink, width=width)


def draw_phases_inside(sketch: Sketch, x: float, y: float, w: float, h: float, fitted: int, active: int) -> None:
    """Draw every fitted phase into a frame, rows as even as they go."""
    rows = 1 if fitted <= 5 else 2 if fitted <= 12 else 3 if fitted <= 21 else 4
    columns = -(-fitted // rows)
    dx, dy = w / columns, h / rows
    size = min(1.5, dx / 35.0, dy / 20.0)
    for index in range(fitted):
        row, column = divmod(index, columns)
        _phase(sketch, x + (column + 0.5) * dx, y + (row + 0.5) * dy, size, index < active)
