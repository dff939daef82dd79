"""A short run of the inputs that are bred towards code none has reached; and the breeding itself."""

import warnings

import fuzz_guided_trials as guided


def test_every_input_ends_in_due_form(tmp_path):
    breeding = guided.Breeding(5, tmp_path)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for _ in range(150):
            breeding.step()
    assert breeding.failures == []
    assert breeding.count["read"] > 20 and breeding.count["refused"] > 20
    assert len(breeding.kept) == breeding.count["kept"] > 20


def test_an_input_is_kept_for_a_step_that_none_took_before(tmp_path):
    breeding = guided.Breeding(5, tmp_path)
    plain = guided.Input(b"time,power_W\n" + b"".join(b"%d,%d.5\n" % (i, 100 + i) for i in range(20)), 0)
    breeding.attempt(plain)
    before = len(breeding.reached.steps)
    assert before > 300 and breeding.kept == [plain]
    breeding.attempt(plain)
    assert breeding.kept == [plain] and len(breeding.reached.steps) == before
    other = guided.Input(plain.data.replace(b"107.5", b"n/a"), 0)
    breeding.attempt(other)
    assert breeding.kept == [plain, other] and len(breeding.reached.steps) > before


def test_a_traceback_is_a_failure(tmp_path, monkeypatch):
    def fail(*_):
        raise ZeroDivisionError("planted")

    monkeypatch.setattr(guided, "suggest_channels", fail)
    breeding = guided.Breeding(5, tmp_path)
    breeding.attempt(guided.Input(b"time,power_W\n0,1.5\n1,2.5\n", 0))
    assert "planted" in breeding.failures[0]["what"] and not breeding.kept
    part = {"count": breeding.count, "failures": breeding.failures, "slowest": 0.1, "steps": 1, "seconds": 1.0}
    assert "1 failures" in guided.summary([part]) and "planted" in guided.summary([part])
