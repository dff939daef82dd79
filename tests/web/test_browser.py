"""The page in a real browser: the whole way, the keyboard alone, a closed page, hostile names, accessibility, pictures.

Pictures of every section at both widths and both themes go to build/page; people look at them.
"""

import base64
import json
from pathlib import Path

import pytest

HERE = Path(__file__).parent
PICTURES = Path(__file__).parents[2] / "build" / "page"
AXE = (HERE / "axe" / "axe.min.js").read_text(encoding="utf-8")
"""axe-core 4.14.1, unchanged, from npm; its licence (MPL 2.0) stands beside it. Only the tests use it."""
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


@pytest.fixture(scope="module")
def seen(worked):
    """The worked demo with its record opened."""
    place = worked.place("demo")
    worked.client.get(f"/campaign/{place.id}/record")
    assert worked.wait(place.id, "record").state == "done"
    return worked


def paths_of(place) -> dict[str, str]:
    home = f"/campaign/{place.id}"
    return {"shelf": "/", "new": "/new", "answers": f"{home}?step=4", "record": f"{home}/record", "logs": f"{home}/logs",
            "bench": f"{home}/bench", "guide": f"{home}/guide", "library": "/library", "run": f"{home}/run"}  # fmt: skip


def test_the_printed_address_leads_in_and_the_token_leaves_the_address(come_in, browser, seen):
    tab = come_in(seen)
    assert tab.run("location.href") == f"{seen.origin}/"
    assert tab.run("localStorage.getItem('phasewright-token')") == seen.gate.token
    assert tab.run("document.cookie") == ""
    other = browser.tab()
    other.open(seen.origin + "/")
    assert "ends in a token" in other.run("document.body.innerText")
    other.close()
    tab.close()


LOOKS = ((1440, False), (1440, True), (390, False), (390, True))
CHECK = ("axe.run(document, {runOnly: " + json.dumps(RULES) + ", resultTypes: ['violations']})"
         ".then(r => JSON.stringify(r.violations.map(v => [v.id, v.help, v.nodes.slice(0, 3).map(n => n.html)])))")  # fmt: skip
UNSEEN = "document.querySelectorAll('.drawing').forEach(d => d.checkVisibility() || d.replaceChildren())"
"""Takes the drawings of the other width out: they are not shown, so nothing is found in them, but to see that takes long."""
SMALL = (
    "[...document.querySelectorAll('button, input:not([type=hidden]), select, summary, nav a, .button, .quiet')]"
    ".filter(e => e.checkVisibility()).map(e => [e.outerHTML.slice(0, 90), e.getBoundingClientRect()])"
    ".filter(([_, r]) => r.width && (r.width < 24 || r.height < 23.5)).map(([h, r]) => h + ' ' + r.width + 'x' + r.height)"
)


def pictures(each, tabs, words):
    """Return a picture of every tab. Trap: a tab behind another may wait for ever to be painted; it is then put in front."""
    try:
        return each("Page.captureScreenshot", words)
    except TimeoutError:
        taken = {}
        for width, tab in tabs.items():
            tab.call("Page.bringToFront")
            taken[width] = tab.call("Page.captureScreenshot", **words(width))
        return taken


