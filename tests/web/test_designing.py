"""What would be enough, on the page: from nothing to an answer with its files, wrong inputs kept and explained."""

import csv
import io
import re
import shutil
from importlib.resources import files

import pytest

KEPT = ("stage 90 quick", "stage 80", "inductor 150 nH low", "inductor 180 nH", "ceramic 22 uF array", "electrolytic 470 uF",
        "controller 8", "plate, bare", "plate, soft pad", "input 2 x 4")  # fmt: skip


def small_catalogue() -> str:
    text = (files("phasewright.design") / "templates" / "catalogue.toml").read_text("utf-8")
    blocks = re.split(r"(?m)^(?=\[\[)", text)
    return "".join([blocks[0], *(b for b in blocks[1:] if re.search(r'name = "([^"]+)"', b)[1] in KEPT)])


@pytest.fixture
def bare(empty, demo_folder):
    """A server over the demo, without a catalogue; its section is asked for alone."""
    shutil.copytree(demo_folder, empty.folder / "demo")
    empty.home = f"/campaign/{empty.place('demo').id}/design"
    return empty


def begun(served):
    assert served.post(f"{served.home}/new").status_code == 200
    folder = served.folder / "demo"
    (folder / "catalogue.toml").write_text(small_catalogue(), encoding="utf-8")
    need = (folder / "requirement.toml").read_text("utf-8").replace("phase_count = [4, 14]", "phase_count = [8, 8]")
    need = re.sub(r"(?m)^switching_frequency.*$", 'switching_frequency = ["400 kHz"]', need)
    (folder / "requirement.toml").write_text(need, encoding="utf-8")
    return folder


def form_of(page: str) -> dict[str, str]:
    pairs = re.findall(r'<input type="text" id="design-[^"]+" name="([^"]+)" value="([^"]*)"', page)
    return dict(pairs)


def test_without_a_catalogue_one_is_offered_and_laid_down_once(bare):
    assert "Lay down a catalogue" in bare.client.get(bare.home).text
    page = bare.post(f"{bare.home}/new").text
    assert "Laid down" in page and "Search the catalogue" in page
    assert form_of(page)["load-rail_current"] == "240 A"
    assert bare.post(f"{bare.home}/new").status_code == 422


def test_a_wrong_input_is_kept_and_explained_and_the_file_stays(bare):
    folder = begun(bare)
    before = (folder / "requirement.toml").read_text("utf-8")
    answer = bare.post(bare.home, **{"load-rail_current": "many", "load-rail_voltage": "1.15 V"})
    assert answer.status_code == 422
    assert 'value="many"' in answer.text and 'aria-invalid="true"' in answer.text and "to mend" in answer.text
    assert (folder / "requirement.toml").read_text("utf-8") == before
    assert bare.desk.work.of(bare.place("demo").id) == []


def test_the_search_runs_as_a_job_and_its_answer_has_figures_and_files(bare):
    folder = begun(bare)
    place = bare.place("demo")
    words = form_of(bare.client.get(bare.home).text) | {"load-rail_current": "230 A", "cost-price": ""}
    answer = bare.post(bare.home, **words)
    assert answer.status_code == 200 and "Searching the catalogue" in answer.text and "/cancel" in answer.text
    assert bare.wait(place.id, "design", within=200.0).state == "done"
    need = (folder / "requirement.toml").read_text("utf-8")
    assert 'rail_current = "230 A"' in need and "# continuous" in need and "price" not in need
    page = bare.client.get(bare.home).text
    assert "would be enough" in page and "Why not its neighbours" in page and "Search again" in page
    assert 'value="230 A"' in page and "<svg" in page and "Simulated data" in page
    table = bare.client.get(f"{bare.home}/files/design-parts.csv")
    rows = list(csv.DictReader(io.StringIO(table.text)))
    assert rows[0]["part"] == "Power stage" and float(rows[-1]["cost"]) > 0.0
    picture = bare.client.get(f"{bare.home}/files/front.svg")
    assert picture.status_code == 200 and picture.text.startswith("<svg")
    assert bare.client.get(f"{bare.home}/files/nothing.csv").status_code == 404
    names = re.findall(r'id="([^"]+)"', page)
    assert len(names) == len(set(names))


def test_a_search_is_cancelled_and_says_so(bare):
    begun(bare)
    place = bare.place("demo")
    bare.post(bare.home, **form_of(bare.client.get(bare.home).text))
    job = next(item for item in bare.desk.work.of(place.id) if item.kind == "design")
    assert bare.post(f"/job/{job.id}/cancel").status_code == 200
    assert bare.wait(place.id, "design", within=120.0).state == "cancelled"
    assert "cancelled" in bare.client.get(bare.home).text


def test_texts_are_kept_unless_they_were_changed_meanwhile(bare):
    folder = begun(bare)
    page = bare.client.get(bare.home).text
    mark = re.search(r'text/catalogue".*?name="mark" value="([0-9a-f]+)"', page, re.DOTALL)[1]
    fresh = small_catalogue() + "\n# mine\n"
    assert "Kept as catalogue.toml" in bare.post(f"{bare.home}/text/catalogue", text=fresh, mark=mark).text
    assert (folder / "catalogue.toml").read_text("utf-8") == fresh
    late = bare.post(f"{bare.home}/text/catalogue", text="lost = 1", mark=mark)
    assert late.status_code == 422 and "changed meanwhile" in late.text and "lost = 1" in late.text
    assert (folder / "catalogue.toml").read_text("utf-8") == fresh
    assert bare.post(f"{bare.home}/text/bench", text="x", mark="").status_code == 404


def test_a_faulty_catalogue_is_told_with_line_and_mend(bare):
    folder = begun(bare)
    (folder / "catalogue.toml").write_text('format = "<img src=x onerror=alert(1)>"\n', encoding="utf-8")
    page = bare.client.get(bare.home).text
    assert "to mend" in page and "<img" not in page
    assert bare.client.get(f"{bare.home}/files/front.svg").status_code == 404
