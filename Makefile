# On Windows use the plain pip commands in README.md.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin

.PHONY: demo test coverage lint lock wheels docs clean

demo: $(VENV)/.run
	$(BIN)/fourlight demo demo

test: $(VENV)/.dev lint
	$(BIN)/pytest -n auto --maxprocesses 4 --dist loadfile --no-loadscope-reorder

# Branches that tests take; about half as long again as the tests.
coverage: $(VENV)/.dev
	$(BIN)/pytest -n auto --maxprocesses 4 --dist loadfile --no-loadscope-reorder --cov --cov-report=term:skip-covered

lint: $(VENV)/.dev
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports

# The site is build/docs/index.html; any warning is an error.
docs: $(VENV)/.dev
	$(BIN)/sphinx-build --fail-on-warning --keep-going --quiet -c docs/site -d build/doctrees docs build/docs

$(VENV)/bin/python:
	$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "Fourlight needs Python 3.11 or newer")'
	$(PYTHON) -m venv $(VENV)

$(VENV)/.run: locks/run.txt pyproject.toml | $(VENV)/bin/python
	$(BIN)/python -m pip install --quiet --require-hashes --no-deps -r locks/run.txt
	$(BIN)/python -m pip install --quiet --no-deps -e .
	touch $@

$(VENV)/.dev: locks/dev.txt pyproject.toml | $(VENV)/bin/python
	$(BIN)/python -m pip install --quiet --require-hashes --no-deps -r locks/dev.txt
	$(BIN)/python -m pip install --quiet --no-deps -e .
	touch $@ $(VENV)/.run

# Needs uv; writes exact versions with hashes and names no package index.
lock:
	uv pip compile --quiet --universal --generate-hashes --no-emit-index-url --no-header --python-version 3.11 pyproject.toml -o locks/run.txt
	uv pip compile --quiet --universal --generate-hashes --no-emit-index-url --no-header --python-version 3.11 --extra dev -c locks/run.txt pyproject.toml -o locks/dev.txt

# Needs uv; that every package of the lock comes as a wheel for each Python and system, nothing to be compiled.
wheels:
	for python in 3.11 3.12 3.13; do for system in linux macos windows; do \
		echo "Python $$python, $$system"; uv pip install --quiet --dry-run --no-deps --only-binary :all: \
		--require-hashes --python-version $$python --python-platform $$system --target build/none \
		-r locks/run.txt || exit 1; done; done

clean:
	rm -rf demo build .pytest_cache .mypy_cache .ruff_cache .import_linter_cache
