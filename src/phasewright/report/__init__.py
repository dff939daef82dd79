"""Figures, tables and the guide.

Takes: Analysis.
Gives: files (HTML, Markdown, SVG, PNG).
May import: all rooms below, not live.
May touch: writes files, draws.
Asks: is it a page or a picture?
"""

__all__: list[str] = []
