"""What the pages say: the list, one campaign, its steps, its files; states that are empty, failed or partial."""

import csv
import io
import re

import pytest


def test_an_empty_folder_says_why_it_is_empty_and_what_comes_next(empty):
    page = empty.client.get("/").text
    assert "There is no campaign here yet" in page and 'href="/new"' in page and 'hx-post="/demo"' in page


def test_the_list_names_campaigns_and_leads_to_them(worked):
    place = worked.place("demo")
    page = worked.client.get("/").text
    assert f'href="/campaign/{place.id}"' in page
    assert "How few phases are enough at 300 W?" in page and "3 logs, 13 steps. Simulated." in page


def test_the_page_of_a_campaign_asks_the_questions_of_the_guide_in_their_order(worked):
    place = worked.place("demo")
    page = worked.client.get(f"/campaign/{place.id}").text
    asked = re.findall(r"<h2>([^<]+)</h2>", page)
    document = worked.desk.study(place).document
    assert [section.question for section in document.sections] == [text for text in asked if text in {
        section.question for section in document.sections}]
    for question in ("What stands on the bench?", "Which settings hold?", "How hot, and why?", "What is wasted?",
                     "What gives first?", "What if?", "Can it be trusted?"):  # fmt: skip
        assert question in asked
    assert "Simulated data." in page


def test_page_and_guide_show_the_same_figures(worked):
    place = worked.place("demo")
    page = worked.client.get(f"/campaign/{place.id}").text
    study = worked.desk.study(place)
    for name, (wide, narrow) in study.drawings.items():
        if name != "bench":
            assert wide in page and narrow in page, name


def test_the_selected_step_stands_in_the_address_and_on_the_drawing(worked):
    place = worked.place("demo")
    finding = worked.desk.study(place).step(4)
    page = worked.client.get(f"/campaign/{place.id}?step=4").text
    assert re.search(r'aria-current="true" id="show-4"', page)
    assert len(re.findall(r'aria-current="true" id="show-', page)) == 1
    bench = page[page.index('id="bench"') : page.index('id="hold"')]
    assert f"Step {finding.step.name}:" in bench.replace("\u00a0", " ")


@pytest.mark.parametrize("step", ["0", "99", "-1", "x", "4;drop", "9" * 40])
def test_a_step_that_is_not_there_is_as_none(worked, step):
    place = worked.place("demo")
    answer = worked.client.get(f"/campaign/{place.id}", params={"step": step})
    assert answer.status_code == 200


def test_every_table_and_figure_is_a_file_away(worked):
    place = worked.place("demo")
    page = worked.client.get(f"/campaign/{place.id}").text
    links = set(re.findall(r'href="(/campaign/[^"]+\.(?:csv|svg))"', page))
    assert len([link for link in links if link.endswith(".svg")]) >= 8
    for link in sorted(links):
        answer = worked.client.get(link)
        assert answer.status_code == 200, link
        assert answer.headers["content-disposition"].startswith("attachment; filename=")
        if link.endswith(".csv"):
            rows = list(csv.reader(io.StringIO(answer.text)))
            assert len(rows) >= 2 and rows[0][-1] == "data" and rows[1][-1] == "simulated"
        else:
            assert answer.text.startswith("<svg ") and "Simulated data" in answer.text


def test_what_is_not_there_is_said_plainly(worked):
    for path in ("/campaign/none-00000000", "/nowhere", "/job/999999"):
        answer = worked.client.get(path)
        assert answer.status_code == 404
        assert "There is nothing at this address" in answer.text


def test_a_campaign_with_faults_lists_them_all_with_line_and_mend(empty):
    folder = empty.folder / "broken"
    (folder / "logs").mkdir(parents=True)
    (folder / "bench.toml").write_text('format = "phasewright-bench-1"\nname = 3\n[regulator]\nphase_count = "many"\n')
    (folder / "campaign.toml").write_text('format = "phasewright-campaign-1"\nname = "x"\nbogus = 1\n')
    place = empty.place("broken")
    page = empty.client.get(f"/campaign/{place.id}").text
    assert 'role="alert"' in page and "bogus" in page and "phase_count" in page and "line 4" in page
    assert f'href="/campaign/{place.id}/bench"' in page


def test_the_demo_is_made_in_the_background_and_then_listed(empty):
    answer = empty.post("/demo")
    assert answer.status_code == 200 and "<progress" in answer.text
    job = empty.wait("", "demo", states=("running", "done"))
    told = empty.client.get(f"/job/{job.id}?stay=open")
    assert "Making the simulated demo" in told.text or told.headers.get("hx-redirect")
    empty.post(f"/job/{job.id}/cancel")
    assert empty.wait("", "demo").state in ("cancelled", "done")
