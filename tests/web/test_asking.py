"""What if, two steps, the timeline and the guide, asked without a browser."""

import csv
import io
import re

import pytest

from phasewright.model import as_setting, predict
from phasewright.quantity import difference


@pytest.fixture(scope="module")
def home(worked):
    return f"/campaign/{worked.place('demo').id}"


def test_what_if_says_what_the_model_says(worked, home):
    study = worked.desk.study(worked.place("demo"))
    answer = worked.client.get(f"{home}/whatif", params={"phases": "5", "load": "310 W", "coolant": "40 degC"})
    wanted = predict(study.fitted, as_setting({"phase_count": 5, "package_power": 310.0, "coolant_temperature": 40.0}))
    assert answer.status_code == 200 and wanted.verdict.capitalize() + ":" in answer.text
    told = float(re.search(r"the regulator settles at ([\d.]+)", answer.text)[1])
    assert told == pytest.approx(wanted.quantities["regulator_temperature"].value, abs=0.06)
    assert answer.headers["hx-replace-url"] == f"{home}?phases=5&load=310+W&coolant=40+degC"
    page = worked.client.get(f"{home}?phases=5&load=310+W&coolant=40+degC").text
    assert 'id="ask-load" name="load" value="310 W"' in page and wanted.verdict.capitalize() + ":" in page


@pytest.mark.parametrize("words", [
    {"phases": "none"}, {"phases": "99"}, {"load": "much"}, {"load": "310 V"}, {"coolant": "-300 degC"}, {"voltage": "0 V"},
    {"load": "1e999 W"}, {"phases": "<b>", "load": "<script>"}, {"ocp": "9" * 300},
])  # fmt: skip
def test_what_cannot_be_answered_says_why_and_never_fails(worked, home, words):
    for more in ({}, {"strip": "1"}):
        answer = worked.client.get(f"{home}/whatif", params=words | more)
        assert answer.status_code == 200
        assert "<script>" not in answer.text and "<b><" not in answer.text
    assert worked.client.get(home, params=words).status_code == 200


def test_each_answer_is_a_file_away(worked, home):
    """The address of every file says what was asked; numbers in the file are those of the model."""
    study = worked.desk.study(worked.place("demo"))
    asked = {"phases": "5", "load": "310 W", "coolant": "40 degC"}
    links = set()
    for more in ({}, {"strip": "1"}):
        page = worked.client.get(f"{home}/whatif", params=asked | more).text
        links |= {link.replace("&amp;", "&") for link in re.findall(r'href="([^"]+\.(?:csv|svg)\?[^"]+)"', page)}
    names = {re.search(r"whatif/([\w.-]+)\?", link)[1] for link in links}
    assert names == {"asked.csv", "asked-limits.csv", "asked-limits.svg", "asked-phases.csv", "asked-phases.svg"}
    wanted = predict(study.fitted, as_setting({"phase_count": 5, "package_power": 310.0, "coolant_temperature": 40.0}))
    for link in sorted(links):
        answer = worked.client.get(link)
        assert answer.status_code == 200 and answer.headers["content-disposition"].startswith("attachment")
        if link.partition("?")[0].endswith(".svg"):
            assert answer.text.startswith("<svg ") and "Simulated data" in answer.text
            continue
        rows = list(csv.DictReader(io.StringIO(answer.text)))
        assert rows and rows[0]["data"] == "simulated"
        if "asked.csv" in link:
            told = {row["figure"]: float(row["value"]) for row in rows}
            assert told["Regulator temperature"] == wanted.quantities["regulator_temperature"].value
        if "asked-phases" in link:
            counts = [int(float(row["phase_count"])) for row in rows]  # those that the model cannot decide are left out
            assert counts == list(range(10, 10 - len(counts), -1)) and len(counts) >= 5
    for name in ("none.csv", "asked-limits.pdf", "asked.svg", "asked-phases.csv?load=much"):
        assert worked.client.get(f"{home}/whatif/{name}").status_code == 404, name


