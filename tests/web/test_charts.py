"""Every chart that the page shows, held to the same rules: finding, units, intervals, numbers, files, themes, paper, grey."""

import csv
import io
import json
import re
from xml.etree import ElementTree

import pytest

from phasewright.app import jobs

SVG = "{http://www.w3.org/2000/svg}"
UNITS = re.compile(
    r"(?:/|\d[\s\u00a0\u202f]?|, |in )\(?(?:W|A|V|K|mV|°C|%|s|min|h|mΩ|K/W|K/K|EUR|cm2|µs|ms|kWh|ppm|phases?)\b"
    r"|[Pp]hase count|[Cc]hance|EUR|%"
)
INTERVALS = ("95 %", "90 %", "interval", "no interval", "least and the greatest", "worked out, not measured", "as read", "chance")
SEEN = """JSON.stringify([...document.querySelectorAll('figure')].map((f) => {
  const shown = [...f.querySelectorAll('.drawing svg')].find((s) => s.checkVisibility());
  const inks = [...new Set([...shown.querySelectorAll('text')].map((t) => getComputedStyle(t).fill))];
  const links = [...f.querySelectorAll('a')].map((a) => a.getAttribute('href'));
  const table = f.querySelector('details table');
  return {id: f.id, title: f.querySelector('figcaption b')?.innerText || '',
    under: f.querySelector('figcaption span')?.innerText || '',
    note: [...f.querySelectorAll('.note')].map((n) => n.innerText).join(' '), words: shown.textContent, inks, links,
    name: shown.getAttribute('aria-labelledby') || shown.getAttribute('aria-label') || '',
    desc: shown.querySelector('desc')?.textContent || shown.getAttribute('aria-label') || '',
    rows: table ? table.tBodies[0].rows.length : 0, wide: shown.getBoundingClientRect().width,
    room: f.getBoundingClientRect().width, files: [...f.querySelectorAll('.files')].some((e) => e.checkVisibility()),
    walk: !!f.querySelector('.plate[data-walk]') || !!f.querySelector('[data-keys]')};
}))"""


@pytest.fixture(scope="module")
def places(worked, tmp_path_factory):
    """The worked demo with its record open and a design found for it."""
    place = worked.place("demo")
    worked.client.get(f"/campaign/{place.id}/record")
    assert worked.wait(place.id, "record").state == "done"
    jobs.new_design(place.folder)
    jobs.design(place.folder, draws=0, questions=False)
    home = f"/campaign/{place.id}"
    yield {"answers": f"{home}?step=4&strip=1", "record": f"{home}/record?from=100&to=900"}
    for name in ("requirement.toml", "catalogue.toml", "derived/design.json", "derived/design.npz"):
        (place.folder / name).unlink(missing_ok=True)


@pytest.fixture(scope="module")
def charts(come_in, worked, places):
    """What a browser shows of every chart: on light and dark paper, at both widths, and printed."""
    tab, found = come_in(worked), {}
    for page, path in places.items():
        tab.size(1440, 900)
        tab.open(worked.origin + path)
        tab.until("!!document.querySelector('figure .drawing svg') && document.readyState === 'complete' && !!window.htmx")
        looks = {}
        for look, width, dark in (("light", 1440, False), ("dark", 1440, True), ("narrow", 390, False)):
            tab.size(width, 900)
            tab.theme(dark)
            looks[look] = {item["id"]: item for item in json.loads(tab.run(SEEN))}
        tab.size(800, 900)
        tab.call("Emulation.setEmulatedMedia", media="print", features=[{"name": "prefers-color-scheme", "value": "dark"}])
        looks["print"] = {item["id"]: item for item in json.loads(tab.run(SEEN))}
        tab.call("Emulation.setEmulatedMedia", media="")
        for name in looks["light"]:
            found[name] = {look: looks[look][name] for look in looks} | {"page": page}
    assert tab.said() == []
    tab.close()
    return found


def test_the_page_has_its_charts(charts):
    assert {"figure-bench", "figure-verdicts", "figure-ladder", "figure-asked-limits", "figure-asked-phases", "figure-front",
            "figure-timeline"} <= set(charts) and len(charts) >= 16  # fmt: skip


def wrong(charts, judge):
    """Return the charts that a rule finds fault with."""
    return [(name, fault) for name, looks in charts.items() if (fault := judge(name, looks))]


