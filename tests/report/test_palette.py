"""The palette keeps the contrast that WCAG 2.2 asks for, on both papers, and never tells by colour alone."""

import itertools

import pytest

from phasewright.report.palette import DASHES, INKS, MARKS, SERIES, SIGNS, VERDICT_INK, contrast, theme_css


def test_contrast_of_black_and_white_is_21():
    """WCAG 2.2, definition of contrast ratio: from 1:1 to 21:1."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#ffffff", "#000000") == pytest.approx(21.0)
    assert contrast("#123456", "#123456") == pytest.approx(1.0)


def test_contrast_of_mid_greys_on_white():
    """#767676 passes 4.5:1 on white (4.54:1), #777777 fails (4.48:1): common practice, no source."""
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)


@pytest.mark.parametrize(
    ("colour", "on_white", "on_dark"),
    [
        ("#0072B2", 5.2, 3.6),
        ("#D55E00", 3.9, 4.8),
        ("#009E73", 3.4, 5.5),
        ("#CC79A7", 3.1, 6.1),
        ("#999999", 2.8, 6.6),
        ("#56B4E9", 2.3, 8.1),
        ("#E69F00", 2.2, 8.3),
        ("#F0E442", 1.3, 14.2),
    ],
)
def test_contrast_of_the_okabe_ito_set(colour, on_white, on_dark):
    """Ratios as worked out for the project's style rules by another program; one of them is cut, not rounded."""
    assert contrast(colour, "#ffffff") == pytest.approx(on_white, abs=0.055)
    assert contrast(colour, "#121212") == pytest.approx(on_dark, abs=0.055)


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("ink", INKS.values(), ids=INKS)
def test_every_ink_is_legible_on_the_paper(ink, theme):
    """WCAG 2.2 SC 1.4.3 (text 4.5:1) and SC 1.4.11 (marks 3:1)."""
    asked = {"text": 4.5, "mark": 3.0, "fill": 1.0}[ink.use]
    assert contrast(getattr(ink, theme), getattr(INKS["paper"], theme)) >= asked


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize(
    ("front", "back", "asked"),
    [
        ("ink", "power", 4.5),
        ("soft", "power", 4.5),
        ("ink", "dropped", 4.5),
        ("soft", "dropped", 4.5),
        ("amber", "dropped", 4.5),
        ("red", "dropped", 4.5),
        ("ink", "window", 3.0),
        ("trace", "window", 2.6),
        ("limit", "heat", 3.0),
        *((ink, "dropped", 3.0) for ink in VERDICT_INK.values()),
        *((ink, "heat", 3.0) for ink in SERIES),
    ],
)
def test_what_stands_on_a_fill_is_legible(front, back, asked, theme):
    """The trace on a window's band keeps 2.6:1 only; the mean over the window, which is the figure, keeps over 10:1."""
    assert contrast(getattr(INKS[front], theme), getattr(INKS[back], theme)) >= asked


def test_text_on_the_banner_is_legible():
    for theme in ("light", "dark"):
        assert contrast(getattr(INKS["paper"], theme), getattr(INKS["red"], theme)) >= 4.5


def test_limits_have_an_ink_of_their_own():
    assert "limit" not in SERIES
    assert len({ink.light for ink in INKS.values()}) == len(INKS), "the light colour is the key that themes a drawing"


def test_series_differ_in_mark_and_dash_too():
    """Grey print and colour-blind readers: no two of the first five series share mark or dash."""
    assert len(set(MARKS)) == len(MARKS)
    assert len(set(DASHES)) == len(DASHES) == len(SERIES)
    assert "d" not in MARKS, "the thin diamond means extrapolated, never measured"


def test_every_verdict_has_a_sign_of_its_own():
    from phasewright.findings import VERDICTS

    assert set(SIGNS) == set(VERDICTS) == set(VERDICT_INK)
    assert len(set(SIGNS.values())) == len(SIGNS)


def test_print_stays_light():
    css = theme_css()
    assert css.startswith("@media screen and (prefers-color-scheme:dark)")
    for ink, kind in itertools.product(INKS.values(), ("f", "s")):
        assert f".{kind}-{ink.name}{{" in css
