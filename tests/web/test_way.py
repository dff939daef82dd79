"""The whole way in a real browser, by keyboard alone: from an empty folder and dropped logs to files that are checked."""

import io
import json
import re
import tomllib
import zipfile

import pytest

AT = """(() => {
  const e = document.activeElement;
  if (!e || e === document.body) return {at: ''};
  const box = [...e.getClientRects()].find((r) => r.width && r.height), style = getComputedStyle(e);
  const rim = style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2;
  let clear = false, told = e.tagName + '#' + e.id + '.' + e.className + ' ' + (e.textContent || '').trim().slice(0, 40);
  if (box) for (const fx of [0.1, 0.5, 0.9]) for (const y of [box.top + 2, (box.top + box.bottom) / 2, box.bottom - 2]) {
    const hit = document.elementFromPoint(box.left + fx * box.width, y);
    clear = clear || (!!hit && (e.contains(hit) || hit.contains(e) && !hit.matches('body, html, main')));
  }
  return {at: told, rim, clear, index: window.__all ? __all.indexOf(e) : -1};
})()"""
"""What has the focus: its name, whether it has a rim of 2 px, and whether some of it is on the screen with nothing over it."""
ALL = """(window.__all = [...document.querySelectorAll('a[href], button, input, select, textarea, summary, [tabindex="0"]')]
  .filter((e) => !e.disabled && e.type !== 'hidden' && e.tabIndex >= 0 && e.checkVisibility({visibilityProperty: true})
    && e.getClientRects().length)).length"""
"""Every control that is shown."""


KEPT = "document.activeElement.matches('.kept') && !document.querySelector('.htmx-settling, .htmx-added, .htmx-swapping')"


class Keys:
    """A person with a keyboard and nothing else."""

    def __init__(self, tab):
        self.tab, self.hidden = tab, []

    def step(self) -> dict:
        """Press Tab; what is focused then must be seen."""
        self.tab.key("Tab")
        found = self.tab.run(AT)
        if found["at"] and not (found["rim"] and found["clear"]):
            self.hidden.append(found)
        return found

    def to(self, selector: str, most: int = 260) -> None:
        """Press Tab until an element has the focus."""
        self.tab.until(f"!!document.querySelector({json.dumps(selector)})")
        for _ in range(most):
            self.step()
            if self.tab.run(f"document.activeElement.matches({json.dumps(selector)})"):
                return
        raise AssertionError(f"Tab never came to {selector}; the page says {self.tab.run('document.body.innerText')[:600]}")

    def press(self, selector: str) -> None:
        """Go to an element by Tab, and press Enter."""
        self.to(selector)
        self.tab.key("Enter")

    def write(self, selector: str, text: str) -> None:
        """Go to a field by Tab, which marks what stands in it, and type."""
        self.to(selector)
        self.tab.type(text)


@pytest.fixture(scope="module")
def raw(demo_folder, tmp_path_factory):
    """The raw logs of the demo's first three steps, as their instruments wrote them, and what was done."""
    folder = tmp_path_factory.mktemp("raw")
    for path in sorted((demo_folder / "logs").iterdir()):
        lines = path.read_bytes().splitlines(keepends=True)
        (folder / path.name).write_bytes(b"".join(lines[: int(0.275 * len(lines))]))
    return folder, tomllib.loads((demo_folder / "campaign.toml").read_text("utf-8"))["step"][:3]


def drop(tab, paths):
    """Let files fall on the place for logs, as a person does with a pointer."""
    tab.run("document.querySelector('.drop').scrollIntoView({block: 'center'})")
    x, y = tab.run("(() => {const r = document.querySelector('.drop').getBoundingClientRect(); "
                   "return [r.x + r.width / 2, r.y + r.height / 2]})()")  # fmt: skip
    data = {"items": [], "files": [str(path) for path in paths], "dragOperationsMask": 1}
    for kind in ("dragEnter", "dragOver", "drop"):
        tab.call("Input.dispatchDragEvent", type=kind, x=x, y=y, data=data)


def saved(folder, name, within=60):
    """Return the bytes of a file that the browser has saved."""
    import time

    until = time.monotonic() + within
    while time.monotonic() < until:
        if (folder / name).is_file():
            return (folder / name).read_bytes()
        time.sleep(0.05)
    raise AssertionError(f"{name} was not saved; there is {sorted(p.name for p in folder.iterdir())}")


