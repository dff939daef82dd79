"""How the recorder's process ends, second by second: on word, when the guide is gone or silent, when the system asks.

`docs/how-to/record.md`: a load comes off when the guide is gone, or has said nothing for ten seconds; the cool-down is
recorded for half a minute after that.
"""

import signal
import threading
import types
from pathlib import Path

import pytest

from phasewright.live import Happened, at_work, demo_scenario


class Play:
    """The recorder's surroundings: words that come at written times [s], and all that is done."""

    def __init__(self, words=(), loaded=False, sound=True):
        self.now, self.words, self.sound = 0.0, sorted(words, key=lambda item: item[0]), sound
        self.done, self.events, self.news = [], [], []
        self.load = object() if loaded else None
        self.queue, self.listening, self.handlers, self.punctual, self.advanced = None, threading.Event(), {}, 0, []
        self.head = None

    # the recorder
    def open(self):
        self.done.append((self.now, "open"))

    def advance(self, seconds):
        assert self.listening.wait(10.0) and self.now < 500.0, "it never ended"
        self.now = round(self.now + seconds, 6)
        self.advanced.append(seconds)
        while self.words and self.words[0][0] <= self.now:
            word = self.words.pop(0)[1]
            if isinstance(word, dict):
                self.queue.put(word)
            else:
                self.handlers[word](word, None)
        return Happened()

    def event(self, what, **given):
        self.events.append((self.now, what, given))

    def stop_load(self, why):
        self.done.append((self.now, "off", why))
        self.load = None

    def need(self):
        self.done.append((self.now, "need"))

    def close(self):
        self.done.append((self.now, "close"))
        return self.sound

    # what it stands on
    def listen(self, words):
        self.queue = words
        self.listening.set()

    def be_punctual(self):
        self.punctual += 1

    def writer(self, folder, clock, *, head):
        self.head = (folder, head)
        return types.SimpleNamespace(session=3)


class News:
    def __init__(self, play):
        self.play, self.dropped = play, 7

    def put(self, **news):
        self.play.news.append(news)

    def close(self):
        self.play.news.append("closed")


@pytest.fixture
def main(monkeypatch):
    def run(play):
        for name, stand_in in {
            "read_bench": lambda folder: demo_scenario().bench, "drivers_of": lambda bench, around: {},
            "go_first": lambda: -5, "be_punctual": play.be_punctual, "_listen": play.listen, "_News": lambda: News(play),
            "JournalWriter": play.writer, "ThreadScribe": lambda *given: None, "Recorder": lambda *given, **more: play,
            "time": types.SimpleNamespace(monotonic=lambda: play.now, tzname=("UTC", "UTC")),
        }.items():
            monkeypatch.setattr(at_work, name, stand_in)
        monkeypatch.setattr(at_work.signal, "signal", play.handlers.__setitem__)
        return at_work.main(Path("board"))

    return run


def closing(play):
    (found,) = [(now, given["why"], given["news_dropped"]) for now, what, given in play.events if what == "closing"]
    return found


@pytest.mark.parametrize(("sound", "code"), [(True, 0), (False, 3)])
def test_a_recorder_ends_on_word_at_once_and_says_whether_all_is_on_the_disk(main, sound, code):
    play = Play([(1.0, {"do": "close"})], sound=sound)
    assert main(play) == code
    assert closing(play) == (1.0, "the guide ended", 7)
    assert play.done == [(0.0, "open"), (1.0, "close")]
    assert play.news[0] == {"ready": True, "session": 3}
    assert play.news[-2:] == [{"closed": sound}, "closed"]
    assert len(play.news) == 1 + 4 + 2, "news four times a second"
    assert play.punctual == 1
    folder, head = play.head
    bench = demo_scenario().bench
    assert folder == Path("board/journal")
    assert (head["bench"], head["bench_name"], head["simulated"], head["niceness"]) == (bench.fingerprint, bench.name,
                                                                                      bench.simulated, -5)


def test_a_reason_that_comes_with_the_word_is_kept(main):
    play = Play([(1.0, {"do": "close", "why": "enough"})])
    main(play)
    assert closing(play)[1] == "enough"


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_the_system_may_ask_the_recorder_to_end(main, number):
    play = Play([(2.0, number)])
    assert main(play) == 0
    assert closing(play)[:2] == (2.0, "the system asked the recorder to end")


def test_without_its_guide_the_load_comes_off_and_the_cool_down_is_recorded(main):
    play = Play([(2.0, {"do": "gone"}), (5.0, {"do": "gone"})], loaded=True)
    assert main(play) == 0
    assert play.done == [(0.0, "open"), (2.0, "off", "the guide is gone"), (2.0, "need"), (32.0, "close")]
    assert [(now, what) for now, what, _ in play.events] == [(2.0, "guide_gone"), (32.0, "closing")]
    assert closing(play)[1] == "the guide is gone"


def test_a_guide_that_has_said_nothing_for_ten_seconds_has_its_load_taken_off_once(main):
    play = Play([(1.0, {"do": "here"}), (30.0, {"do": "close"})], loaded=True)
    assert main(play) == 0
    ((now, _, given),) = [item for item in play.events if item[1] == "guide_silent"]
    assert 11.0 < now <= 11.25 and given["seconds"] == pytest.approx(now - 1.0)
    assert play.done[1:] == [(now, "off", "the guide said nothing for 10 s"), (now, "need"), (30.0, "close")]


def test_a_guide_that_says_it_is_there_keeps_its_load_and_one_without_a_load_may_be_silent(main):
    play = Play([*((float(now), {"do": "here"}) for now in range(10, 60, 10)), (60.0, {"do": "close"})], loaded=True)
    main(play)
    assert not [item for item in play.events if item[1] == "guide_silent"] and play.done[1:] == [(60.0, "close")]
    play = Play([(60.0, {"do": "close"})])
    main(play)
    assert play.done[1:] == [(60.0, "close")]


def test_words_of_a_run_are_done_in_the_order_in_which_they_came(main):
    notes = [(1.0, {"do": "event", "what": "note", "given": {"n": number}}) for number in (1, 2)]
    play = Play([*notes, (2.0, {"do": "unload", "why": "enough", "need": False}), (3.0, {"do": "close"})], loaded=True)
    main(play)
    assert [given["n"] for _, what, given in play.events if what == "note"] == [1, 2]
    assert play.done[1:] == [(2.0, "off", "enough"), (3.0, "close")]
