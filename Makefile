# Everything sets itself up: on a fresh machine with Python 3.11 or newer, `make demo` or `make test` is enough.

PYTHON ?= python3
VENV ?= .venv
BIN := $(VENV)/bin
SET_UP := $(VENV)/.set-up

# Python code is compiled once, not by each of the many processes that tests and examples start.
unexport PYTHONDONTWRITEBYTECODE

.PHONY: demo test codes lint types bench docs dist clean

$(SET_UP): pyproject.toml
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable '.[dev]'
	touch $@

## Main job on demo_frames/: wet EXR frames and a contact sheet in demo_out/.
demo: $(SET_UP)
	$(BIN)/halocline demo

## All tests.
test: $(SET_UP)
	$(BIN)/python -m pytest -n 2 --dist loadfile

## All tests; one of them must provoke each error code, as the package raises it.
codes: $(SET_UP)
	$(BIN)/python -m pytest -n 2 --dist loadfile --every-code

## Style of the code.
lint: $(SET_UP)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .

## Types, strictly.
types: $(SET_UP)
	$(BIN)/mypy

## Measured comparisons, all in one run.
bench: $(SET_UP)
	$(BIN)/python -m benchmarks.core
	$(BIN)/python -m benchmarks.start
	$(BIN)/python -m benchmarks.water
	$(BIN)/python -m benchmarks.match

## Pages that are written from the code, and the documentation site in build/docs.
docs: $(SET_UP)
	$(BIN)/python tools/write_reference.py
	$(BIN)/python -m sphinx -W --keep-going -q -b html docs build/docs

## sdist and wheel in build/dist, tried as a new user would.
dist: $(SET_UP)
	$(BIN)/python tools/check_packages.py

clean:
	rm -rf $(VENV) demo_out docs/examples_made build dist .pytest_cache .mypy_cache .ruff_cache