@pytest.fixture(scope="module")
def tour(come_in, browser, seen):
    """Every page, visited once at each width, the two side by side: what was found, and pictures in both themes."""
    tabs = {width: come_in(seen, width=width, dark=width < 600) for width in (1440, 390)}
    found = {"axe": {1440: [], 390: []}, "wide": {320: [], 390: []}, "small": [], "pictures": []}

    def each(method, words=lambda width: {}):
        return dict(zip(tabs, browser.calls(*((t.session, method, words(w)) for w, t in tabs.items())), strict=True))

    for name, path in paths_of(seen.place("demo")).items():
        for tab in tabs.values():
            tab.call("Page.navigate", url=seen.origin + path)
        for tab in tabs.values():
            tab.until(f"document.readyState === 'complete' && location.href.endsWith({json.dumps(path)})")
        if name == "record":  # with a step and a clock open, so that forms and looks are seen as well
            for tab in tabs.values():
                tab.run("document.querySelector('#step-4 summary').click(); document.querySelector('#clock-2 summary').click()")
                tab.until("!!document.querySelector('#look-4 svg') && !document.querySelector('.htmx-settling, .htmx-added')")
        each("Runtime.evaluate", lambda width: {"expression": f"{AXE};{UNSEEN}"})
        checked = each("Runtime.evaluate", lambda width: {"expression": CHECK, "awaitPromise": True, "returnByValue": True})
        for width, answer in checked.items():
            found["axe"][width] += [(name, *item) for item in json.loads(answer["result"]["value"])]
        found["small"] += [(name, item) for item in tabs[390].run(SMALL)]
        for width in (320, 390):
            tabs[390].size(width, 900)
            across = tabs[390].run("document.documentElement.scrollWidth")
            found["wide"][width] += [(name, across)] if across > width else []
        anchors = tabs[390].run("[...document.querySelectorAll('section.question')].map(s => s.id)")
        for anchor in anchors or [None]:
            clips = {width: tab.clip(f"#{anchor}" if anchor else "html") for width, tab in tabs.items()}
            for dark in (False, True):
                for tab in tabs.values():
                    tab.theme(dark)
                taken = pictures(each, tabs, lambda width: {
                    "format": "png", "optimizeForSpeed": True, "captureBeyondViewport": True, "clip": clips[width]})  # noqa: B023
                for width, answer in taken.items():
                    path = PICTURES / f"{anchor or 'page-' + name}-{width}-{'dark' if dark else 'light'}.png"
                    path.parent.mkdir(parents=True, exist_ok=True)
                    path.write_bytes(base64.b64decode(answer["data"]))
                    found["pictures"].append(path)
        for width, tab in tabs.items():
            tab.theme(width < 600)
    found["said"] = [text for tab in tabs.values() for text in tab.said()]
    for tab in tabs.values():
        tab.close()
    return found


def test_k10_every_page_is_silent_and_stays_on_this_machine(tour):
    assert tour["said"] == []


@pytest.mark.parametrize("width", [1440, 390])
def test_nothing_is_found_by_the_accessibility_checker(tour, width):
    """1440 px on light paper, 390 px on dark."""
    assert not tour["axe"][width], "\n".join(map(str, tour["axe"][width]))


@pytest.mark.parametrize("width", [320, 390])
def test_only_charts_and_tables_scroll_sideways(tour, width):
    assert tour["wide"][width] == []


def test_targets_are_large_enough(tour):
    """WCAG 2.2, SC 2.5.8: 24 CSS px, links within a sentence excepted."""
    assert tour["small"] == []


@pytest.mark.parametrize(("width", "dark"), LOOKS)
def test_pictures_for_people(tour, width, dark):
    made = [path for path in tour["pictures"] if path.stem.endswith(f"-{width}-{'dark' if dark else 'light'}")]
    assert len(made) >= 14 and all(path.stat().st_size > 3000 for path in made)


def test_a_step_is_chosen_and_the_address_says_so(come_in, seen):
    place = seen.place("demo")
    tab = come_in(seen, f"/campaign/{place.id}")
    tab.click("#show-2")
    tab.until("document.querySelector('#show-2').getAttribute('aria-current') === 'true'")
    assert tab.run("location.search") == "?step=2"
    said = tab.run("document.querySelector('#figure-bench').innerText").replace("\u00a0", " ")
    assert seen.desk.study(place).step(2).step.name in said
    assert tab.said() == []
    tab.close()


def test_what_if_answers_typed_and_stepped_inputs(come_in, seen):
    place = seen.place("demo")
    tab = come_in(seen, f"/campaign/{place.id}?phases=5&load=300+W")
    before = tab.run("document.querySelector('#asked').innerText")
    tab.run("document.querySelector('#ask-load').focus()")
    tab.key("ArrowUp")
    tab.until(f"document.querySelector('#asked').innerText !== {json.dumps(before)}")
    assert tab.run("document.querySelector('#ask-load').value") == "310 W"
    tab.until("location.search.includes('load=310+W')")
    tab.click("button[data-for=ask-phases][data-by='1']")
    tab.until("location.search.includes('phases=6')")
    tab.run("document.querySelector('#ask-coolant').focus()")
    tab.type("warm")
    tab.until("!!document.querySelector('#asked .faults')")
    assert tab.run("document.querySelector('#ask-coolant').value") == "warm"
    assert tab.said() == []
    tab.close()