def test_from_an_empty_folder_and_dropped_logs_to_saved_files_by_keyboard(come_in, empty, raw, tmp_path_factory):
    logs, steps = raw
    files = sorted(logs.iterdir())
    tab = come_in(empty)
    keys = Keys(tab)
    assert "There is no campaign here yet" in tab.run("document.body.innerText")

    # A campaign by form: what is missing is said on top, what was typed stays.
    keys.press("a[href='/new']")
    tab.until("location.pathname === '/new' && !!window.htmx")
    keys.write("#campaign-name", "How few phases?")
    tab.key("Enter")
    tab.until("!!document.querySelector('.faults') && document.activeElement.className === 'faults'")
    assert tab.run("document.querySelector('#campaign-name').value") == "How few phases?"
    for field, text in (("name", "open bench"), ("board-name", "board A"), ("regulator-name", "main"),
                        ("regulator-phase_count", "10"), ("processor-power_limit", "320 W")):  # fmt: skip
        keys.write(f"#{field}", text)
    tab.key("Enter")
    tab.until("location.pathname.endsWith('/logs') && document.readyState === 'complete'")
    place = empty.place("how-few-phases")

    # Logs are dropped; each asks for its map, which Enter keeps.
    keys.to("#choose")
    drop(tab, files)
    for count in range(1, len(files) + 1):
        tab.until("!!document.querySelector('.reading form') && !document.querySelector('.htmx-request, .htmx-settling')")
        assert tab.run("document.querySelectorAll('.reading form svg.small path').length") >= 2  # a small trace a column
        keys.press(".reading form .button")
        tab.until("[...document.querySelectorAll('.reading > p[role=status]')].filter("
                  f"line => line.textContent.includes(' is in: ')).length >= {count}")  # fmt: skip
    entries = tomllib.loads((place.folder / "campaign.toml").read_text("utf-8"))["log"]
    assert len(entries) == len(files)
    for path in files:
        assert (place.folder / "logs" / path.name).read_bytes() == path.read_bytes(), "raw logs are kept byte for byte"

    # The record: zoom by keys, list the steps, move a window and take that back.
    keys.press(".tabs a[href$='/record']")
    tab.until("!!document.querySelector('#traces svg')")
    keys.to("#traces")
    tab.key("+")
    tab.until("location.search.startsWith('?from=')")
    for number, step in enumerate(steps, start=1):
        if number > 1:
            keys.press("#step-new > summary")
        for key in ("name", "phase_count", "package_power", "start", "end", "clock"):
            keys.write(f"#stepnew-{key}", str(step[key]))
        keys.press("#step-new .button")
        tab.until(f"document.querySelectorAll('.stepform form[hx-post*=\"/steps/\"]').length === {number + 1} "
                  "&& " + KEPT)  # fmt: skip
    before = (place.folder / "campaign.toml").read_text("utf-8")
    keys.press("#step-1 > summary")
    tab.until("!!document.querySelector('#look-1 svg') && location.hash === '#step-1'")
    keys.write("#step1-window_start", "250 s")
    tab.key("ArrowUp")
    tab.until("document.querySelector('#look-1').innerText.includes('Window from')")
    tab.key("Enter")
    tab.until(KEPT)
    assert 'window_start = "251 s"' in (place.folder / "campaign.toml").read_text("utf-8")
    keys.press("button[hx-post$='/undo']")
    tab.until("!document.querySelector('.kept') && document.readyState === 'complete' && !!document.querySelector('#traces svg')")
    assert (place.folder / "campaign.toml").read_text("utf-8") == before

    # Analysis, a step to look at, a figure walked point by point, a setting that is asked for.
    keys.press(".tabs a[href$='" + place.id + "']")
    tab.until("!!document.querySelector('#ask-load')", within=120)
    assert "Simulated data." not in tab.run("document.body.innerText")
    keys.press("#show-2")
    tab.until("location.search.includes('step=2') && document.activeElement.id === 'show-2'")
    keys.to("#figure-phases .plate, #figure-heat .plate")
    tab.key("ArrowRight")
    tab.key("ArrowRight")
    walked = plain(tab.run("document.activeElement.querySelector('.walked').textContent"))
    assert walked.startswith("2 of 3 ") and steps[1]["name"] in walked and "°C" in walked, walked
    tab.key("Enter")
    assert tab.run("document.activeElement.parentElement.querySelector('details').open")
    assert tab.run("document.activeElement.parentElement.querySelectorAll('tr.walked-row').length") == 1
    keys.to("#ask-load")
    tab.key("ArrowUp")
    tab.until("location.search.includes('load=') && location.search.includes('step=2')")

    # The guide and the package are written by jobs, saved, and say the same.
    target = tmp_path_factory.mktemp("saved")
    tab.call("Page.setDownloadBehavior", behavior="allow", downloadPath=str(target))
    keys.press(".tabs a[href$='/guide']")
    tab.until("location.pathname.endsWith('/guide') && document.readyState === 'complete'")
    keys.press("button[hx-post$='/guide']")
    tab.until("!!document.querySelector('a[href$=\"index.html\"]')", within=120)
    keys.press("button[hx-post$='/package']")
    tab.until("!!document.querySelector('a[href$=\"package.zip\"]')", within=120)
    for link in ("index.html?save=1", "guide.pdf", "markdown.zip", "package.zip"):
        keys.press(f"a[href$='{link}']")
    check_html(saved(target, "index.html").decode("utf-8"), steps)
    check_pdf(saved(target, "guide.pdf"), steps)
    check_markdown(saved(target, "guide-markdown.zip"), steps)
    check_package(saved(target, "data-package.zip"), files, target)
    assert keys.hidden == []
    # Meant: that the empty form is refused, and that a look which was overtaken by the next key is not waited for.
    meant = re.compile(r"422 .*/new$|^\['htmx:(sendAbort|afterRequest), ")
    said = [text for text in tab.said() if not meant.search(text)]
    assert said == [], "\n".join(said[:6])
    tab.close()


