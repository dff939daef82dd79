"""Figures: axis titles with units, limits named, one axis a chart, marks that tell states apart, whole drawings."""

from dataclasses import replace
from itertools import combinations
from xml.etree import ElementTree

import numpy as np
import pytest

from phasewright.logs import AlignedTrace
from phasewright.quantity import Value
from phasewright.report import Layout, guide_document
from phasewright.report.bench_drawing import chosen_step, draw_bench
from phasewright.report.canvas import draw_plate, drawing
from phasewright.report.clocks import telling_edges
from phasewright.report.margins import MOST_STEPS, steps_drawn
from phasewright.report.palette import SERIES
from phasewright.report.phases import draw_phases, mark_style, state_of
from phasewright.report.series import group
from phasewright.report.sketch import Sketch, Words, fit, text_width, wrap
from phasewright.report.traces import line_of
from phasewright.report.verdicts import draw_verdicts

SVG = "{http://www.w3.org/2000/svg}"
WIDE, NARROW = Layout(920.0), Layout(350.0)


def words_of(svg: str) -> list[str]:
    return ["".join(element.itertext()) for element in ElementTree.fromstring(svg).iter("text")]


@pytest.fixture(scope="module")
def drawn(analysis):
    """Every figure of the guide, wide: name -> (figure, plate, words)."""
    found = {}
    for figure in guide_document(analysis).figures():
        plate = draw_plate(figure, WIDE, f"{figure.name}-")
        found[figure.name] = (figure, plate, words_of(plate.inline()))
    return found


@pytest.mark.parametrize(
    ("name", "titles"),
    [
        ("heat", ["Regulator temperature / °C", "Current per phase / A", "Phase count"]),
        ("waste", ["Loss / W", "Delivery efficiency / %", "Phase count"]),
        ("margins", ["Margin / A", "Margin / K"]),
        (
            "traces",
            ["Input power / W   (meter)", "Coolant temperature / °C   (host)", "Time on the reference clock / min"],
        ),
        ("clocks", ["Time from the edge / s", "Power / W, host against meter"]),
        ("verdicts", ["Phase count", "Load"]),
    ],
)
def test_axis_titles_say_quantity_and_unit(drawn, name, titles):
    _, _, words = drawn[name]
    for title in titles:
        assert title in words, f"{title} not in {words}"


def test_the_title_says_the_finding_in_numbers(drawn):
    said = {name: entry[0].title.replace("\u202f", " ").replace("\u00a0", " ") for name, entry in drawn.items()}
    assert said["heat"] == "Hottest at 6 phases, 390 W: 64.3 ± 1.2 °C, 40.7 ± 1.2 K below the over-temperature warning"
    assert said["verdicts"] == "5 of 9 settings are sustained; at 350 W, 10 phases are the fewest"
    assert said["margins"] == "Phase over-current is exceeded by 2.4 ± 2.6 A at 6 phases, 350 W"
    assert said["waste"] == "At most 52 ± 25 W are lost, at 6 phases, 390 W; 88.3 ± 5.2 % arrive"
    for figure, _, _ in drawn.values():
        assert len(figure.title) < 130 and figure.subtitle and figure.description


def test_limits_are_drawn_and_named_with_their_margin(drawn):
    words = " | ".join(drawn["heat"][2])
    assert "105\u202f°C over-temperature warning, 40.7\u202fK left" in words
    assert "52\u202fA phase over-current, exceeded by 2.4\u202fA" in words
    assert "60\u202fA phase over-current, exceeded by 0.7\u202fA" in words
    assert "stage rating" in words


def test_every_drawing_is_whole_and_themed(drawn):
    for name, (_, plate, words) in drawn.items():
        root = ElementTree.fromstring(plate.standalone("Simulated data."))
        assert root.tag == f"{SVG}svg" and "prefers-color-scheme:dark" in root.find(f"{SVG}style").text
        assert words, f"{name}: text stays text"
        for element in root.iter():
            assert "style" not in element.attrib, "looks are attributes and classes, so that a strict policy holds"
            assert not element.tag.endswith("image")
            for key in ("fill", "stroke"):
                if element.get(key, "none") not in ("none", ""):
                    assert f"{key[0]}-" in element.get("class", ""), (
                        f"{name}: {element.attrib} does not follow the theme"
                    )
        texts = ["".join(e.itertext()) for e in root.iter(f"{SVG}text")]
        assert "Simulated data." in texts


def test_names_inside_a_page_do_not_meet(drawn):
    ids = [
        e.get("id")
        for _, plate, _ in drawn.values()
        for e in ElementTree.fromstring(plate.inline()).iter()
        if e.get("id")
    ]
    assert len(ids) == len(set(ids))


