# Two commands on a fresh machine with Python 3.11+ and nothing else: `make demo` and `make test`.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
DEMO ?= demo-campaign

.PHONY: demo test coverage stress scan audit bench lock clean

$(VENV)/run.stamp: requirements.lock.txt pyproject.toml
	$(PYTHON) -c 'import sys; sys.exit(0 if sys.version_info >= (3, 11) else "Phasewright needs Python 3.11 or newer; this is " + sys.version.split()[0] + ". Mend: make PYTHON=python3.12 demo")'
	test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements.lock.txt
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation --editable .
	touch $@

# Before any developer's package is there: the wheel as users get it, run once with the run-time packages alone.
$(VENV)/clean.stamp: $(VENV)/run.stamp
	rm -rf build/clean && mkdir -p build/clean
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation --target build/clean/wheel .
	cd build/clean && PYTHONPATH=wheel ../../$(BIN)/python -W error::ImportWarning -m phasewright.app.cli demo campaign --no-page >demo.txt 2>&1 || { cat demo.txt; exit 1; }
	touch $@

$(VENV)/dev.stamp: $(VENV)/run.stamp $(VENV)/clean.stamp requirements-dev.lock.txt
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements-dev.lock.txt
	touch $@

demo: $(VENV)/run.stamp  ## invent a campaign, analyze it, write its guide
	$(BIN)/phasewright demo $(DEMO) --again

test: $(VENV)/dev.stamp  ## every check that a change must pass
	$(BIN)/ruff check .
	$(BIN)/lint-imports --config .importlinter
	$(BIN)/python -m pytest --numprocesses 2 --dist loadfile --no-loadscope-reorder

coverage: $(VENV)/dev.stamp  ## every branch of recorder, parser and safety, by their own tests
	$(BIN)/python benchmarks/covered.py

stress: $(VENV)/dev.stamp  ## the long versions: hundreds of simulated campaigns, their tables printed
	$(BIN)/python benchmarks/stress.py

# General tools of security, away from what is shipped and tested.
.venv-outside/stamp: tests/outside/requirements.lock.txt
	test -x .venv-outside/bin/python || $(PYTHON) -m venv .venv-outside
	.venv-outside/bin/python -m pip install --quiet --disable-pip-version-check --require-hashes -r tests/outside/requirements.lock.txt
	touch $@

scan: $(VENV)/dev.stamp .venv-outside/stamp  ## the page under ten thousand generated requests, and under a general scanner
	PHASEWRIGHT_SCAN=200 $(BIN)/python -m pytest -q -s tests/web/test_scan.py
	$(BIN)/python tests/outside/scanner.py .venv-outside/bin/wapiti

audit: .venv-outside/stamp  ## known flaws of packages, security linter, secrets, list of components
	$(PYTHON) tests/outside/audit.py .venv-outside/bin

bench: $(VENV)/dev.stamp  ## times, as ratios to general parsers in the same run
	$(BIN)/python benchmarks/bench.py

lock:  ## refresh both lock files (needs uv)
	uv pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-header --output-file requirements.lock.txt pyproject.toml build-requirements.in
	uv pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-header --constraint requirements.lock.txt --output-file requirements-dev.lock.txt --group dev
	uv pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-header --output-file tests/outside/requirements.lock.txt tests/outside/requirements.in

clean:
	rm -rf $(VENV) .venv-outside $(DEMO) build dist .pytest_cache .ruff_cache .mypy_cache .import_linter_cache .hypothesis
