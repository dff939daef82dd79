"""A new campaign folder: commented files that pass, say what to do first, and show every key there is."""

import re
import tomllib

import pytest

from phasewright.bench import BenchFault, Campaign, check_folder, lay_down, read_bench, read_campaign
from phasewright.bench._reference import walk_tables
from phasewright.bench.bench_keys import BenchKeys
from phasewright.bench.campaign_keys import CampaignKeys
from phasewright.bench.write import template

COMMENTED = re.compile(r"^# (?=(\[\[?[\w.]+\]\]?$|[a-z_]+ = ))", re.MULTILINE)
INSTEAD = re.compile(r"^# # (?=[a-z_]+ = )", re.MULTILINE)


def test_new_folder_passes_check_and_says_what_to_do_next(tmp_path):
    made = lay_down(tmp_path / "deep" / "campaign")
    assert [path.name for path in made] == ["bench.toml", "campaign.toml"]
    assert (tmp_path / "deep" / "campaign" / "logs").is_dir()
    checked = check_folder(tmp_path / "deep" / "campaign")
    assert checked.faults == ()
    assert isinstance(checked.campaign, Campaign)
    assert (checked.campaign.logs, checked.campaign.steps) == ((), ())
    assert len(checked.cautions) < 10
    text = "\n".join(checked.cautions)
    for word in ("my bench", "my board", "my regulator", "my campaign", "phase_count", "phasewright read", "[[step]]"):
        assert word in text


@pytest.mark.parametrize("name", ["bench.toml", "campaign.toml"])
def test_template_opens_with_what_to_do(name):
    lines = template(name).splitlines()
    assert lines[2] == "# What to do:"
    assert lines[3].startswith("#   1. ")


def test_template_states_no_figure_that_nobody_measured(tmp_path):
    lay_down(tmp_path)
    raw = tomllib.loads(template("bench.toml"))
    stated = {key: value for key, value in raw.items() if value and not isinstance(value, list)}
    assert stated == {
        "format": "phasewright-bench-1", "name": "my bench", "board": {"name": "my board"},
        "regulator": {
            "name": "my regulator", "phase_count": 8, "stage": {}, "inductor": {}, "output_capacitors": {},
            "input_capacitors": {}, "protection": {},
        },
    }  # fmt: skip
    assert raw["instrument"] == [{"name": "meter"}, {"name": "host"}]


@pytest.mark.parametrize(("name", "model"), [("bench.toml", BenchKeys), ("campaign.toml", CampaignKeys)])
def test_template_shows_every_key_in_its_table(name, model):
    text = COMMENTED.sub("", INSTEAD.sub("", template(name)))
    shown = {}
    head = ""
    for line in text.splitlines():
        match = re.match(r"(\[\[?[\w.]+\]\]?)\s*(#|$)", line)
        if match:
            head = re.sub(r"(accuracy|channels|reading)\.\w+", r"\1.CHANNEL", match[1])
        key = re.match(r"(\w+) = ", line)
        if key:
            shown.setdefault(head, set()).add(key[1])
    for table, keys in walk_tables(model):
        if table.startswith("[log.channels") or ", in " in table:
            continue  # these stand in braces
        wanted = {
            field for field, info in keys.model_fields.items()
            if info.json_schema_extra["kind"] not in ("table", "tables", "by_channel")
        }  # fmt: skip
        assert wanted <= shown.get(table, set()), table


def test_every_example_in_the_templates_is_sound(tmp_path):
    """With every # taken away both files still pass: no example of ours can lead anybody into a fault."""
    lay_down(tmp_path)
    for name in ("bench.toml", "campaign.toml"):
        (tmp_path / name).write_text(COMMENTED.sub("", template(name)), encoding="utf-8")
    for name in ("meter", "host"):
        (tmp_path / "logs" / f"{name}.csv").write_text("t\n0\n")
    checked = check_folder(tmp_path)
    assert [str(fault) for fault in checked.faults] == []
    assert checked.bench.regulator.stage.gate_charge == 35e-9
    assert len(checked.campaign.logs) == 2
    assert checked.campaign.steps[0].baseline is True


def test_each_example_that_stands_instead_of_another_is_sound(tmp_path):
    lay_down(tmp_path)
    (tmp_path / "bench.toml").write_text(COMMENTED.sub("", template("bench.toml")), encoding="utf-8")
    text = COMMENTED.sub("", template("campaign.toml"))
    tried = 0
    for match in INSTEAD.finditer(text):
        line = text[match.end() :].split("\n", 1)[0]
        key = line.split(" = ")[0]
        changed = text[: match.start()] + text[match.end() :]
        for other in {"files": ("file",), "columns": ("column",), "end": ("duration",)}.get(key, ()):
            changed = re.sub(rf"(?m)^{other} = .*$", "", changed, count=1)
        (tmp_path / "campaign.toml").write_text(changed, encoding="utf-8")
        faults = [str(fault) for fault in check_folder(tmp_path).faults if "is not there" not in fault.what]
        assert faults == [], line
        tried += 1
    assert tried > 15


def test_nothing_is_overwritten(tmp_path):
    (tmp_path / "campaign.toml").write_text("mine")
    with pytest.raises(BenchFault, match="campaign.toml is there already"):
        lay_down(tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["campaign.toml"]
    assert (tmp_path / "campaign.toml").read_text() == "mine"


def test_other_files_of_the_folder_are_left_alone(tmp_path):
    (tmp_path / "logs").mkdir()
    (tmp_path / "logs" / "a.csv").write_text("1")
    lay_down(tmp_path)
    assert (tmp_path / "logs" / "a.csv").read_text() == "1"
    assert any("no log names a.csv" in text for text in check_folder(tmp_path).cautions)


@pytest.mark.parametrize("failing", [1, 2])
def test_nothing_is_left_behind_when_writing_fails(tmp_path, monkeypatch, failing):
    import phasewright.bench.write as write

    real, count = open, 0

    def refuse(*args, **options):
        nonlocal count
        count += 1
        if count == failing:
            raise OSError(28, "No space left on device")
        return real(*args, **options)

    monkeypatch.setattr(write, "open", refuse, raising=False)
    with pytest.raises(BenchFault, match="No space left on device"):
        lay_down(tmp_path / "a" / "b")
    assert list(tmp_path.iterdir()) == []


def test_interrupt_leaves_nothing_behind_either(tmp_path, monkeypatch):
    import phasewright.bench.write as write

    def stop(*args, **options):
        raise KeyboardInterrupt

    monkeypatch.setattr(write, "open", stop, raising=False)
    with pytest.raises(KeyboardInterrupt):
        lay_down(tmp_path / "a")
    assert list(tmp_path.iterdir()) == []


def test_a_file_where_the_folder_should_be(tmp_path):
    (tmp_path / "a").write_text("x")
    with pytest.raises(BenchFault, match="cannot be written"):
        lay_down(tmp_path / "a")


def test_both_files_of_a_new_folder_can_be_read(tmp_path):
    lay_down(tmp_path)
    assert read_bench(tmp_path).regulator.phase_count == 8
    assert read_bench(tmp_path / "bench.toml").name == "my bench"
    assert read_campaign(tmp_path).cost.hours_per_day == 8.0