def test_pictures_are_png_of_twice_the_size(drawn):
    figure, plate, _ = drawn["verdicts"]
    data = plate.png("")
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    width = int.from_bytes(data[16:20], "big")
    assert width == 2 * (plate.width + 36)
    assert b"tEXt" not in data and b"tIME" not in data, "nothing in it changes from run to run"


@pytest.mark.parametrize("layout", [WIDE, NARROW], ids=["wide", "narrow"])
def test_one_vertical_axis_a_chart(analysis, layout):
    with drawing():
        page = draw_phases(analysis, ("regulator_temperature", "loss"), layout)
    boxes = [axes.get_position().bounds for axes in page.axes]
    assert len(boxes) == len({tuple(np.round(box, 6)) for box in boxes}), "no second axis on top of the first"


def test_states_differ_in_shape_or_filling(analysis):
    series = group(analysis)[0]
    looks = {}
    for state in ("measured", "extrapolated", "unsettled", "clamped", "tripped"):
        style = mark_style(series, state)
        looks[state] = (style["marker"], style["markerfacecolor"], style.get("fillstyle"))
    assert len(set(looks.values())) == len(looks)


def test_extrapolated_is_never_drawn_as_measured(analysis):
    finding = analysis.steps[6]
    assert state_of(finding, finding.quantities["regulator_temperature"]) == "extrapolated"
    assert state_of(analysis.steps[0], analysis.steps[0].quantities["loss"]) == "measured"
    markers = {mark_style(series, "measured")["marker"] for series in group(analysis)}
    assert mark_style(group(analysis)[0], "extrapolated")["marker"] not in markers


def test_settled_values_are_drawn_beside_the_mean(analysis):
    settled = Value(80.0, "degC", 2.0, 76.0, 84.0, "extrapolated")
    step = analysis.steps[0]
    more = replace(step, quantities={**step.quantities, "regulator_temperature_settled": settled})
    changed = replace(analysis, steps=(more, *analysis.steps[1:]))
    with drawing():
        before = draw_phases(analysis, ("regulator_temperature",), WIDE).axes[0]
        after = draw_phases(changed, ("regulator_temperature",), WIDE).axes[0]
    marks = [sum(line.get_marker() == "d" for line in axes.lines) for axes in (before, after)]
    assert marks == [1, 2]


def test_series_take_ink_mark_and_dash_together(analysis):
    series = group(analysis)
    assert [one.label for one in series] == ["200\u202fW", "350\u202fW", "390\u202fW"], "light load first"
    assert [one.ink for one in series] == list(SERIES[:3])
    assert len({one.mark for one in series}) == len({one.dash for one in series}) == 3


def test_what_else_was_varied_parts_the_series(make):
    plans = (
        make.Plan("a", 8, 300.0, "sustained"),
        make.Plan("b", 6, 300.0, "sustained"),
        make.Plan("c", 6, 300.0, "sustained", settings={"fan_duty": 0.3}),
    )
    assert [one.label for one in group(make.analysis(plans=plans))] == ["300\u202fW", "300\u202fW, fan duty 30\u202f%"]


def test_too_many_steps_leave_the_farthest_out(make):
    plans = tuple(make.Plan(f"s{i}", 4 + i % 10, 150.0 + 4 * i, "sustained") for i in range(60))
    many = make.analysis(plans=plans)
    shown = steps_drawn(many)
    assert len(shown) == MOST_STEPS
    least = min(range(60), key=lambda i: many.steps[i].margins[0].in_u)
    assert many.steps[least] in shown


# ---- traces and clocks ---------------------------------------------------------------------------------------------


def trace(time: np.ndarray, value: np.ndarray, **more) -> AlignedTrace:
    period = float(np.median(np.diff(time)))
    return AlignedTrace("input_power", "W", "m", "m", time - period, time, value, period, 0.01, **more)


def test_lost_readings_break_the_line():
    time = np.r_[np.arange(0.0, 50.0), np.arange(120.0, 200.0)]
    at, value = line_of(trace(time, np.ones(len(time))), 40)
    assert np.isnan(value).sum() == 1
    gap = at[np.isnan(value)][0]
    assert 49.0 < gap < 120.0


def test_condensed_extremes_reach_the_drawing():
    time = np.arange(0.0, 5000.0)
    low, high = np.full(5000, 90.0), np.full(5000, 110.0)
    high[1234] = 400.0
    _, value = line_of(trace(time, np.full(5000, 100.0), low=low, high=high), 100)
    assert np.nanmax(value) == 400.0 and np.nanmin(value) == 90.0