def test_every_chart_says_its_finding(charts):
    """Rule 12: a title with a finding, a subtitle with quantity and conditions."""
    def judge(name, looks):
        chart = looks["light"]
        finding = re.search(r"\d|\b(no|every|least|fewer|fewest|first|none|all)\b", chart["title"], re.I)
        finding = finding and len(chart["title"].split()) >= 3
        return not (finding and len(chart["under"].split()) >= 4) and (chart["title"], chart["under"])

    assert wrong(charts, judge) == []


def test_every_chart_has_units_and_says_what_its_bars_are(charts):
    """Rules 3 and 6."""
    def judge(name, looks):
        chart = looks["light"]
        said = " ".join((chart["title"], chart["under"], chart["note"], chart["words"]))
        told = f"{chart['under']} {chart['note']}".replace("\u00a0", " ")
        explained = any(word in told for word in INTERVALS)
        return [(word, told) for word, good in (("units", UNITS.search(said)), ("interval", explained)) if not good]

    assert wrong(charts, judge) == [], wrong(charts, judge)


def test_every_chart_has_its_numbers_and_files_one_key_away(charts, worked):
    """Rule 15; and what the file says is what the table says."""
    def judge(name, looks):
        chart = looks["light"]
        files = {kind: next((link for link in chart["links"] if kind in link), "") for kind in (".svg", ".csv")}
        if not all(files.values()) or not (chart["rows"] and chart["walk"] and chart["name"] and len(chart["desc"]) > 20):
            return files, chart["rows"], chart["walk"], chart["desc"]
        drawn = worked.client.get(files[".svg"])
        root = ElementTree.fromstring(drawn.text)
        assert root.tag == SVG + "svg" and "prefers-color-scheme:dark" in drawn.text and "Simulated data" in drawn.text, name
        tables = [link for link in chart["links"] if link.partition("?")[0].endswith(".csv")]
        counts = [len(list(csv.reader(io.StringIO(worked.client.get(link).text)))) - 1 for link in tables]
        return chart["rows"] not in counts and (chart["rows"], counts)

    assert wrong(charts, judge) == []


def test_every_chart_changes_with_the_theme_and_fits_both_widths(charts):
    def judge(name, looks):
        light, dark, narrow = looks["light"], looks["dark"], looks["narrow"]
        return [word for word, good in (
            ("theme", not set(light["inks"]) & set(dark["inks"])), ("wide", light["wide"] <= light["room"] + 1),
            ("narrow", narrow["wide"] <= 390 and narrow["wide"] > 250)) if not good]  # fmt: skip

    assert wrong(charts, judge) == []


def test_every_chart_is_printed_light_and_wide_with_its_numbers(charts):
    """Rule 29: light inks whatever the screen's theme is; links that paper cannot follow are left out."""
    def judge(name, looks):
        chart, light = looks["print"], looks["light"]
        return [word for word, good in (
            ("light", set(chart["inks"]) <= set(light["inks"])), ("wide", chart["wide"] > 500),
            ("links", not chart["files"])) if not good]  # fmt: skip

    assert wrong(charts, judge) == []


def shape(path):
    """Return the path of a mark without its size."""
    numbers = [float(x) for x in re.findall(r"-?\d+(?:\.\d+)?", path)]
    most = max(map(abs, numbers), default=1.0) or 1.0
    return re.sub(r"-?\d+(?:\.\d+)?", lambda found: f"{float(found[0]) / most:+.1f}", path)


def marks(root):
    """Return, by data ink, the set of dashes of its lines and the shapes of its marks."""
    shapes = {e.get("id"): shape(e.get("d", "")) for e in root.iter() if e.get("id")}
    found = {}
    for parent in root.iter():
        for element in parent:
            ink = next((word[2:] for word in (element.get("class") or "").split() if word[:2] == "s-"), "")
            if ink not in ("blue", "ochre", "green", "purple"):
                continue
            if element.tag == SVG + "use":
                found.setdefault(ink, set()).add(("mark", shapes.get((element.get("href") or "")[1:], "")))
            elif element.tag == SVG + "path" and not element.get("d", "").rstrip().upper().endswith("Z"):
                found.setdefault(ink, set()).add(("line", element.get("stroke-dasharray") or "solid"))
    return found


def test_no_chart_tells_series_apart_by_colour_alone(charts, worked, places):
    """Rule 10: in grey print every series still differs from every other by its dash or its mark."""
    seen = 0
    for name, looks in charts.items():
        link = next(link for link in looks["light"]["links"] if link.partition("?")[0].endswith(".svg"))
        found = marks(ElementTree.fromstring(worked.client.get(link).text))
        for first in found:
            for second in found:
                if first < second:
                    seen += 1
                    assert found[first] != found[second], (name, first, second, found)
    assert seen >= 6