def test_the_timeline_moves_by_keys_alone(come_in, seen):
    place = seen.place("demo")
    tab = come_in(seen, f"/campaign/{place.id}/record?from=100&to=300")
    for _ in range(80):
        tab.key("Tab")
        if tab.run("document.activeElement.id") == "traces":
            break
    assert tab.run("document.activeElement.id") == "traces"
    for key, wanted in (("ArrowRight", "?from=200&to=400"), ("+", "?from=250&to=350"), ("-", "?from=200&to=400")):
        tab.key(key)
        tab.until(f"location.search === {json.dumps(wanted)} && '?from=' + parseFloat(document.querySelector('#from').value)"
                  f" + '&to=' + parseFloat(document.querySelector('#to').value) === {json.dumps(wanted)}")  # fmt: skip
        tab.until("document.activeElement.id === 'traces' && !document.querySelector('.htmx-settling, .htmx-added')")
    assert tab.said() == []
    tab.close()


def test_k09_hostile_names_run_nowhere_in_a_browser(come_in, empty):
    from phasewright.bench import edited, new_text

    payloads = ["<script>window.bad=1</script>", '"><img src=x onerror=window.bad=1>', "{{constructor.constructor('bad=1')()}}",
                "'><svg onload=window.bad=1>", "</textarea><script>window.bad=1</script>"]  # fmt: skip
    for index, text in enumerate(payloads):
        folder = empty.folder / f"c{index}"
        (folder / "logs").mkdir(parents=True)
        bench = edited(new_text("bench.toml"), {"name": text, "board.name": text, "notes": text, "regulator.name": text})
        (folder / "bench.toml").write_text(bench, "utf-8")
        campaign = edited(new_text("campaign.toml"), {"name": text, "notes": text, "step.1.name": text, "step.1.note": text})
        (folder / "campaign.toml").write_text(campaign, "utf-8")
        (folder / "logs" / "a.csv").write_text(f'time,"{text.replace(chr(34), chr(34) * 2)}"\n1,2\n', "utf-8")
    tab = come_in(empty)
    for place in empty.desk.shelf.places():
        for path in ("/", f"/campaign/{place.id}/logs", f"/campaign/{place.id}/bench", f"/campaign/{place.id}/record"):
            tab.open(empty.origin + path)
            assert tab.run("window.bad") is None
    assert tab.said() == []
    tab.close()


def test_a_window_is_moved_by_keys_and_looked_at_before_it_is_kept(come_in, seen):
    place = seen.place("demo")
    found = seen.desk.study(place).step(4)
    tab = come_in(seen, f"/campaign/{place.id}/record")
    tab.run("document.querySelector('#step-4 summary').focus()")
    tab.key("Enter")
    tab.until("!!document.querySelector('#look-4 svg')")
    tab.run("document.querySelector('#step4-window_start').focus()")
    tab.key("ArrowUp", modifiers=8)  # with Shift: ten times as far
    begins = found.window.start_s - found.span.start_s + 10.0
    assert tab.run("document.querySelector('#step4-window_start').value") == f"{begins:.1f} s"
    tab.until(f"document.querySelector('#look-4').innerText.includes('Window from {found.span.start_s + begins:.1f} s')")
    tab.run("document.querySelector('#step4-start').focus()")
    before = tab.run("document.querySelector('#step4-start').value")
    tab.key("ArrowDown")
    after = tab.run("document.querySelector('#step4-start').value")
    assert before[:-2] == after[:-2] and int(before[-2:]) - int(after[-2:]) == 1  # a clock time moves by a second
    assert "window_start" not in (place.folder / "campaign.toml").read_text("utf-8")
    assert tab.said() == []
    tab.close()
