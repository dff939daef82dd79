"""The whole way through findings, on recordings built by hand whose every level is known."""

import json

import numpy as np
import pytest

from phasewright.findings import VERDICTS, analyze, to_json


def test_figures_hold_the_levels_that_were_put_in(hand):
    analysis = hand.analyzed(hand.Played("8 phases"))
    found = analysis.steps[0].quantities
    for name, level in hand.LEVELS.items():
        assert found[name].low95 <= level <= found[name].high95, name
    assert found["loss"].value == pytest.approx(50.0, abs=0.2)
    assert found["delivery_efficiency"].value == pytest.approx(250.0 / 300.0, abs=1e-3)
    assert found["conversion_loss"].value == pytest.approx(300.0 - 6.0 - 240.0, abs=0.3)
    assert found["phase_current"].value == pytest.approx(25.0, abs=0.1)
    assert found["regulator_rise"].value == pytest.approx(43.0, abs=0.1)
    assert found["step_energy"].value == pytest.approx(300.0 * 400.0, rel=1e-3)


def test_object_has_the_agreed_keys_in_order_and_is_json(hand):
    found = to_json(hand.analyzed(hand.Played("8 phases")))
    assert list(found) == ["format", "campaign", "clocks", "steps", "comparisons", "model", "answers", "notes"]
    assert found["model"] is None and any("no electro-thermal model" in note["text"] for note in found["notes"])
    assert json.loads(json.dumps(found, allow_nan=False)) == found
    assert found["steps"][0]["verdict"] in VERDICTS


def test_spans_and_windows_that_do_not_belong_together_are_refused(hand):
    campaign, recording, spans, windows = hand.played([hand.Played("a"), hand.Played("b")])
    with pytest.raises(ValueError, match="spans and windows differ"):
        analyze(hand.bench(), campaign, recording, spans, windows[::-1])


def test_progress_is_told(hand):
    campaign, recording, spans, windows = hand.played([hand.Played("a")])
    told = []
    analyze(hand.bench(), campaign, recording, spans, windows, progress=lambda fraction, text: told.append(fraction))
    assert told[-1] == 1.0 and np.all(np.diff(told) >= 0.0)