def test_edges_are_told_where_both_records_are_whole():
    time = np.arange(0.0, 300.0, 0.1)
    power = np.where((time > 60.0) & (time < 200.0), 300.0, 40.0)
    slow = np.arange(0.0, 300.0)
    reported = np.where((slow > 60.0) & (slow < 200.0), 250.0, 30.0)
    fast = trace(time, power)
    whole = telling_edges(fast, trace(slow, reported), 5.0, 3)
    assert len(whole) == 2 and abs(whole[0] - 60.0) < 0.2 and abs(whole[1] - 200.0) < 0.2
    reported[198:204] = np.nan
    assert len(telling_edges(fast, trace(slow, reported), 5.0, 3)) == 1
    assert telling_edges(fast, trace(slow, np.full(300, 30.0)), 5.0, 3) == []


# ---- drawings of our own -------------------------------------------------------------------------------------------


def boxes(sketch: Sketch) -> list[tuple[str, float, float, float, float]]:
    """Return text, left, top, right, bottom of every line of words; widths as if set rather tightly."""
    found = []
    for item in sketch.items:
        if isinstance(item, Words):
            width = 0.82 * text_width(item.text, item.size)
            left = item.x - {"start": 0.0, "middle": 0.5, "end": 1.0}[item.anchor] * width
            found.append((item.text, left, item.y - 0.72 * item.size, left + width, item.y + 0.2 * item.size))
    return found


def benches(make):
    base = make.bench()
    yield "usual", base
    yield "air", replace(base, cooling=replace(base.cooling, coolant="air", chain=base.cooling.chain[:2]))
    yield "no connectors", replace(base, board=replace(base.board, connectors=()))
    yield "one phase", replace(base, regulator=replace(base.regulator, phase_count=1))
    yield "twenty phases", replace(base, regulator=replace(base.regulator, phase_count=20))
    yield "no chain", replace(base, cooling=replace(base.cooling, chain=()))
    yield "long names", replace(base, processor=replace(base.processor, name="A processor with quite a long name 16"))


@pytest.mark.parametrize("layout", [WIDE, NARROW], ids=["wide", "narrow"])
def test_words_on_the_bench_drawing_keep_apart(make, analysis, layout):
    for name, bench in benches(make):
        sketch = draw_bench(replace(analysis, bench=bench), layout)
        found = boxes(sketch)
        assert all(left >= -1.0 and right <= sketch.width + 1.0 for _, left, _, right, _ in found), name
        assert all(top >= 0.0 and bottom <= sketch.height for _, _, top, _, bottom in found), name
        for a, b in combinations(found, 2):
            apart = a[3] <= b[1] or b[3] <= a[1] or a[4] <= b[2] or b[4] <= a[2]
            assert apart, f"{name}: {a[0]!r} runs into {b[0]!r}"


def test_the_bench_drawing_carries_the_steps_numbers(analysis):
    finding = chosen_step(analysis)
    assert finding.step.name == "E 10 phases 350 W", "the fewest phases that held at the heaviest load"
    words = [item.text.replace("\u00a0", " ") for item in draw_bench(analysis, WIDE).items if isinstance(item, Words)]
    for part in (
        "390.8 ± 2.2\u202fW",
        "350 ± 23\u202fW",
        "41 ± 23\u202fW",
        "51.4 ± 1.2\u202f°C",
        "1.1\u202fK/W a stage",
    ):
        assert part in words


def test_unmeasured_places_say_so(make):
    base = make.analysis()
    bare = replace(base, steps=(replace(base.steps[0], quantities={}),))
    words = [item.text for item in draw_bench(bare, WIDE).items if isinstance(item, Words)]
    assert words.count("not measured") >= 5


@pytest.mark.parametrize("layout", [WIDE, NARROW], ids=["wide", "narrow"])
def test_the_strip_shows_every_verdict(analysis, layout):
    words = [item.text for item in draw_verdicts(analysis, layout).items if isinstance(item, Words)]
    for verdict in ("sustained", "marginal", "clamped", "tripped", "unsettled"):
        assert words.count(verdict) == sum(f.verdict == verdict for f in analysis.steps)


def test_of_several_runs_the_worst_is_shown(make):
    plans = (make.Plan("a", 8, 300.0, "sustained"), make.Plan("b", 8, 300.0, "clamped"))
    words = [item.text for item in draw_verdicts(make.analysis(plans=plans), WIDE).items if isinstance(item, Words)]
    assert "clamped" in words and "sustained" not in words and any("2 runs" in text for text in words)


def test_wrapped_lines_fit():
    lines = wrap("a fairly long sentence about nothing in particular", 12.0, 120.0)
    assert len(lines) > 1 and all(text_width(line, 12.0) <= 120.0 for line in lines)
    assert " ".join(lines) == "a fairly long sentence about nothing in particular"
    assert all(text_width(line, 12.0) <= 60.0 for line in wrap("x" * 80, 12.0, 60.0))
    assert fit("short", 12.0, 200.0) == "short" and fit("x" * 90, 12.0, 60.0).endswith("…")