def test_a_positive_margin_is_drawn_before_its_limit(worked):
    """Floors (a wished life) as well as ceilings: what is on the safe side is left of the limit's line."""
    from phasewright.app import foresee
    from phasewright.report.asked import _shares

    study = worked.desk.study(worked.place("demo"))
    (told,) = foresee.predict_settings(study.fitted, [{"phase_count": 4, "package_power": 300.0}])
    least: dict[str, float] = {}
    for item in told.margins:
        least.setdefault(item.limit.name, item.margin.value)
    shown = _shares(told)
    assert len(shown) >= 4 and any(item.limit.floor for item in told.margins)
    for name, share, low, high, _ in shown:
        assert (share < 1.0) == (least[name] > 0.0) and low <= share <= high, name


def test_every_phase_count_stands_in_the_strip(worked, home):
    text = worked.client.get(f"{home}/whatif", params={"load": "300 W", "strip": "1"}).text
    text = text[text.index('id="figure-asked-phases"') :]
    counts = re.findall(r'<th scope="row"[^>]*>(\d+)</th>', text)
    assert counts and set(map(int, counts)) <= set(range(1, 11)) and len(counts) >= 5


def test_two_steps_differ_by_what_they_do_not_share(worked, home):
    study = worked.desk.study(worked.place("demo"))
    one, two = study.step(7).quantities["input_power"], study.step(11).quantities["input_power"]
    rows = list(csv.DictReader(io.StringIO(worked.client.get(f"{home}/pair.csv?a=7&b=11").text)))
    row = next(item for item in rows if item["figure"] == "Input power")
    assert float(row["difference"]) == difference(two, one).value
    assert float(row["difference_u"]) == difference(two, one).u < (one.u**2 + two.u**2) ** 0.5
    assert worked.client.get(f"{home}/pair?a=7&b=11").headers["hx-replace-url"] == f"{home}?a=7&b=11"


def test_the_timeline_keeps_inside_the_record(worked, home):
    worked.client.get(f"{home}/record")
    assert worked.wait(worked.place("demo").id, "record").state == "done"
    page = worked.client.get(f"{home}/record?from=100&to=400").text
    assert 'value="100 s"' in page and 'value="400 s"' in page and page.count('class="s-trace"') >= 8
    for first, last in (("nan", "inf"), ("-1e9", "1e9"), ("5", "5"), ("400", "100"), ("x", "y"), ("1e308", "-1e308"), ("", "")):
        answer = worked.client.get(f"{home}/timeline", params={"from": first, "to": last})
        assert answer.status_code == 200 and "<svg" in answer.text, (first, last)


def test_only_files_of_the_guide_are_given(worked, home):
    folder = worked.place("demo").folder / "guide"
    folder.mkdir(exist_ok=True)
    (folder / "index.html").write_text("<style>p{color:red}</style><script>alert(1)</script><p>x", "utf-8")
    (folder / "secret.key").write_text("secret")
    (folder / "link.csv").symlink_to("/etc/hostname")
    try:
        shown = worked.client.get(f"{home}/guide/files/index.html")
        policy = shown.headers["content-security-policy"]
        assert "script" not in policy and "default-src 'none'" in policy and "sha256-" in policy and "sandbox" in policy
        assert worked.client.get(f"{home}/guide/files/index.html?save=1").headers["content-disposition"].startswith("attachment")
        for name in ("secret.key", "link.csv", "../bench.toml", "..%2fbench.toml", "/etc/hostname"):
            assert worked.client.get(f"{home}/guide/files/{name}").status_code in (404, 307), name
    finally:
        for name in ("index.html", "secret.key", "link.csv"):
            (folder / name).unlink()
        folder.rmdir()


def test_a_setting_asked_for_while_the_model_is_being_fitted_is_told_so(worked, home):
    """A page that stood open asks on while its campaign is worked out anew: no error, but when there will be an answer."""
    place = worked.place("demo")
    study = worked.desk.study(place)
    fitted, study.fitted = study.fitted, None
    try:
        answer = worked.client.get(f"{home}/whatif", params={"phases": "5", "load": "310 W"})
    finally:
        study.fitted = fitted
    assert answer.status_code == 200 and "The model is being fitted" in answer.text
    assert worked.client.get(f"{home}/whatif", params={"phases": "5", "load": "310 W"}).headers["hx-replace-url"]
