"""One question to every campaign, on the page: the answer stands in the address, its numbers in files, hostile names inert."""

import csv
import io
import json
import re
import shutil
import zipfile
from pathlib import Path

import pytest

BENCH = """format = "phasewright-bench-1"
name = "An open bench"
[board]
name = "{board}"
[regulator]
name = "core rail"
phase_count = 8
"""
AXE = (Path(__file__).parent / "axe" / "axe.min.js").read_text(encoding="utf-8")
PAYLOAD = "<img src=x onerror=alert(1)>{{7*7}}"
ASKED = {"phases": "4", "load": "300 W", "by": "campaign", "quantity": "regulator_rise"}


@pytest.fixture
def shelf(empty, demo_folder):
    """A server over two analyzed copies of the demo, one of them with a hostile name."""
    for name in ("first", PAYLOAD):
        shutil.copytree(demo_folder, empty.folder / name)
    return empty


def test_the_list_leads_to_the_question_once_there_are_two(empty, demo_folder):
    shutil.copytree(demo_folder, empty.folder / "first")
    assert 'href="/library"' not in empty.client.get("/").text
    shutil.copytree(demo_folder, empty.folder / "second")
    assert 'href="/library"' in empty.client.get("/").text


def test_the_answer_is_told_drawn_and_given_as_files(shelf):
    page = shelf.client.get("/library", params=ASKED)
    assert page.status_code == 200
    text = page.text
    assert "4 phases at about 300" in text and "cannot be told apart" in text and "Simulated data." in text
    assert PAYLOAD not in text and "&lt;img src=x onerror=alert(1)&gt;" in text
    assert f'value="{ASKED["load"]}"' in text and '<option value="regulator_rise" selected>' in text
    table = re.search(r'href="(/library/1/library-1-campaigns\.csv\?[^"]+)"', text)[1].replace("&amp;", "&")
    rows = list(csv.DictReader(io.StringIO(shelf.client.get(table).text)))
    told = json.loads((shelf.folder / "first" / "derived" / "analysis.json").read_text())
    (step,) = [item for item in told["steps"] if item["name"] == "4 phases, 300 W"]
    assert [float(row["regulator_rise_K"]) for row in rows] == [step["quantities"]["regulator_rise"]["value"]] * 2
    picture = shelf.client.get(re.search(r'href="(/library/1/library-1\.svg\?[^"]+)"', text)[1].replace("&amp;", "&"))
    assert picture.status_code == 200 and picture.text.startswith("<svg") and PAYLOAD not in picture.text
    names = re.findall(r'id="([^"]+)"', text)
    assert len(names) == len(set(names))


def test_a_piece_of_the_page_is_the_same_and_says_its_address(shelf):
    shelf.client.get("/library")
    piece = shelf.client.get("/library/answer", params=ASKED)
    assert piece.headers["hx-replace-url"] == "/library?phases=4&load=300+W&quantity=regulator_rise&by=campaign"
    assert piece.text in shelf.client.get("/library", params=ASKED).text


def test_wrong_texts_are_told_and_files_of_nothing_are_not_there(shelf):
    shelf.client.get("/library")
    assert "is no phase count" in shelf.client.get("/library/answer", params={"phases": "<b>"}).text
    for path in ("/library/9/library-9.svg", "/library/1/nothing.csv", "/library/1/library-1.exe", "/library/0/library-0.csv"):
        assert shelf.client.get(path).status_code == 404
    assert shelf.client.get("/library/1/x.csv", params={"phases": "x"}).status_code == 404


def test_what_has_changed_is_said_and_the_folders_are_looked_through_again(shelf):
    shelf.client.get("/library")
    bench = shelf.folder / "first" / "bench.toml"
    bench.write_text(bench.read_text() + "\n")
    assert "1 of these campaigns has changed" in shelf.client.get("/library/answer", params=ASKED).text
    assert shelf.post("/library/refresh").status_code == 200
    assert shelf.wait("", "library").state == "done"
    page = shelf.client.get("/library/answer", params=ASKED).text
    assert "Campaigns that say nothing" in page and "first</a>: changed" in page


def test_an_empty_folder_says_why(empty):
    assert "There is no campaign in this folder yet" in empty.client.get("/library").text


def test_a_long_list_is_shown_from_the_index_and_what_it_does_not_know_is_looked_at_by_a_job(empty):
    for number in range(45):
        folder = empty.folder / f"campaign-{number:02d}"
        folder.mkdir()
        (folder / "bench.toml").write_text(BENCH.format(board=f"Board {number}"))
        (folder / "campaign.toml").write_text(f'format = "phasewright-campaign-1"\nname = "Campaign {number}"\n')
    page = empty.client.get("/").text
    assert page.count("Not looked at yet.") == 5 and page.count("0 logs, 0 steps") == 40
    assert empty.wait("", "library").state == "done"
    page = empty.client.get("/").text
    assert "Not looked at yet" not in page and page.count("0 logs, 0 steps") == 45 and "Board 44" in page
    (empty.folder / "campaign-03" / "bench.toml").write_text(BENCH.format(board="Another board"))
    assert "Another board" in empty.client.get("/").text
    for place in empty.desk.shelf.places():
        assert empty.desk.shelf.find(place.id) == place


def test_markdown_is_given_with_its_pictures_and_every_link_in_it_leads_somewhere(empty, worked):
    from phasewright.report import write_guide

    study = worked.desk.study(worked.place("demo"))
    shutil.copytree(worked.place("demo").folder, empty.folder / "demo")
    home = f"/campaign/{empty.place('demo').id}/guide"
    assert empty.client.get(f"{home}/markdown.zip").status_code == 404
    write_guide(study.analysis, empty.folder / "demo" / "guide", fitted=study.fitted)
    packed = zipfile.ZipFile(io.BytesIO(empty.client.get(f"{home}/markdown.zip").content))
    text = packed.read("guide.md").decode("utf-8")
    links = re.findall(r"(?<!\\)\]\(([^)]+)\)", text)
    pictures = re.findall(r"!\[(.+?)(?<!\\)\]\((figures/[^)]+\.svg)\)", text)
    assert len(pictures) > 10 and all(len(alt) > 30 for alt, _ in pictures)
    assert len(links) > 50 and set(links) <= set(packed.namelist())


@pytest.mark.parametrize(("width", "dark"), [(1440, False), (390, True)])
def test_it_is_accessible_and_nothing_runs(browser, shelf, width, dark):
    tab = browser.tab(width=width, height=900, dark=dark)
    tab.open(f"{shelf.origin}/#t={shelf.gate.token}")
    tab.until("document.querySelector('main .shelf') !== null")
    tab.open(f"{shelf.origin}/library?phases=4&load=300+W&by=campaign")
    tab.run(AXE + ";0")
    found = json.loads(tab.run(
        "axe.run(document, {resultTypes: ['violations']})"
        ".then(r => JSON.stringify(r.violations.map(v => [v.id, v.help, v.nodes.slice(0, 3).map(n => n.html)])))"
    ))  # fmt: skip
    assert not found, found
    assert tab.run("document.documentElement.scrollWidth") <= width
    assert tab.said() == []
    tab.close()
