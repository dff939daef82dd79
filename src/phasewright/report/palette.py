"""Colours, marks and dashes of every figure and page, for light and dark.

The hues follow the Okabe-Ito set for colour-blind readers (Okabe & Ito, Color Universal Design, 2008); each is moved
in lightness until it keeps the contrast that WCAG 2.2 asks for on our own paper, light and dark: 4.5:1 for text
(SC 1.4.3), 3:1 for marks (SC 1.4.11). `contrast` is the formula of that standard; the tests hold every pair to it.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Ink:
    """One colour of the palette: what it is on light and on dark paper."""

    name: str
    light: str
    dark: str
    use: str
    """text | mark | fill: text needs 4.5:1 against the paper, mark 3:1, fill nothing (never carries meaning alone)."""


INKS: dict[str, Ink] = {
    ink.name: ink
    for ink in (
        Ink("paper", "#fdfcf9", "#14171a", "fill"),
        Ink("ink", "#1c2126", "#ebe8e1", "text"),
        Ink("soft", "#59616a", "#a9b0b7", "text"),
        Ink("line", "#787e84", "#7d848b", "mark"),
        Ink("hair", "#e2dfd7", "#31373d", "fill"),
        Ink("blue", "#0869a6", "#62b5ea", "text"),
        Ink("green", "#0b7658", "#35c096", "text"),
        Ink("purple", "#94487b", "#da93c0", "text"),
        Ink("ochre", "#83600d", "#dcb04a", "text"),
        Ink("limit", "#b84607", "#f28a4b", "text"),
        Ink("red", "#ab2420", "#ff938a", "text"),
        Ink("amber", "#865706", "#efb63f", "text"),
        Ink("power", "#d4e4ee", "#1d3748", "fill"),
        Ink("heat", "#f4dccb", "#4b2b17", "fill"),
        Ink("window", "#e4edec", "#1e2f30", "fill"),
        Ink("dropped", "#f1eee7", "#202428", "fill"),
        Ink("trace", "#75899a", "#71879a", "mark"),
    )
}

SERIES: tuple[str, ...] = ("blue", "ochre", "green", "purple", "ink")
"""Order in which series take their ink; the limit's vermillion is kept for limits."""
MARKS: tuple[str, ...] = ("o", "s", "D", "^", "v", "P", "X", "p")
DASHES: tuple[tuple[float, tuple[float, ...]], ...] = (
    (0, ()),
    (0, (5.0, 2.2)),
    (0, (1.4, 1.8)),
    (0, (7.0, 2.0, 1.4, 2.0)),
    (0, (3.0, 1.2, 3.0, 3.6)),
)

SIGNS: dict[str, str] = {
    "sustained": "●",
    "marginal": "◐",
    "clamped": "▼",
    "tripped": "✕",
    "unsettled": "○",
    "unknown": "?",
}
"""A sign beside each verdict word, so that no verdict is told by colour alone."""

VERDICT_INK: dict[str, str] = {
    "sustained": "green",
    "marginal": "amber",
    "clamped": "limit",
    "tripped": "red",
    "unsettled": "blue",
    "unknown": "soft",
}


def light(name: str) -> str:
    """Return the hex colour of ink `name` on light paper."""
    return INKS[name].light


def _luminance(colour: str) -> float:
    channels = [int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(first: str, second: str) -> float:
    """Return the contrast ratio of two hex colours, 1 to 21 (WCAG 2.2, definition of contrast ratio)."""
    bright, dim = sorted((_luminance(first), _luminance(second)), reverse=True)
    return (bright + 0.05) / (dim + 0.05)


def theme_css(prefix: str = "") -> str:
    """Return the rules that turn the figures' inks dark on screens that ask for it; print stays light."""
    rules = "".join(
        f"{prefix}.f-{ink.name}{{fill:{ink.dark}}}{prefix}.s-{ink.name}{{stroke:{ink.dark}}}" for ink in INKS.values()
    )
    return f"@media screen and (prefers-color-scheme:dark){{{rules}}}"
