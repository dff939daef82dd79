"""Jobs that are stopped and go on: the page closed and opened again, the server killed in the middle and started anew."""

import os
import re
import select
import shutil
import signal
import subprocess
import sys

import pytest

from phasewright.bench import check_folder


class Server:
    """`phasewright serve` in a process of its own, as people start it."""

    def __init__(self, folder, port=0):
        command = [sys.executable, "-m", "phasewright.app.cli", "serve", str(folder), "--no-open", "--port", str(port)]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
                                        env=os.environ | {"PYTHONUNBUFFERED": "1"})  # fmt: skip
        assert select.select([self.process.stdout], [], [], 60)[0], "the server says nothing"
        self.address = re.search(r"http://\S+", self.process.stdout.readline())[0]
        self.port = int(self.address.split(":")[2].partition("/")[0])

    def kill(self):
        """End it as a power cut does."""
        self.process.send_signal(signal.SIGKILL)
        self.process.wait(10)
        self.process.stdout.close()


@pytest.fixture
def fresh(demo_folder, tmp_path):
    """A copy of the demo of which nothing was worked out yet."""
    for name in ("bench.toml", "campaign.toml"):
        shutil.copy2(demo_folder / name, tmp_path / name)
    shutil.copytree(demo_folder / "logs", tmp_path / "logs")
    return tmp_path


def test_a_job_outlives_its_page_and_a_killed_server_begins_it_anew(browser, fresh):
    before = {path.name: path.read_bytes() for path in (fresh / "logs").iterdir()}
    first = Server(fresh)
    tab = browser.tab()
    tab.open(first.address)
    tab.until("!!document.querySelector('progress') || !!document.querySelector('#bench')")
    place = tab.run("location.pathname")
    job = tab.run("document.querySelector('.job')?.id || ''")
    tab.close()  # the page is closed; its job is not
    tab = browser.tab()
    tab.open(first.address)
    tab.until("!!document.querySelector('progress') || !!document.querySelector('#bench')")
    assert job and tab.run("document.querySelector('.job')?.id || ''") in (job, ""), "the same job goes on"
    first.kill()
    tab.until("document.querySelector('#said').textContent.includes('does not answer')")
    assert tab.run("!!document.querySelector('.job')"), "what was seen last still stands there"
    checked = check_folder(fresh)
    assert not checked.faults and {path.name: path.read_bytes() for path in (fresh / "logs").iterdir()} == before
    second = Server(fresh, first.port)
    try:
        tab.open(second.address)
        tab.until(f"location.pathname === '{place}' && !!document.querySelector('#ask-load')", within=150)
        assert "Which settings hold?" in tab.run("document.body.innerText")
    finally:
        tab.close()
        second.kill()


def test_an_earlier_address_says_what_to_do(browser, empty):
    """The token is of one start: a page of an earlier start is told so, and nothing is shown."""
    tab = browser.tab()
    tab.open(f"{empty.origin}/#t=of-an-earlier-start")
    tab.until("document.body.innerText.includes('earlier start')")
    assert "Campaigns" not in tab.run("document.body.innerText")
    tab.close()


def test_a_job_is_cancelled_from_the_page_and_begun_again(come_in, empty, demo_folder):
    shutil.copytree(demo_folder, empty.folder / "demo", ignore=shutil.ignore_patterns("derived", "guide"))
    place = empty.place("demo")
    tab = come_in(empty, f"/campaign/{place.id}")
    tab.click(".job button[hx-post$='/cancel']")
    tab.until("document.querySelector('.job') && document.querySelector('.job').innerText.includes('cancelled')")
    assert empty.wait(place.id, "study").state == "cancelled"
    tab.open(f"{empty.origin}/campaign/{place.id}")
    tab.until("!!document.querySelector('button[hx-post$=\"/study\"]')")
    tab.click("button[hx-post$='/study']")
    tab.until("!!document.querySelector('progress, #bench')")
    empty.post(f"/job/{empty.desk.work.of(place.id)[0].id}/cancel")
    tab.close()
