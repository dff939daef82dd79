"""The how-to page on waveforms runs as it stands, and what it prints is what the page says of it."""

import re
from pathlib import Path

PAGE = (Path(__file__).parents[2] / "docs" / "how-to" / "waveforms.md").read_text(encoding="utf-8")


def test_the_page_runs(capsys):
    space = {}
    for block in re.findall(r"```python\n(.*?)```", PAGE, re.DOTALL):
        exec(compile(block, "waveforms.md", "exec"), space)
    printed = capsys.readouterr().out
    means = [float(value) for value in re.findall(r"phase \d: ([\d.]+) A", printed)]
    assert len(means) == 6 and abs(sum(means) - 180.0) < 0.04
    assert means.index(min(means)) == 2 and means.index(max(means)) == 4  # the greatest and the least DCR
    assert abs(space["account"].residual) < 1e-12 * space["account"].supplied
    answer = space["answer"]
    assert answer.droop > 0.4e-3 * 120.0 and answer.overshoot_settling < 100e-6
    assert space["worst"].high > 30.0
    assert set(re.findall(r"`(\w+_\w+)`", PAGE)) - {"physics"} <= set(dir(__import__("phasewright.physics").physics))