def plain(text):
    return " ".join(text.replace("\u200b", "").split())


def check_html(page, steps):
    assert page.startswith("<!doctype html>") and "How few phases?" in page and "<script" not in page
    assert page.count("<svg ") >= 8 and "Which settings hold?" in page
    assert all(step["name"] in plain(page) for step in steps)


def check_pdf(data, steps):
    from pypdf import PdfReader

    reader = PdfReader(io.BytesIO(data))
    text = plain(" ".join(page.extract_text() for page in reader.pages))
    assert data.startswith(b"%PDF-") and len(reader.pages) >= 4 and "How few phases?" in text
    assert all(step["name"] in text for step in steps)


def check_markdown(data, steps):
    packed = zipfile.ZipFile(io.BytesIO(data))
    assert packed.testzip() is None
    names, text = packed.namelist(), packed.read("guide.md").decode("utf-8")
    linked = re.findall(r"\]\(((?:figures|tables)/[^)]+)\)", text)
    assert len(linked) >= 20 and set(linked) <= set(names) and text.startswith("# How few phases?")
    assert all(step["name"] in plain(text) for step in steps)


def check_package(data, files, folder):
    from phasewright.app import jobs

    packed = zipfile.ZipFile(io.BytesIO(data))
    for path in files:
        name = next(name for name in packed.namelist() if name.endswith(f"logs/{path.name}"))
        assert packed.read(name) == path.read_bytes()
    found = jobs.verify(folder / "data-package.zip")
    assert found.numbers > 100 and not found.differences


@pytest.mark.parametrize("width", [1440, 390])
@pytest.mark.parametrize("page", ["", "/record", "/logs", "/bench", "/guide", "/run", "shelf", "new", "library"])
def test_tab_comes_to_every_control_and_the_focus_is_always_seen(come_in, worked, page, width):
    place = worked.place("demo")
    worked.client.get(f"/campaign/{place.id}/record")
    worked.wait(place.id, "record")
    path = {"shelf": "/", "new": "/new", "library": "/library"}.get(page, f"/campaign/{place.id}{page}")
    tab = come_in(worked, path)
    tab.size(width, 800)
    tab.until("!!window.htmx && document.readyState === 'complete'")
    keys, count, reached = Keys(tab), tab.run(ALL), set()
    for _ in range(count + 3):
        reached.add(keys.step().get("index", -1))
        if len(reached - {-1}) == count:
            break
    missed = tab.run(f"__all.filter((e, i) => !{json.dumps(sorted(reached))}.includes(i)).map(e => e.outerHTML.slice(0, 90))")
    assert count >= 4 and missed == [] and keys.hidden == []
    tab.close()
