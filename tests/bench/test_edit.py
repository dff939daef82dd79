"""Lines changed in place: the files stay what a person wrote, and say what was asked."""

import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from phasewright.bench import BenchFault, edited, file_faults, keep_text, lay_down, new_text, read_bench, without_block


def test_an_example_line_comes_to_life_where_it_stands():
    text = new_text("bench.toml")
    out = edited(text, {"name": "bench A", "regulator.phase_count": "12", "regulator.switching_frequency": "400 kHz",
                        "regulator.stage.current_rating": "70 A"})  # fmt: skip
    assert not file_faults("bench.toml", out)
    said = tomllib.loads(out)
    assert said["name"] == "bench A" and said["regulator"]["phase_count"] == 12
    assert said["regulator"]["stage"]["current_rating"] == "70 A"
    assert 'switching_frequency = "400 kHz"  # of one phase\n' in out
    assert "phase_count = 12  # phases fitted on the board\n" in out
    # Line by line the rest is as it was.
    before, after = text.splitlines(), out.splitlines()
    assert len(before) == len(after)
    assert sum(a != b for a, b in zip(before, after, strict=True)) == 4


def test_steps_are_added_changed_and_taken_out_with_comments_kept():
    text = new_text("campaign.toml")
    text = edited(text, {"step.1.name": "8 phases", "step.1.start": "120 s", "step.1.phase_count": "8"})
    text = edited(text, {"step.2.name": "6 phases", "step.2.start": "720 s"})
    text = text.replace('[[step]]\nname = "6 phases"', '# after the pads were changed\n[[step]]\nname = "6 phases"')
    text = edited(text, {"step.1.end": "700 s", "step.2.start": "725 s", "step.2.baseline": "true"})
    said = tomllib.loads(text)["step"]
    assert [item["name"] for item in said] == ["8 phases", "6 phases"]
    assert said[0]["end"] == "700 s" and said[1] == {"name": "6 phases", "start": "725 s", "baseline": True}
    assert "# after the pads were changed\n[[step]]" in text
    assert edited(text, {"step.1.end": None}).count("end = ") == text.count("end = ") - 1
    left = without_block(text, "step", 1)
    assert [item["name"] for item in tomllib.loads(left)["step"]] == ["6 phases"]
    assert "# after the pads were changed\n[[step]]" in left
    with pytest.raises(ValueError, match="no such block"):
        without_block(text, "step", 3)
    with pytest.raises(ValueError, match="add them in order"):
        edited(text, {"step.9.name": "x"})


def test_a_value_over_several_lines_is_left_alone():
    text = 'name = "x"\n[cooling]\nfan_map = [\n  ["30 degC", "30 %"],\n]\n'
    with pytest.raises(ValueError, match="several lines"):
        edited(text, {"cooling.fan_map": "x"})


@settings(max_examples=150, deadline=None)
@given(name=st.text(st.characters(exclude_categories=("Cs",), exclude_characters="\r\n"), min_size=1, max_size=40),
       key=st.sampled_from(["name", "notes", "board.name", "regulator.stage.source", "step.1.note", "cost.price"]))  # fmt: skip
def test_any_text_comes_back_as_it_was_written(name, key):
    """Property: what is written is what TOML reads again, and everything else stays."""
    text = new_text("campaign.toml" if key.startswith(("step", "cost")) else "bench.toml")
    before = tomllib.loads(text)
    said = tomllib.loads(edited(text, {key: name}))
    words = [word for word in key.split(".") if not word.isdecimal()]
    found = said
    for word in words:
        found = found[0][word] if isinstance(found, list) else found[word]
    assert found == name.strip()
    for other, value in before.items():
        if other != words[0]:
            assert said[other] == value


def test_the_text_before_is_given_back_for_undo(tmp_path):
    lay_down(tmp_path)
    text = (tmp_path / "bench.toml").read_text("utf-8")
    assert keep_text(tmp_path, "bench.toml", edited(text, {"name": "B"})) == text
    assert read_bench(tmp_path / "bench.toml").name == "B"
    with pytest.raises(BenchFault, match="no file of a campaign"):
        keep_text(tmp_path, "../bench.toml", "x")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["bench.toml", "campaign.toml", "logs"]
