"""The command line keeps the linear algebra library to one thread, before numpy is there, unless a person says otherwise."""

import os
import subprocess
import sys

import pytest

SHOWN = "import sys, os, phasewright.app.cli as cli; print(os.environ['OPENBLAS_NUM_THREADS'], 'numpy' in sys.modules)"


@pytest.mark.parametrize(("given", "held"), [(None, "1"), ("3", "3")])
def test_one_thread_for_small_matrices(given, held):
    environment = {key: value for key, value in os.environ.items() if key != "OPENBLAS_NUM_THREADS"}
    if given is not None:
        environment["OPENBLAS_NUM_THREADS"] = given
    done = subprocess.run([sys.executable, "-c", SHOWN], env=environment, capture_output=True, text=True, check=True)
    assert done.stdout.split() == [held, "False"]
