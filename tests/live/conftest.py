"""What the tests of instruments share."""

import pytest

from phasewright.live.standin.scpi_server import ScpiServer


@pytest.fixture
def server():
    """Call it with the answers to questions, and faults: it gives a SCPI instrument on loopback, closed afterwards."""
    made = []

    def make(answers=None, **options):
        answers = answers or {"READ:VOLT?": "12.04", "READ:CURR?": "25.5"}
        made.append(ScpiServer(lambda question: answers.get(question), **options))
        return made[-1]

    yield make
    for item in made:
        item.close()
