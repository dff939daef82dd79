"""Findings as data frames, and what records show in a notebook."""

import re

import pandas
import polars
import pytest

from phasewright.bench import Limit
from phasewright.findings import to_frame
from phasewright.limits import Margin
from phasewright.quantity import Value


def test_values_margins_and_answers_show_themselves(hand):
    analysis = hand.fixed
    step = analysis.steps[0]
    shown = step.quantities["loss"]._repr_html_()
    assert "±" in shown and "W" in shown and "95 %" in shown
    assert "<b>" in analysis.answers[0]._repr_html_() and "?" in analysis.answers[0]._repr_html_()
    limit = Limit("stage <rating>", "stage_current", 60.0, "A", "rating", "bench.toml")
    margin = Margin(limit, Value(50.0, "A"), Value(10.0, "A"), None, None)
    assert margin._repr_html_() == "<b>stage &lt;rating&gt;</b> 60 A: 50 ± ? A, margin 10 ± ? A"


def test_polars_and_pandas_frames_hold_every_quantity_with_its_unit(hand):
    analysis = hand.fixed
    count = sum(len(step.quantities) for step in analysis.steps)
    one, other = to_frame(analysis), to_frame(analysis, library="pandas")
    assert isinstance(one, polars.DataFrame) and isinstance(other, pandas.DataFrame)
    assert one.height == len(other) == count
    assert one.columns == list(other.columns)
    row = one.filter(polars.col("quantity") == "loss").row(0, named=True)
    loss = analysis.steps[0].quantities["loss"]
    assert (row["value"], row["unit"], row["u"], row["kind"]) == (loss.value, "W", loss.u, "derived")
    assert other.set_index("quantity").loc["loss", "high95"] == loss.high95


def test_unknown_uncertainty_is_null_in_one_and_nan_in_the_other(hand):
    analysis = hand.analyzed(hand.Played(levels={"board_temperature": 50.0}))
    one = to_frame(analysis).filter(polars.col("quantity") == "board_temperature").row(0, named=True)
    other = to_frame(analysis, library="pandas").set_index("quantity").loc["board_temperature"]
    assert one["u"] is None and "board_temperature" in one["reason"]
    assert pandas.isna(other["u"]) and other["value"] == pytest.approx(one["value"])


def test_unknown_library_is_refused_with_the_two_that_are_known(hand):
    with pytest.raises(ValueError, match="library = 'excel'.*polars, pandas"):
        to_frame(hand.fixed, library="excel")


def balanced(html):
    stack = []
    for closing, tag in re.findall(r"<(/?)([a-z]+)[^>]*>", html):
        if closing:
            assert stack.pop() == tag
        else:
            stack.append(tag)
    return not stack


def test_records_show_themselves_as_escaped_html(hand):
    nasty = "<script>alert(1)</script> & 8"
    analysis = hand.analyzed(
        hand.Played("base", {"phase_count": 12, "load": "x"}, baseline=True),
        hand.Played(nasty, {"phase_count": 8, "load": "x"}),
    )
    for shown in (analysis._repr_html_(), analysis.steps[1]._repr_html_(), analysis.comparisons[0]._repr_html_()):
        assert balanced(shown)
        assert "<script" not in shown and "&lt;script&gt;alert(1)&lt;/script&gt; &amp; 8" in shown
        assert "±" in shown
        assert set(re.findall(r"<([a-z]+)", shown)) <= {"p", "b", "ul", "li", "table", "caption", "tr", "th", "td"}


def test_simulated_data_say_so_in_the_notebook(hand):
    from dataclasses import replace

    analysis = hand.fixed
    assert "simulated data" not in analysis._repr_html_()
    assert "simulated data" in replace(analysis, bench=replace(analysis.bench, simulated=True))._repr_html_()
